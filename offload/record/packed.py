"""Rows that belong to a path, a million of them in little memory, found again by the path.

Kept in columns: the folder of a path once for all files in it, what many rows have in common once
for all of them, the rest of the path and a row's own facts as bytes. That is some 30 bytes a row
beside name and facts; an object with its fields costs ten times as much.
"""

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Hashable, Iterator
from itertools import pairwise
from typing import Generic, TypeVar

_PARTS = 256
_PART_SHIFT = 24
_HASH_MASK = 0xFFFFFFFF
_FOLDERS = 1 << 16
"""Beyond so many, a folder is kept with each of its files."""

Common = TypeVar("Common", bound=Hashable)


class PackedRows(Generic[Common]):
    """Rows in the order in which they came, each with a number of the caller's.

    Fill it with :meth:`add`, then :meth:`seal` it; only then can it be asked for a path.
    """

    def __init__(self) -> None:
        self._blob = bytearray()
        self._ends = array("Q")
        self._name_bytes = array("I")
        # Half of Python's own hash of the path: keyed anew in every process, so that nobody can
        # choose paths that meet; those that do by chance are told apart by the path itself.
        self._hashes = array("I")
        self._folders: dict[bytes, int] = {b"": 0}
        self._folder = array("I")
        self._commons: dict[Common, int] = {}
        self._common = array("I")
        self._runs: list[tuple[int, int]] = []
        self._order = array("I")
        self._is_last = bytearray()
        self._folder_of: list[bytes] = []
        self._common_of: list[Common] = []

    def __len__(self) -> int:
        return len(self._ends)

    def add(self, number: int, path: bytes, common: Common, facts: bytes) -> None:
        """Append a row.

        Args:
            number: the caller's; costs nothing where it is that of the row before.
            path: any bytes.
            common: what many rows have alike.
            facts: what is this row's own.
        """
        if not self._runs or self._runs[-1][1] != number:
            self._runs.append((len(self._ends), number))
        folder, _, name = path.rpartition(b"/")
        folders = self._folders
        at = folders.get(folder)
        if at is None:
            at = len(folders) if len(folders) < _FOLDERS else 0
            folders.setdefault(folder if at else b"", at)
        if not at:
            name = path
        self._blob += name
        self._blob += facts
        self._ends.append(len(self._blob))
        self._name_bytes.append(len(name))
        self._folder.append(at)
        self._common.append(self._commons.setdefault(common, len(self._commons)))
        self._hashes.append(hash(path) & _HASH_MASK)

    def cut(self, count: int) -> None:
        """Forget all rows but the first ``count``."""
        del self._blob[self._ends[count - 1] if count else 0 :]
        for column in (self._ends, self._name_bytes, self._hashes, self._folder, self._common):
            del column[count:]
        while self._runs and self._runs[-1][0] >= count:
            self._runs.pop()

    def seal(self) -> None:
        """Sort for looking up; nothing can be added afterwards."""
        self._folder_of = list(self._folders)
        self._common_of = list(self._commons)
        parts = [array("I") for _ in range(_PARTS)]
        for at, number in enumerate(self._hashes):
            parts[number >> _PART_SHIFT].append(at)
        # In parts: a list of a million numbers to be sorted takes as much as half of the columns.
        for part in parts:
            self._order.extend(sorted(part, key=self._hashes.__getitem__))
        self._mark_last()

    def number(self, at: int) -> int:
        """The number that row ``at`` came with."""
        return self._runs[bisect_right(self._runs, at, key=_first) - 1][1]

    def runs(self) -> list[tuple[int, int]]:
        """Begin and end of the rows that came with one number after one another."""
        starts = [start for start, _ in self._runs]
        return list(pairwise([*starts, len(self)])) if starts else []

    def path(self, at: int) -> bytes:
        """Path of row ``at``."""
        start = self._start(at)
        name = bytes(memoryview(self._blob)[start : start + self._name_bytes[at]])
        folder = self._folder[at]
        return self._folder_of[folder] + b"/" + name if folder else name

    def row(self, at: int) -> tuple[Common, bytes]:
        """What row ``at`` has in common with others, and its own facts."""
        start = self._start(at) + self._name_bytes[at]
        facts = bytes(memoryview(self._blob)[start : self._ends[at]])
        return self._common_of[self._common[at]], facts

    def places(self, path: bytes) -> list[int]:
        """Where the rows of this path are, in their order."""
        number = hash(path) & _HASH_MASK
        place = bisect_left(self._order, number, key=self._hashes.__getitem__)
        found: list[int] = []
        while place < len(self._order) and self._hashes[self._order[place]] == number:
            at = self._order[place]
            if self.path(at) == path:
                found.append(at)
            place += 1
        return found

    def is_last(self, at: int) -> bool:
        """Whether no later row has the same path."""
        return bool(self._is_last[at])

    def _start(self, at: int) -> int:
        return self._ends[at - 1] if at else 0

    def _mark_last(self) -> None:
        self._is_last = bytearray(b"\1") * len(self)
        for begin, end in self._same_hash():
            seen: set[bytes] = set()
            for at in reversed(self._order[begin:end]):
                path = self.path(at)
                self._is_last[at] = path not in seen
                seen.add(path)

    def _same_hash(self) -> Iterator[tuple[int, int]]:
        """Where in the order several rows have one hash."""
        begin, before = 0, -1
        for place, at in enumerate(self._order):
            number = self._hashes[at]
            if number != before:
                if place - begin > 1:
                    yield begin, place
                begin, before = place, number
        if len(self._order) - begin > 1:
            yield begin, len(self._order)


def _first(pair: tuple[int, int]) -> int:
    return pair[0]
