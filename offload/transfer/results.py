"""What the passes found, in columns: one place for each entry of the inventory.

Columns are written by one thread each and read when the pass has ended.
"""

import os
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from threading import Thread

from offload.checksum import COMPARE, digest_size
from offload.storage.root import Root
from offload.values.facts import CopyState
from offload.values.findings import Finding


class Digests:
    """Raw digests by algorithm and entry number; what was not read has none."""

    def __init__(self, names: Iterable[str], count: int) -> None:
        self._sizes = {name: digest_size(name) for name in names}
        self._columns = {name: bytearray(size * count) for name, size in self._sizes.items()}
        self._known = {name: bytearray(count) for name in self._sizes}

    @property
    def names(self) -> tuple[str, ...]:
        """The algorithms, in the order asked for."""
        return tuple(self._sizes)

    def put(self, name: str, number: int, digest: bytes) -> None:
        """Set one digest."""
        size = self._sizes[name]
        self._columns[name][number * size : (number + 1) * size] = digest
        self._known[name][number] = 1

    def get(self, name: str, number: int) -> bytes | None:
        """One digest, or nothing where the file was not read whole."""
        if not self._known[name][number]:
            return None
        size = self._sizes[name]
        return bytes(self._columns[name][number * size : (number + 1) * size])

    def drop(self, number: int) -> None:
        """Forget a file's digests."""
        for known in self._known.values():
            known[number] = 0

    def has_all(self, number: int) -> bool:
        """Whether every algorithm has a digest of this file."""
        return all(known[number] for known in self._known.values())

    def column(self, name: str) -> bytes:
        """All digests of one algorithm, zeros where unknown."""
        return bytes(self._columns[name])


class Marks:
    """Each file's facts at its last reading, taken from the descriptor: 24 bytes a file.

    The size is the inventory's and the device the root's, or the file is not marked at all. The
    inode number is kept for the ledger and never compared: drivers without such numbers of their
    own make them up anew.

    Args:
        count: entries of the inventory.
        device: number of the file system that the root lies on.
    """

    def __init__(self, count: int, device: int) -> None:
        self.device = device
        self._inodes = array("Q", bytes(8 * count))
        self._modified = array("q", bytes(8 * count))
        self._changed = array("q", bytes(8 * count))
        self._known = bytearray(count)

    def put(self, number: int, facts: os.stat_result) -> None:
        """Note the facts of a descriptor that has just been read."""
        if facts.st_dev != self.device:
            return
        self._inodes[number] = facts.st_ino
        self._modified[number] = facts.st_mtime_ns
        self._changed[number] = facts.st_ctime_ns
        self._known[number] = 1

    def take(self, other: "Marks", numbers: Iterable[int]) -> None:
        """Have the other's facts, or the lack of them, for these entries."""
        for number in numbers:
            self._inodes[number] = other._inodes[number]
            self._modified[number] = other._modified[number]
            self._changed[number] = other._changed[number]
            self._known[number] = other._known[number]

    def holds(self, number: int, facts: os.stat_result, size_bytes: int) -> bool:
        """Whether the file is still as it was read; never for one that was not."""
        return bool(self._known[number]) and (
            facts.st_dev == self.device
            and facts.st_size == size_bytes
            and facts.st_mtime_ns == self._modified[number]
            and facts.st_ctime_ns == self._changed[number]
        )

    def times(self, number: int) -> tuple[int, int, int] | None:
        """Inode, modification and change time (ns) of a file that was read; else nothing."""
        if not self._known[number]:
            return None
        return self._inodes[number], self._modified[number], self._changed[number]


class ZeroRuns:
    """Runs of zero blocks met while copying, as (offset, length) in bytes; bounded a file."""

    LIMIT = 1000

    def __init__(self) -> None:
        self._runs: dict[int, list[tuple[int, int]]] = {}

    def add(self, number: int, offset: int, length: int) -> None:
        """Note a zero block; it joins the run before it."""
        runs = self._runs.setdefault(number, [])
        if runs and sum(runs[-1]) == offset:
            runs[-1] = (runs[-1][0], runs[-1][1] + length)
        elif len(runs) < self.LIMIT:
            runs.append((offset, length))

    def of(self, number: int) -> Sequence[tuple[int, int]]:
        """The runs of one file, in order."""
        return tuple(self._runs.get(number, ()))


@dataclass(slots=True)
class CopyingResult:
    """What the copying pass found; columns over the entries of the inventory.

    Attributes:
        digests: of what was read whole from the card.
        card_states: ``NOT_READ``, ``READ_EQUAL`` (once), ``CACHED``, ``UNREADABLE`` or ``CHANGED``.
        card_marks: facts of each file at this reading.
        drive_states: by drive name: ``ABSENT``, ``WRITTEN`` or ``FAILED``.
        failures: drive name -> why it was dropped.
        hanging: drive name -> the thread that hangs in a call to it; it has fallen silent.
        left: drives that were too slow for the others: what they lack is ``ABSENT`` there.
        zero_runs: zero blocks met in the bytes.
        findings: what else there is to say.
        is_card_gone: the card vanished.
        is_stopped: the user wanted to stop.
    """

    digests: Digests
    card_states: bytearray
    card_marks: Marks
    drive_states: dict[str, bytearray]
    failures: dict[str, str] = field(default_factory=dict)
    hanging: dict[str, Thread] = field(default_factory=dict)
    left: list[str] = field(default_factory=list)
    zero_runs: ZeroRuns = field(default_factory=ZeroRuns)
    findings: list[Finding] = field(default_factory=list)
    is_card_gone: bool = False
    is_stopped: bool = False


def is_same_moment(before: os.stat_result, after: os.stat_result) -> bool:
    """Whether a file's facts stood still between two looks at one descriptor."""
    return (
        before.st_mtime_ns == after.st_mtime_ns
        and before.st_ctime_ns == after.st_ctime_ns
        and before.st_size == after.st_size
        and before.st_dev == after.st_dev
    )


def new_result(
    names: Iterable[str], count: int, card: Root, drives: Iterable[str]
) -> CopyingResult:
    """Empty columns for ``count`` entries; :data:`COMPARE` is always among the checksums."""
    algorithms = dict.fromkeys((COMPARE, *names))
    return CopyingResult(
        Digests(algorithms, count),
        bytearray(count),
        Marks(count, card.device),
        {name: bytearray([CopyState.ABSENT]) * count for name in drives},
    )
