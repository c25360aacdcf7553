"""The program as its user meets it: commands, cards and drives on a machine of loop devices.

``tests.lab.loops_as_disks`` is the program itself; only what counts as a separate disk is handed
in, since all images of the laboratory lie on one.
"""

import os
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.lab.images import EXT4, FileSystem, Rack, Volume
from tests.lab.processes import Child, Done, Station

SETTINGS = '[copies]\nreserve = "0 B"\n[clips]\nlook = false\n'
"""Images are small; nothing is kept free on them. What is called a clip there is random bytes."""


def receiver(folder: Path, sender: str) -> Station:
    """Somebody else's machine, to which the sender's key (its public line) is known."""
    made = Station(folder, SETTINGS)
    made.home.mkdir()
    (made.home / "allowed_signers").write_text(f"station {sender}\n")
    return made


class DiskStation(Station):
    """A station whose loop devices are disks of their own."""

    def __init__(self, folder: Path, settings: str = SETTINGS) -> None:
        super().__init__(folder, settings)

    def command(self, *arguments: str | bytes | Path) -> list[bytes]:
        own = (sys.executable, "-m", "tests.lab.loops_as_disks")
        return [os.fsencode(argument) for argument in (*own, *arguments)]


class Bench:
    """A station, a card and two drives."""

    def __init__(
        self,
        rack: Rack,
        tmp_path: Path,
        *,
        card: FileSystem = EXT4,
        drives: Sequence[FileSystem] = (EXT4, EXT4),
    ) -> None:
        self.station = DiskStation(tmp_path / "station")
        self.card: Volume = rack.volume(card, name="card")
        self.drives: list[Volume] = [
            rack.volume(fs, name=f"shuttle-{at}") for at, fs in enumerate(drives, 1)
        ]
        for volume in (self.card, *self.drives):
            if (volume.root / "lost+found").exists():
                (volume.root / "lost+found").rmdir()

    @property
    def to(self) -> list[str]:
        """``--to`` for every drive."""
        return [word for drive in self.drives for word in ("--to", str(drive.root))]

    def words(self, *more: str) -> list[str]:
        """The arguments of a copy of this card to all drives."""
        return ["copy", str(self.card.root), *self.to, "--roll", "A001", *more]

    def copy(self, *more: str, environment: dict[str, str] | None = None) -> Done:
        """Copy to the end; no traceback may reach the user."""
        done = self.station.run(*self.words(*more), environment=environment)
        done.assert_no_traceback()
        return done

    def start(self, *more: str, is_held: bool = False) -> Child:
        """Begin to copy."""
        return self.station.start(*self.words(*more), is_held=is_held)
