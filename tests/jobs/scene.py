"""A card, some drives, a ledger and a key: what an offload needs, on real file systems."""

import os
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

from offload.events import Event
from offload.jobs.offloading import offload_card
from offload.jobs.outcome import Outcome
from offload.jobs.surroundings import Surroundings
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger.database import Ledger
from offload.record.keys import SigningKey, station_key
from offload.values.facts import Policy
from tests.lab.images import EXT4, FileSystem, Rack, Volume
from tests.lab.machine import loops_as_disks


@dataclass
class Scene:
    """One card and its drives."""

    home: Path
    card: Volume
    drives: list[Volume]
    key: SigningKey
    surroundings: Surroundings = field(default_factory=loops_as_disks)
    events: list[Event] = field(default_factory=list)

    @classmethod
    def make(
        cls,
        rack: Rack,
        tmp_path: Path,
        *,
        card: FileSystem = EXT4,
        drives: Sequence[FileSystem] = (EXT4, EXT4),
    ) -> "Scene":
        home = tmp_path / "home"
        home.mkdir()
        return cls(
            home,
            rack.volume(card, name="card"),
            [rack.volume(fs, name=f"shuttle-{at}") for at, fs in enumerate(drives, 1)],
            station_key(os.fsencode(home)),
        )

    def wish(self, **changes: object) -> Wish:
        drives = tuple(
            DriveWish(f"shuttle-{at}", os.fsencode(volume.root))
            for at, volume in enumerate(self.drives, 1)
        )
        wish = Wish(
            os.fsencode(self.card.root), drives, roll="A001", policy=Policy(), reserve_bytes=0
        )
        return replace(wish, **changes)  # type: ignore[arg-type]

    def offload(
        self, wish: Wish | None = None, *, is_stopped: Callable[[], bool] = lambda: False
    ) -> Outcome:
        with ExitStack() as stack:
            ledger = stack.enter_context(Ledger(os.fsencode(self.home)))
            tools = Tools(
                ledger,
                self.key,
                self.surroundings,
                sink=self.events.append,
                is_stopped=is_stopped,
            )
            return offload_card(wish or self.wish(), tools)


def write_card(volume: Volume, files: dict[str, bytes]) -> None:
    """Put files on a card and sync."""
    for name, content in files.items():
        path = volume.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    volume.sync()


def tree(folder: Path) -> dict[str, bytes]:
    """All files below a folder, by relative path."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def codes(outcome: Outcome) -> list[str]:
    """Codes of the holds, in their order."""
    return [hold.code for hold in outcome.verdict.holds]
