"""One thing found on a card or drive, and the packed sequence that holds a million of them."""

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import overload


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
        for index, entry in enumerate(sorted(entries, key=_by_path)):
            paths += entry.path
            ends.append(len(paths))
            sizes.append(entry.size_bytes)
            mtimes.append(_clamped(entry.mtime_ns))
            kinds.append(ord(entry.kind.value))
            if entry.note:
                notes[index] = entry.note
        self._paths = bytes(paths)
        self._ends = ends
        self._sizes = sizes
        self._mtimes = mtimes
        self._kinds = bytes(kinds)
        self._notes = notes

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
            Kind(chr(self._kinds[at])),
            self._sizes[at],
            self._mtimes[at],
            self._notes.get(at, ""),
        )

    def __iter__(self) -> Iterator[Entry]:
        return (self[at] for at in range(len(self)))

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

    def path(self, at: int) -> bytes:
        """The path of entry number ``at``, without making the entry."""
        start = self._ends[at - 1] if at else 0
        return self._paths[start : self._ends[at]]

    def size_bytes(self, at: int) -> int:
        """The size of entry number ``at``, without making the entry."""
        return self._sizes[at]

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


def _by_path(entry: Entry) -> bytes:
    return entry.path


def _clamped(mtime_ns: int) -> int:
    # A damaged directory may claim any year; the time is a hint and never worth a failure.
    return max(-(2**63), min(2**63 - 1, mtime_ns))
