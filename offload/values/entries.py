"""One thing found on a card or drive, and the packed sequence that holds a million of them."""

import json
import struct
import sys
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Self, overload

from offload.values.runs import Stretch, in_order

# Packed form: this head, then ends and sizes (unsigned), mtimes (signed), 8 bytes each, kinds,
# paths, notes; all little-endian. The notes are a JSON list of pairs [entry number, note].
_PACKED = b"entries1"
_HEAD = struct.Struct("<8sQQQ")


class Kind(Enum):
    """What an entry is. The value is the letter used in digests and in the ledger."""

    FILE = "f"
    FOLDER = "d"
    """A folder with nothing in it that is copied; others are implied by their content."""
    LINK = "l"
    PIPE = "p"
    SOCKET = "s"
    DEVICE = "b"
    UNREADABLE = "u"
    """A name whose facts, or a folder whose list, could not be read."""
    MOUNT = "m"
    """Another file system mounted inside; never crossed."""

    @property
    def is_copied(self) -> bool:
        """Whether bytes or an empty folder go to the drives. Links are recorded as text."""
        return self in (Kind.FILE, Kind.FOLDER)


@dataclass(frozen=True, slots=True)
class Entry:
    """One name on a card or a drive.

    Attributes:
        path: bytes, relative to the root.
        kind: what it is.
        size_bytes: length of a file; 0 for anything else.
        mtime_ns: modification time, nanoseconds since 1970, as the file system tells it.
        note: for a link its target, for an unreadable entry the reason, as text already escaped.
    """

    path: bytes
    kind: Kind
    size_bytes: int = 0
    mtime_ns: int = 0
    note: str = ""


class Entries(Sequence[Entry]):
    """An immutable, packed sequence of entries sorted by path bytes (some 40 bytes plus path each).

    A card may hold a million frames, so entries are made when looked at and not kept.
    """

    __slots__ = ("_ends", "_kinds", "_mtimes", "_notes", "_paths", "_sizes")

    def __init__(self, entries: Iterable[Entry] = ()) -> None:
        paths = bytearray()
        ends = array("Q")
        sizes = array("Q")
        mtimes = array("q")
        kinds = bytearray()
        notes: dict[int, str] = {}
        starts = array("Q", [0])
        before = b""
        for entry in entries:
            path = entry.path
            if entry.note:
                notes[len(kinds)] = entry.note
            if path < before:
                starts.append(len(kinds))
            before = path
            paths += path
            ends.append(len(paths))
            sizes.append(entry.size_bytes)
            mtimes.append(_clamped(entry.mtime_ns))
            kinds.append(ord(entry.kind.value))

        def path_at(at: int) -> bytes:
            return bytes(paths[ends[at - 1] if at else 0 : ends[at]])

        order = in_order(len(kinds), starts, path_at)
        # One column after the other, each let go before the next is made anew.
        self._notes = _moved(notes, order)
        self._sizes = _in_order(sizes, order)
        del sizes
        self._mtimes = _in_order(mtimes, order)
        del mtimes
        self._kinds = b"".join([kinds[start:end] for start, end in order])
        places = [(ends[start - 1] if start else 0, ends[end - 1]) for start, end in order]
        self._paths = b"".join([paths[begin:until] for begin, until in places])
        self._ends = _ends_in_order(ends, order)

    def __len__(self) -> int:
        return len(self._kinds)

    @overload
    def __getitem__(self, index: int) -> Entry: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Entry]: ...
    def __getitem__(self, index: int | slice) -> Entry | Sequence[Entry]:
        if isinstance(index, slice):
            return [self[at] for at in range(*index.indices(len(self)))]
        at = range(len(self))[index]
        return Entry(
            self.path(at),
            _KINDS[self._kinds[at]],
            self._sizes[at],
            self._mtimes[at],
            self._notes.get(at, ""),
        )

    def __iter__(self) -> Iterator[Entry]:
        # A card is gone through a dozen times in one run: column by column, not by number.
        paths, notes = self._paths, self._notes
        columns = zip(self._ends, self._kinds, self._sizes, self._mtimes, strict=True)
        start = 0
        for at, (end, kind, size, mtime) in enumerate(columns):
            yield Entry(paths[start:end], _KINDS[kind], size, mtime, notes.get(at, ""))
            start = end

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Entries):
            return NotImplemented
        return (
            self._paths == other._paths
            and self._ends == other._ends
            and self._sizes == other._sizes
            and self._mtimes == other._mtimes
            and self._kinds == other._kinds
            and self._notes == other._notes
        )

    def __hash__(self) -> int:
        return hash((self._paths, self._kinds, len(self)))

    def to_bytes(self) -> bytes:
        """The packed form: what is kept in a database; :meth:`from_bytes` gives it back."""
        notes = json.dumps(sorted(self._notes.items()), separators=(",", ":")).encode()
        head = _HEAD.pack(_PACKED, len(self), len(self._paths), len(notes))
        columns = [_little(each) for each in (self._ends, self._sizes, self._mtimes)]
        return b"".join((head, *columns, self._kinds, self._paths, notes))

    @classmethod
    def from_bytes(cls, packed: bytes) -> Self:
        """The entries that :meth:`to_bytes` was asked of.

        Raises:
            ValueError: not such a form, cut short, or damaged where that can be seen.
        """
        if len(packed) < _HEAD.size:
            raise ValueError("packed entries are cut short")
        mark, count, paths_length, notes_length = _HEAD.unpack_from(packed)
        if mark != _PACKED:
            raise ValueError("these are no packed entries")
        if len(packed) != _HEAD.size + 25 * count + paths_length + notes_length:
            raise ValueError("packed entries have another length than they say")
        parts = _Parts(memoryview(packed)[_HEAD.size :])
        made = cls()
        made._ends = _column("Q", parts.take(8 * count))
        made._sizes = _column("Q", parts.take(8 * count))
        made._mtimes = _column("q", parts.take(8 * count))
        made._kinds = bytes(parts.take(count))
        made._paths = bytes(parts.take(paths_length))
        made._notes = {int(at): str(note) for at, note in json.loads(bytes(parts.rest))}
        made._refuse_damage()
        return made

    def _refuse_damage(self) -> None:
        ends = list(self._ends)
        if ends != sorted(ends) or (ends[-1] if ends else 0) != len(self._paths):
            raise ValueError("packed entries have paths that do not fit their lengths")
        if not set(self._kinds) <= _KIND_BYTES:
            raise ValueError("packed entries have an unknown kind")

    @property
    def kinds(self) -> bytes:
        """One byte for each entry, the value of its :class:`Kind`."""
        return self._kinds

    def doubled(self) -> Sequence[int]:
        """Numbers of entries whose path the entry before has too; a sound listing has none."""
        paths = self._paths
        found = array("Q")
        previous, start = b"", 0
        for at, end in enumerate(self._ends):
            path = paths[start:end]
            if at and path == previous:
                found.append(at)
            previous, start = path, end
        return found

    def of_kind(self, kind: Kind) -> Iterator[int]:
        """The numbers of all entries of one kind, without making any."""
        letter = kind.value.encode("ascii")
        at = self._kinds.find(letter)
        while at >= 0:
            yield at
            at = self._kinds.find(letter, at + 1)

    def path(self, at: int) -> bytes:
        """The path of entry number ``at``, without making the entry."""
        start = self._ends[at - 1] if at else 0
        return self._paths[start : self._ends[at]]

    def size_bytes(self, at: int) -> int:
        """The size of entry number ``at``, without making the entry."""
        return self._sizes[at]

    def kind(self, at: int) -> Kind:
        """The kind of entry number ``at``, without making the entry."""
        return _KINDS[self._kinds[at]]

    @property
    def file_count(self) -> int:
        """Number of regular files, without making entries."""
        return self._kinds.count(Kind.FILE.value.encode())

    @property
    def total_bytes(self) -> int:
        """Sum of all sizes, without making entries; only files have any."""
        return sum(self._sizes)

    def mtime_ns(self, at: int) -> int:
        """The modification time of entry number ``at``, without making the entry."""
        return self._mtimes[at]

    def index(self, path: object, start: int = 0, stop: int | None = None) -> int:
        """The number of the entry at ``path`` (bytes); binary search.

        Raises:
            ValueError: no entry has this path.
        """
        low, high = start, len(self) if stop is None else stop
        if isinstance(path, bytes):
            while low < high:
                middle = (low + high) // 2
                if self.path(middle) < path:
                    low = middle + 1
                else:
                    high = middle
            if low < len(self) and self.path(low) == path:
                return low
        raise ValueError(path)


_KINDS = {ord(kind.value): kind for kind in Kind}
_KIND_BYTES = frozenset(_KINDS)


class _Parts:
    """Takes consecutive pieces off a packed form."""

    def __init__(self, rest: memoryview) -> None:
        self.rest = rest

    def take(self, length: int) -> memoryview:
        piece, self.rest = self.rest[:length], self.rest[length:]
        return piece


def _little(column: "array[int]") -> bytes:
    if sys.byteorder == "big":
        column = array(column.typecode, column)
        column.byteswap()
    return column.tobytes()


def _column(typecode: str, packed: memoryview) -> "array[int]":
    column = array(typecode)
    column.frombytes(packed)
    if sys.byteorder == "big":
        column.byteswap()
    return column


def _in_order(column: "array[int]", order: list[Stretch]) -> "array[int]":
    if len(order) == 1:
        return column
    made = array(column.typecode)
    for start, end in order:
        made += column[start:end]
    return made


def _ends_in_order(ends: "array[int]", order: list[Stretch]) -> "array[int]":
    if len(order) == 1:
        return ends
    made = array("Q")
    reached = 0
    for start, end in order:
        shift = reached - (ends[start - 1] if start else 0)
        made.extend([each + shift for each in ends[start:end]])
        reached = made[-1]
    return made


def _moved(notes: dict[int, str], order: list[Stretch]) -> dict[int, str]:
    """The notes by their new numbers, in the new order."""
    if not notes:
        return {}
    found: dict[int, str] = {}
    new = 0
    for start, end in order:
        # Few have a note, and stretches are many: whichever is less is gone through.
        if end - start < len(notes):
            olds = [old for old in range(start, end) if old in notes]
        else:
            olds = sorted(old for old in notes if start <= old < end)
        found.update((new + old - start, notes[old]) for old in olds)
        new += end - start
    return found


def _clamped(mtime_ns: int) -> int:
    # A damaged directory may claim any year; the time is a hint and never worth a failure.
    return max(-(2**63), min(2**63 - 1, mtime_ns))
