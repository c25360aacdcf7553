"""How much room a card's copy takes on one drive, as that drive counts room.

Rules:

* A file takes whole clusters of its apparent size: holes of a sparse file are written out.
* A folder takes at least a cluster, and room for the names in it.
* What lies there already and will be proven in place takes nothing more.
* The record (manifest, checksum list, signatures, clearance, page) is estimated generously.
* A reserve stays free: file systems that are full to the last cluster get slow and fail in odd
  places.
"""

from collections import Counter
from dataclasses import dataclass

from offload.transfer.preflight.existing import Existing
from offload.transfer.preflight.file_systems import FileSystemKind
from offload.values.entries import Entries, Kind
from offload.values.paths import name, parent

SMALLEST_RESERVE = 4 << 20
LARGEST_RESERVE = 1 << 30
_RESERVE_SHARE = 200

# Manifest: tags, dates and two checksums of 32 and 90 characters; checksum list: 128 and 32.
_RECORD_BYTES_A_FILE = 900
_RECORD_PATHS_A_FILE = 3
_RECORD_FILES = 16
_RECORD_BASE_BYTES = 256 << 10
_SMALLEST_CLUSTER = 512
_NOTHING = Existing()


@dataclass(frozen=True, slots=True)
class SpaceNeed:
    """What one drive still has to hold.

    Attributes:
        content_bytes: files, in whole clusters.
        folder_bytes: folders and names.
        record_bytes: all that is written down.
        reserve_bytes: to stay free.
        names: files and folders to be made, each of which may take an inode.
        too_large: files that are larger than the drive's file system can hold.
    """

    content_bytes: int
    folder_bytes: int
    record_bytes: int
    reserve_bytes: int
    names: int
    too_large: tuple[bytes, ...] = ()

    @property
    def total_bytes(self) -> int:
        """All of it."""
        return self.content_bytes + self.folder_bytes + self.record_bytes + self.reserve_bytes


def space_needed(
    entries: Entries,
    kind: FileSystemKind,
    cluster_bytes: int,
    *,
    existing: Existing = _NOTHING,
    largest_file_bytes: int | None = None,
    reserve_bytes: int | None = None,
) -> SpaceNeed:
    """What a drive still has to hold for one card.

    Args:
        entries: the card's.
        kind: of the drive's file system.
        cluster_bytes: its unit of allocation (``f_frsize``); nonsense counts as 512.
        existing: what lies on the drive already and is not copied.
        largest_file_bytes: where it is known better than by the kind.
        reserve_bytes: to stay free; by rule where left out.
    """
    cluster = max(cluster_bytes, _SMALLEST_CLUSTER)
    largest = kind.largest_file_bytes if largest_file_bytes is None else largest_file_bytes
    folders = _Folders(kind)
    content = record = 0
    too_large: list[bytes] = []
    for number, entry in enumerate(entries):
        if not entry.kind.is_copied:
            continue
        record += _RECORD_BYTES_A_FILE + _RECORD_PATHS_A_FILE * len(entry.path)
        if existing.has(number):
            continue
        folders.add(entry.path, entry.kind is Kind.FOLDER)
        content += _in_clusters(entry.size_bytes, cluster)
        if largest is not None and entry.size_bytes > largest:
            too_large.append(entry.path)
    if reserve_bytes is None:
        reserve_bytes = min(max(content // _RESERVE_SHARE, SMALLEST_RESERVE), LARGEST_RESERVE)
    return SpaceNeed(
        content,
        folders.total_bytes(cluster),
        record + _RECORD_BASE_BYTES + _RECORD_FILES * cluster,
        reserve_bytes,
        folders.names + _RECORD_FILES,
        tuple(too_large),
    )


class _Folders:
    """Room for names, folder by folder."""

    def __init__(self, kind: FileSystemKind) -> None:
        self._kind = kind
        self._room: Counter[bytes] = Counter()
        self._known: set[bytes] = {b""}
        self.names = 0

    def add(self, path: bytes, is_folder: bool) -> None:
        if is_folder:
            self._open(path)
        else:
            self._name(path)
            self._open(parent(path))

    def total_bytes(self, cluster: int) -> int:
        opened = len(self._known) - len(self._known & self._room.keys())
        return opened * cluster + sum(_in_clusters(room, cluster) for room in self._room.values())

    def _open(self, folder: bytes) -> None:
        while folder not in self._known:
            self._known.add(folder)
            self._name(folder)
            folder = parent(folder)

    def _name(self, path: bytes) -> None:
        self.names += 1
        room = self._kind.entry_bytes + self._kind.length_factor * len(name(path))
        self._room[parent(path)] += room


def _in_clusters(size_bytes: int, cluster: int) -> int:
    return -(-size_bytes // cluster) * cluster
