"""The records of all generations of one history, packed: some 100 bytes beside path and digests.

A card may hold a million frames and a history many generations; an object for each record would
take ten times the memory. Records are made when they are looked at.
"""

import marshal
from array import array
from bisect import bisect_left
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from typing import Any

from offload.record.mhl.model import Action, DirectoryRecord, Hash, HashRecord, Record

_ACTIONS = {None: 0, Action.ORIGINAL: 1, Action.VERIFIED: 2, Action.FAILED: 3}
_BY_NUMBER = {number: action for action, number in _ACTIONS.items()}

# Only what this process packed itself is ever unpacked; marshal is quick and unsafe for others.
_Packed = tuple[Any, ...]


class RecordTable:
    """Records by the order in which they came, each with the number of its generation.

    Fill it with :meth:`add`, then :meth:`seal` it; only then can it be asked.
    """

    def __init__(self) -> None:
        self._blob = bytearray()
        self._ends = array("Q")
        self._generations = array("L")
        self._hashes = array("q")
        self._order = array("L")
        self._sorted = array("q")

    def __len__(self) -> int:
        return len(self._ends)

    def add(self, generation: int, record: Record) -> None:
        """Append a record; generations come in their order."""
        self._blob += marshal.dumps(_packed(record))
        self._ends.append(len(self._blob))
        self._generations.append(generation)
        self._hashes.append(hash(record.path))

    def cut(self, count: int) -> None:
        """Forget all records but the first ``count``: their manifest turned out to be unusable."""
        del self._blob[self._ends[count - 1] if count else 0 :]
        for column in (self._ends, self._generations, self._hashes):
            del column[count:]

    def seal(self) -> None:
        """Sort for looking up; nothing can be added afterwards."""
        self._order = array("L", sorted(range(len(self)), key=self._hashes.__getitem__))
        self._sorted = array("q", (self._hashes[at] for at in self._order))

    def record(self, at: int) -> Record:
        """Record number ``at``."""
        start = self._ends[at - 1] if at else 0
        return _unpacked(marshal.loads(memoryview(self._blob)[start : self._ends[at]]))

    def generation(self, at: int) -> int:
        """The generation of record number ``at``."""
        return self._generations[at]

    def of_path(self, path: bytes) -> list[tuple[int, Record]]:
        """Generation and record of everything recorded under a path, in order of generations."""
        number = hash(path)
        found: list[int] = []
        place = bisect_left(self._sorted, number)
        while place < len(self._sorted) and self._sorted[place] == number:
            found.append(self._order[place])
            place += 1
        records = ((self._generations[at], self.record(at)) for at in sorted(found))
        return [(number, record) for number, record in records if record.path == path]

    def newest_of_each(self) -> Iterator[tuple[int, Record]]:
        """The last record of every path, newest generation first, in the order of the manifest."""
        for begin, end in reversed(self._runs()):
            for at in range(begin, end):
                if self._is_last(at):
                    yield self._generations[at], self.record(at)

    def _runs(self) -> list[tuple[int, int]]:
        """Where the records of each generation lie: together, and no path twice among them."""
        starts = [
            at
            for at in range(len(self))
            if not at or self._generations[at] != self._generations[at - 1]
        ]
        return list(pairwise([*starts, len(self)]))

    def _is_last(self, at: int) -> bool:
        number = self._hashes[at]
        place = bisect_left(self._sorted, number)
        path: bytes | None = None
        while place < len(self._sorted) and self._sorted[place] == number:
            other = self._order[place]
            if other > at:
                path = path if path is not None else self.record(at).path
                if self.record(other).path == path:
                    return False
            place += 1
        return True


def _packed(record: Record) -> _Packed:
    facts = (record.path, record.mtime_ns, record.created_ns, record.previous_path)
    if isinstance(record, HashRecord):
        return (*facts, _packed_hashes(record.hashes), record.size_bytes)
    return (*facts, _packed_hashes(record.content), _packed_hashes(record.structure), True)


def _unpacked(fields: _Packed) -> Record:
    path, mtime_ns, created_ns, previous, hashes, other = fields[:6]
    facts = (mtime_ns, created_ns, previous)
    if len(fields) == 6:
        return HashRecord(path, _unpacked_hashes(hashes), other, *facts)
    return DirectoryRecord(path, _unpacked_hashes(hashes), _unpacked_hashes(other), *facts)


def _packed_hashes(hashes: tuple[Hash, ...]) -> _Packed:
    return tuple(
        (
            found.algorithm,
            found.digest,
            _ACTIONS[found.action],
            found.hashed_at.isoformat() if found.hashed_at else "",
        )
        for found in hashes
    )


def _unpacked_hashes(packed: _Packed) -> tuple[Hash, ...]:
    return tuple(
        Hash(name, digest, _BY_NUMBER[action], datetime.fromisoformat(date) if date else None)
        for name, digest, action, date in packed
    )
