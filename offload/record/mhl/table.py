"""The records of all generations of one history, packed; made again when they are looked at."""

from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise

from offload.record.mhl.model import Action, DirectoryRecord, Hash, HashRecord, Record
from offload.record.packed import PackedRows, Row

_ACTIONS = {None: 0, Action.ORIGINAL: 1, Action.VERIFIED: 2, Action.FAILED: 3}
_BY_NUMBER = {number: action for action, number in _ACTIONS.items()}


class RecordTable:
    """Records in the order in which they came, each with the number of its generation.

    Fill it with :meth:`add`, then :meth:`seal` it; only then can it be asked.
    """

    def __init__(self) -> None:
        self._rows = PackedRows()

    def __len__(self) -> int:
        return len(self._rows)

    def add(self, generation: int, record: Record) -> None:
        """Append a record; generations come in their order."""
        self._rows.add(generation, _packed(record))

    def cut(self, count: int) -> None:
        """Forget all records but the first ``count``: their manifest turned out to be unusable."""
        self._rows.cut(count)

    def seal(self) -> None:
        """Make ready for looking up; nothing can be added afterwards."""
        self._rows.seal()

    def of_path(self, path: bytes) -> list[tuple[int, Record]]:
        """Generation and record of everything recorded under a path, in order of generations."""
        return [self._at(place) for place in self._rows.places(path)]

    def newest_of_each(self) -> Iterator[tuple[int, Record]]:
        """The last record of every path, newest generation first, in the order of the manifest."""
        for begin, end in reversed(self._runs()):
            for at in range(begin, end):
                if self._rows.is_last(at):
                    yield self._at(at)

    def _at(self, place: int) -> tuple[int, Record]:
        return self._rows.number(place), _unpacked(self._rows.row(place))

    def _runs(self) -> list[tuple[int, int]]:
        """Where the records of each generation lie: together, and no path twice among them."""
        rows = self._rows
        starts = [at for at in range(len(rows)) if not at or rows.number(at) != rows.number(at - 1)]
        return list(pairwise([*starts, len(rows)]))


def _packed(record: Record) -> Row:
    facts = (record.path, record.mtime_ns, record.created_ns, record.previous_path)
    if isinstance(record, HashRecord):
        return (*facts, _packed_hashes(record.hashes), record.size_bytes)
    return (*facts, _packed_hashes(record.content), _packed_hashes(record.structure), True)


def _unpacked(fields: Row) -> Record:
    path, mtime_ns, created_ns, previous, hashes, other = fields[:6]
    facts = (mtime_ns, created_ns, previous)
    if len(fields) == 6:
        return HashRecord(path, _unpacked_hashes(hashes), other, *facts)
    return DirectoryRecord(path, _unpacked_hashes(hashes), _unpacked_hashes(other), *facts)


def _packed_hashes(hashes: tuple[Hash, ...]) -> Row:
    return tuple(
        (
            found.algorithm,
            found.digest,
            _ACTIONS[found.action],
            found.hashed_at.isoformat() if found.hashed_at else "",
        )
        for found in hashes
    )


def _unpacked_hashes(packed: Row) -> tuple[Hash, ...]:
    return tuple(
        Hash(name, digest, _BY_NUMBER[action], datetime.fromisoformat(date) if date else None)
        for name, digest, action, date in packed
    )
