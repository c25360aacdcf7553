"""The power goes at any moment: what was cleared by then is there, and what was not goes on.

Both drives are real file systems on devices that log what they received; a drive's volatile cache
may lose what no flush followed. Judged by the independent checker.
"""

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from offload.jobs.offloading import offload_card
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger.database import Ledger
from offload.record.keys import station_key
from tests.lab import cards, oracle, powercuts
from tests.lab.images import BTRFS, EXFAT, EXT4, XFS, FileSystem, Rack, Volume
from tests.lab.machine import loops_as_disks
from tests.lab.mounts import LabError
from tests.lab.powercuts import Recorded

pytestmark = pytest.mark.lab
CARD = cards.plain_roll(files=4, size_bytes=60_000)
KINDS = [pytest.param(fs, id=fs.name) for fs in (EXT4, XFS, BTRFS, EXFAT)]


@dataclass
class Shoot:
    """A card and two drives whose devices keep logs."""

    folder: Path
    card: Volume
    drives: tuple[Recorded, Recorded]
    truth: oracle.Content
    moments: list[tuple[int, int]] = field(default_factory=list)

    def now(self) -> tuple[int, int]:
        return self.drives[0].moment(), self.drives[1].moment()

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Note moments while the block runs."""
        done = threading.Event()

        def watch() -> None:
            while not done.wait(0.003):
                self.moments.append(self.now())

        watcher = threading.Thread(target=watch)
        watcher.start()
        try:
            yield
        finally:
            done.set()
            watcher.join()

    def cut(self, moment: tuple[int, int], cache_seed: int | None) -> list[Volume]:
        """Both drives as they are found after a power cut, mounted."""
        found = [
            drive.at(at, cache_seed=cache_seed)
            for drive, at in zip(self.drives, moment, strict=True)
        ]
        for volume in found:
            volume.mount()
        return found


@pytest.fixture
def shoot(rack: Rack, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Shoot]:
    fs: FileSystem = request.param
    card = rack.volume(EXT4, name="card")
    cards.write_tree(card.root, CARD)
    card.sync()
    truth = oracle.content_of(card.root, leaves_out=[b"lost+found"])
    with (
        powercuts.recorded(rack, "shuttle-1", fs) as one,
        powercuts.recorded(rack, "shuttle-2", fs) as two,
    ):
        yield Shoot(tmp_path, card, (one, two), truth)


def offloaded(shoot: Shoot, roots: list[Path], home: str) -> list[str]:
    """Codes of the holds; none when cleared."""
    place = shoot.folder / home
    place.mkdir()
    drives = tuple(
        DriveWish(f"shuttle-{number}", os.fsencode(root)) for number, root in enumerate(roots, 1)
    )
    wish = Wish(os.fsencode(shoot.card.root), drives, roll="A001", reserve_bytes=0)
    with Ledger(os.fsencode(place)) as ledger:
        tools = Tools(ledger, station_key(os.fsencode(place)), loops_as_disks())
        return [hold.code for hold in offload_card(wish, tools).verdict.holds]


def whole_copies(volumes: list[Volume], truth: oracle.Content) -> int:
    return oracle.drives_with_copy([volume.root for volume in volumes], truth)


@pytest.mark.parametrize("shoot", KINDS, indirect=True)
def test_cleared_copies_outlive_a_power_cut(shoot: Shoot) -> None:
    assert offloaded(shoot, [drive.volume.root for drive in shoot.drives], "home") == []
    cleared = shoot.now()
    for cache_seed in (None, 1, 2, 3):
        found = shoot.cut(cleared, cache_seed)
        assert whole_copies(found, shoot.truth) == 2
        for volume in found:
            volume.close()


@pytest.mark.parametrize("shoot", KINDS, indirect=True)
def test_run_goes_on_after_a_power_cut(shoot: Shoot) -> None:
    before = shoot.now()
    with shoot.watched():
        assert offloaded(shoot, [drive.volume.root for drive in shoot.drives], "home") == []
    during = [moment for moment in shoot.moments if moment > before] or [before]
    chosen = powercuts.moments(1, 0, len(during) - 1, 4)
    for seed, at in enumerate(chosen):
        try:
            found = shoot.cut(during[at], seed)
        except LabError:
            assert shoot.drives[0].volume.fs is EXFAT, "no journal: it may need a repair first"
            continue
        for volume in found:
            seen = oracle.content_of(volume.root, leaves_out=[b"lost+found"])
            assert oracle.half_done_under_final_name(seen, shoot.truth, b"A001") == []
        assert offloaded(shoot, [volume.root for volume in found], f"home-{seed}") == []
        assert whole_copies(found, shoot.truth) == 2
        for volume in found:
            volume.close()
