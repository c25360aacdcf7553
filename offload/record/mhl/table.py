"""The records of all generations of one history, packed; made again when they are looked at."""

import marshal
import struct
from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple

from offload.checksum import digest_size
from offload.record.mhl.model import FORMATS, Action, DirectoryRecord, Hash, HashRecord, Record
from offload.record.packed import PackedRows

_SIZES = {name: digest_size(name) for name in FORMATS}
_NUMBERS_LIMIT = 1 << 63

Form = tuple[tuple[str, Action | None], ...]


class _Common(NamedTuple):
    """What the records of a manifest mostly have alike.

    Attributes:
        form: format and action of each hash, those of content and then structure of a folder.
        has: which of size (or number of content hashes), mtime and time of creation are there.
        has_more: whether there is a previous path, a date of a hash, or a number that is too large.
    """

    form: Form
    has: tuple[bool, bool, bool]
    is_folder: bool
    has_more: bool


class RecordTable:
    """Records in the order in which they came, each with the number of its generation.

    Fill it with :meth:`add`, then :meth:`seal` it; only then can it be asked.
    """

    def __init__(self) -> None:
        self._rows: PackedRows[_Common] = PackedRows()

    def __len__(self) -> int:
        return len(self._rows)

    def add(self, generation: int, record: Record) -> None:
        """Append a record; generations come in their order."""
        common, facts = _packed(record)
        self._rows.add(generation, record.path, common, facts)

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
        for begin, end in reversed(self._rows.runs()):
            for at in range(begin, end):
                if self._rows.is_last(at):
                    yield self._at(at)

    def _at(self, place: int) -> tuple[int, Record]:
        path = self._rows.path(place)
        return self._rows.number(place), _unpacked(path, *self._rows.row(place))


def _packed(record: Record) -> tuple[_Common, bytes]:
    if isinstance(record, HashRecord):
        hashes, is_folder, size = record.hashes, False, record.size_bytes
    else:
        hashes, is_folder, size = (*record.content, *record.structure), True, None
    numbers = (size, record.mtime_ns, record.created_ns)
    held = [number for number in numbers if number is not None]
    dates = [found.hashed_at for found in hashes]
    more: bytes | None = None
    if record.previous_path is not None or any(dates) or not _are_small(held):
        texts = [date.isoformat() if date else "" for date in dates]
        # Only what this process packed itself is ever unpacked.
        more = marshal.dumps((record.previous_path, texts, held))
        held = []
    form = tuple([(found.algorithm, found.action) for found in hashes])
    has = (size is not None, record.mtime_ns is not None, record.created_ns is not None)
    facts = b"".join([found.digest for found in hashes])
    if held:
        facts += struct.pack(f"={len(held)}q", *held)
    common = _Common(form, has, is_folder, more is not None)
    return common, facts + more if more else facts


def _are_small(numbers: list[int]) -> bool:
    return all(-_NUMBERS_LIMIT <= number < _NUMBERS_LIMIT for number in numbers)


def _unpacked(path: bytes, common: _Common, facts: bytes) -> Record:
    digests = []
    at = 0
    for name, _ in common.form:
        digests.append(facts[at : at + _SIZES[name]])
        at += _SIZES[name]
    previous: bytes | None = None
    dates: list[datetime | None] = [None] * len(digests)
    if common.has_more:
        previous, texts, held = marshal.loads(memoryview(facts)[at:])
        dates = [datetime.fromisoformat(text) if text else None for text in texts]
    else:
        held = struct.unpack_from(f"={sum(common.has)}q", facts, at)
    numbers = iter(held)
    size, mtime_ns, created_ns = [next(numbers) if has else None for has in common.has]
    hashes = tuple(
        [
            Hash(name, digest, action, date)
            for (name, action), digest, date in zip(common.form, digests, dates, strict=True)
        ]
    )
    if common.is_folder:
        half = len(hashes) // 2
        content, structure = hashes[:half], hashes[half:]
        return DirectoryRecord(path, content, structure, mtime_ns, created_ns, previous)
    return HashRecord(path, hashes, size, mtime_ns, created_ns, previous)
