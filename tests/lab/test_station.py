"""The station on real mounts: cards come, are copied and answered, leave, come back."""

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.lab import oracle
from tests.lab.cards import write_roll
from tests.lab.images import EXFAT, EXT4, FileSystem, Rack, Volume
from tests.lab.station import LoopInstallation, Watching, settings_text

pytestmark = pytest.mark.lab


@dataclass
class Set:
    """A rack with two drives, and an installation that watches where cards are mounted."""

    rack: Rack
    drives: list[Volume]
    installation: LoopInstallation

    @classmethod
    def make(cls, rack: Rack, tmp_path: Path, *, more: str = "") -> "Set":
        drives = [rack.volume(EXT4, name=f"shuttle-{at}") for at in (1, 2)]
        text = settings_text(drives, [rack.folder / "mounted"], more=more)
        return cls(rack, drives, LoopInstallation(tmp_path / "station", text))

    def card(self, name: str, roll: str, fs: FileSystem = EXT4) -> Volume:
        """A card with a roll on it, not mounted."""
        volume = self.rack.volume(fs, name=name)
        write_roll(volume.root, roll=roll, clip_count=2)
        volume.sync()
        volume.unmount()
        return volume

    def assert_copied(self, card: Volume) -> None:
        """Every byte of the card is on both drives, under a finished name; by plain tools."""
        truth = oracle.content_of(card.root)
        assert oracle.drives_with_copy([drive.root for drive in self.drives], truth) == 2


@pytest.mark.parametrize("fs", [EXT4, EXFAT], ids=lambda fs: fs.name)
def test_card_is_copied_and_cleared(rack: Rack, tmp_path: Path, fs: FileSystem) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", fs)
    with Watching(station.installation) as watching:
        card.mount()
        said = watching.wait_verdict()
        assert (said["verdict"], said["roll"]) == ("cleared", "A001"), watching.told()
        station.assert_copied(card)
        done = watching.stop()
    assert (done.code, done.err) == (0, "")
    assert os.fspath(card.root) == said["mount_point"]
