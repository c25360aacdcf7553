"""Running the two passes in a test: a card folder, drives, and everything filled in."""

import os
import stat
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from offload.storage.evidence import Medium
from offload.storage.root import Root
from offload.transfer.counters import Lane, Pass
from offload.transfer.plan import ON_EVERY_DRIVE, Item, Target
from offload.transfer.proving import prove_all
from offload.transfer.pump import Drive, copy_all
from offload.transfer.readings import Outcome, Reading, ReadingResult
from offload.transfer.results import CopyingResult, new_result
from offload.values.paths import join


def counter_of(device: str) -> int | None:
    """Bytes ever read from a block device (``Documentation/admin-guide/iostats.rst``, field 3)."""
    try:
        text = Path(f"/sys/dev/block/{device}/stat").read_text()
    except OSError:
        return None
    return int(text.split()[2]) * 512


def medium_of(device: str, *, is_fuse: bool) -> Medium:
    """A medium that sits on one loop device."""
    number = os.stat(device).st_rdev
    node = (os.fsencode(device),) if is_fuse else ()
    return Medium((f"{os.major(number)}:{os.minor(number)}",), node)


def items_of(card: Path) -> list[Item]:
    """Everything below a card folder that is a file or an empty folder, sorted by path."""
    found: list[tuple[bytes, os.stat_result]] = []
    with Root(os.fsencode(card)) as root:
        folders = [b""]
        for folder in folders:
            entries = root.scan(folder)
            if folder and not entries:
                found.append((folder, root.facts(folder)))
            for entry, facts in entries:
                assert not isinstance(facts, OSError)
                path = join(folder, entry)
                if stat.S_ISDIR(facts.st_mode):
                    folders.append(path)
                elif stat.S_ISREG(facts.st_mode):
                    found.append((path, facts))
    return [
        Item(at, path, 0 if is_folder else facts.st_size, facts.st_mtime_ns, is_folder)
        for at, (path, facts) in enumerate(sorted(found, key=lambda pair: pair[0]))
        for is_folder in [stat.S_ISDIR(facts.st_mode)]
    ]


@dataclass
class Passes:
    """A card and its drives, for as many passes as a test wants."""

    card: Root
    drives: list[Drive]
    items: list[Item]
    result: CopyingResult

    @classmethod
    def of(
        cls,
        card: Path,
        drives: Sequence[tuple[Path, Target]],
        *,
        checksums: Sequence[str] = ("xxh128", "c4"),
    ) -> "Passes":
        items = items_of(card)
        names = [target.name for _, target in drives]
        held = [Drive(target, Root(os.fsencode(path))) for path, target in drives]
        root = Root(os.fsencode(card))
        return cls(root, held, items, new_result(checksums, len(items), root, names))

    def copy(
        self,
        *,
        is_stopped: Callable[[], bool] = lambda: False,
        is_card_present: Callable[[], bool] = lambda: True,
        items: Sequence[Item] | None = None,
    ) -> CopyingResult:
        copy_all(
            self.card,
            self.drives,
            self.items if items is None else items,
            self.result,
            self._counters("copying"),
            is_stopped=is_stopped,
            is_card_present=is_card_present,
        )
        return self.result

    def prove(
        self, *, card_medium: Medium | None = None, drive_names: Sequence[str] | None = None
    ) -> dict[str, ReadingResult]:
        numbers = range(len(self.items))
        readings = [
            Reading(
                drive.target.name,
                drive.root,
                drive.target.medium,
                lambda at, target=drive.target: target.path_of(self.items[at].path),  # type: ignore[misc]
                numbers,
                lambda at: self.items[at].is_folder,
            )
            for drive in self.drives
            if drive_names is None or drive.target.name in drive_names
        ]
        if card_medium is not None:
            readings.append(
                Reading(
                    "card",
                    self.card,
                    card_medium,
                    lambda at: self.items[at].path,
                    numbers,
                    lambda at: self.items[at].is_folder,
                    is_card=True,
                )
            )
        return prove_all(
            readings,
            self.result.digests,
            lambda at: self.items[at].size_bytes,
            self._counters("proving"),
            len(self.items),
            read_counter=counter_of,
            is_stopped=lambda: False,
        )

    def number(self, path: bytes) -> int:
        return next(item.number for item in self.items if item.path == path)

    def close(self) -> None:
        self.card.close()
        for drive in self.drives:
            drive.root.close()

    def _counters(self, step: str) -> Pass:
        counters = Pass(step)
        counters.card.total_bytes = sum(item.size_bytes for item in self.items)
        for bit, drive in enumerate(self.drives):
            total = sum(item.size_bytes for item in self.items if item.missing_on >> bit & 1)
            counters.drives[drive.target.name] = Lane(drive.target.name, total)
        return counters


__all__ = [
    "ON_EVERY_DRIVE",
    "Medium",
    "Outcome",
    "Passes",
    "Target",
    "counter_of",
    "items_of",
    "medium_of",
]
