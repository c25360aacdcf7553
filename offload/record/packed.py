"""Rows that belong to a path, a million of them in little memory, found again by the path.

Each costs some 40 bytes beside what is in it; an object with its fields costs ten times as much.
"""

import marshal
from array import array
from bisect import bisect_left
from typing import Any

# Only what this process packed itself is ever unpacked; marshal is quick and unsafe for others.
Row = tuple[Any, ...]
"""A row: its path first, then whatever marshal takes: numbers, text, bytes, tuples, None."""


class PackedRows:
    """Rows in the order in which they came, each with a number of the caller's.

    Fill it with :meth:`add`, then :meth:`seal` it; only then can it be asked for a path.
    """

    def __init__(self) -> None:
        self._blob = bytearray()
        self._ends = array("Q")
        self._numbers = array("I")
        self._hashes = array("q")
        self._order = array("I")
        self._sorted = array("q")

    def __len__(self) -> int:
        return len(self._ends)

    def add(self, number: int, row: Row) -> None:
        """Append a row."""
        self._blob += marshal.dumps(row)
        self._ends.append(len(self._blob))
        self._numbers.append(number)
        self._hashes.append(hash(row[0]))

    def cut(self, count: int) -> None:
        """Forget all rows but the first ``count``."""
        del self._blob[self._ends[count - 1] if count else 0 :]
        for column in (self._ends, self._numbers, self._hashes):
            del column[count:]

    def seal(self) -> None:
        """Sort for looking up; nothing can be added afterwards."""
        self._order = array("I", sorted(range(len(self)), key=self._hashes.__getitem__))
        self._sorted = array("q", (self._hashes[at] for at in self._order))

    def number(self, at: int) -> int:
        """The number that row ``at`` came with."""
        return self._numbers[at]

    def row(self, at: int) -> Row:
        """Row ``at``."""
        start = self._ends[at - 1] if at else 0
        row: Row = marshal.loads(memoryview(self._blob)[start : self._ends[at]])
        return row

    def places(self, path: bytes) -> list[int]:
        """Where the rows of this path are, in their order."""
        return sorted(at for at in self._same_hash(hash(path)) if self.row(at)[0] == path)

    def is_last(self, at: int) -> bool:
        """Whether no later row has the same path."""
        later = [other for other in self._same_hash(self._hashes[at]) if other > at]
        if not later:
            return True
        path = self.row(at)[0]
        return all(self.row(other)[0] != path for other in later)

    def _same_hash(self, number: int) -> list[int]:
        found: list[int] = []
        place = bisect_left(self._sorted, number)
        while place < len(self._sorted) and self._sorted[place] == number:
            found.append(self._order[place])
            place += 1
        return found
