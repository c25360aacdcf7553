"""Directory and root hashes (ASC MHL 1.0 specification, section 6.5.2 and appendix G).

For one format at a time: *content* of a folder is the hash of hashes of its files' hashes and its
folders' content; *structure* the hash of hashes of, for each child, the hash of its name and its
hash (a file) or structure (a folder). A hash of hashes sorts raw digests, equal ones stay, and
hashes them one after the other. An empty folder gives the hash of nothing.

Works in one pass over leaves in an order in which everything below a folder stands together:
sorted by path bytes (as :class:`~offload.values.entries.Entries` are) or depth-first. Memory grows
with one folder's direct children, not with the card.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from offload.checksum import Hasher, digest_of, digest_size
from offload.record.mhl.model import FORMATS, Hash, RootHash
from offload.values.paths import join, name

# Above this many children their digests are sorted in 256 parts, to keep the peak low.
_SORTED_WHOLE = 4096


@dataclass(frozen=True, slots=True)
class FileLeaf:
    """A file and its raw digests by format; a format that is missing is missing all the way up."""

    path: bytes
    digests: Mapping[str, bytes]


@dataclass(frozen=True, slots=True)
class FolderLeaf:
    """A folder with nothing in it, or with nothing but ignored things."""

    path: bytes


@dataclass(frozen=True, slots=True)
class NestedLeaf:
    """The root of a nested history, with the hashes of its newest generation's root."""

    path: bytes
    content: Mapping[str, bytes]
    structure: Mapping[str, bytes]


Leaf = FileLeaf | FolderLeaf | NestedLeaf


@dataclass(frozen=True, slots=True)
class FolderHashes:
    """A folder's hashes, raw, by format: those formats in which every file below was hashed.

    The root has the path ``b""``.
    """

    path: bytes
    content: Mapping[str, bytes]
    structure: Mapping[str, bytes]

    def as_root(self) -> RootHash | None:
        """For a manifest's head; None without a format."""
        if not self.content:
            return None
        return RootHash(hash_tuple(self.content), hash_tuple(self.structure))


def hash_tuple(digests: Mapping[str, bytes]) -> tuple[Hash, ...]:
    """Digests as hashes without action, in the order of the standard."""
    return tuple(Hash(name, digests[name]) for name in sorted(digests))


def depth_first(path: bytes) -> bytes:
    """Sort key for the order in which the standard's example lists: folder by folder, by name."""
    return path.replace(b"/", b"\0")


class FolderTree:
    """Takes leaves one after the other and gives back each folder when all below it has passed."""

    def __init__(self, algorithms: Iterable[str]) -> None:
        """
        Args:
            algorithms: formats to work out.

        Raises:
            ValueError: one that the standard does not have.
        """
        self._algorithms = tuple(algorithms)
        for algorithm in self._algorithms:
            if algorithm not in FORMATS:
                raise ValueError(f"{algorithm!r} is no format of a manifest")
        self._open = [_Folder(b"", self._algorithms)]
        self._last = self._last_key = b""
        self._is_sorted = True
        self._is_depth_first = True

    def add(self, leaf: Leaf) -> list[FolderHashes]:
        """Take the next leaf.

        Returns:
            The folders that ended before it, inner ones first.

        Raises:
            RuntimeError: leaves come in neither order, or one comes twice; the caller's mistake.
        """
        if isinstance(leaf, FileLeaf):
            return self.add_file(leaf.path, leaf.digests)
        closed, child = self._come_to(leaf.path)
        if isinstance(leaf, FolderLeaf):
            closed.append(self._add_empty(leaf))
        else:
            self._open[-1].take(child, leaf.content, leaf.structure)
        return closed

    def add_file(self, path: bytes, digests: Mapping[str, bytes]) -> list[FolderHashes]:
        """As :meth:`add` of a :class:`FileLeaf`."""
        closed, child = self._come_to(path)
        self._open[-1].take(child, digests, digests)
        return closed

    def _come_to(self, path: bytes) -> tuple[list[FolderHashes], bytes]:
        """Close and open folders up to the one of ``path``; which were closed, and its name."""
        self._check_order(path)
        above, _, child = path.rpartition(b"/")
        if above == self._open[-1].path:
            return [], child
        closed = self._close_down_to(path)
        self._open_up_to(above)
        return closed, child

    def finish(self) -> list[FolderHashes]:
        """Say that nothing follows.

        Returns:
            The folders that were still open, inner ones first, the root last.
        """
        closed = []
        while len(self._open) > 1:
            closed.append(self._close())
        closed.append(self._open.pop().hashes())
        return closed

    def _add_empty(self, leaf: FolderLeaf) -> FolderHashes:
        hashes = _Folder(leaf.path, self._algorithms).hashes()
        self._open[-1].take(name(leaf.path), hashes.content, hashes.structure)
        return hashes

    def _check_order(self, path: bytes) -> None:
        key = depth_first(path)
        if self._last:
            self._is_sorted &= self._last < path
            self._is_depth_first &= self._last_key < key
        self._last, self._last_key = path, key
        if not path or not (self._is_sorted or self._is_depth_first):
            raise RuntimeError(f"leaves for directory hashes are out of order at {path!r}")

    def _close_down_to(self, path: bytes) -> list[FolderHashes]:
        closed = []
        while len(self._open) > 1 and not path.startswith(self._open[-1].path + b"/"):
            closed.append(self._close())
        return closed

    def _close(self) -> FolderHashes:
        hashes = self._open.pop().hashes()
        self._open[-1].take(name(hashes.path), hashes.content, hashes.structure)
        return hashes

    def _open_up_to(self, folder: bytes) -> None:
        path = self._open[-1].path
        rest = folder[len(path) :].strip(b"/")
        for part in rest.split(b"/") if rest else ():
            path = join(path, part)
            self._open.append(_Folder(path, self._algorithms))


def root_of(leaves: Iterable[Leaf], algorithms: Iterable[str]) -> FolderHashes:
    """The hashes of the scope's root over all leaves, in one of the orders of this module."""
    tree = FolderTree(algorithms)
    for leaf in leaves:
        tree.add(leaf)
    return tree.finish()[-1]


def hash_of_hashes(algorithm: str, digests: bytes | bytearray) -> bytes:
    """The hash of hashes over raw digests that stand one after the other, in any order."""
    size = digest_size(algorithm)
    hasher = Hasher(algorithm)
    for part in _sortable(digests, size):
        pieces = [part[at : at + size] for at in range(0, len(part), size)]
        hasher.update(b"".join(sorted(pieces)))
    return hasher.digest()


def _sortable(digests: bytes | bytearray, size: int) -> list[bytes]:
    if len(digests) <= _SORTED_WHOLE * size:
        return [bytes(digests)]
    parts = [bytearray() for _ in range(256)]
    for at in range(0, len(digests), size):
        parts[digests[at]] += digests[at : at + size]
    return [bytes(part) for part in parts if part]


@dataclass(slots=True)
class _Folder:
    """A folder while its children pass: their digests, one after the other, by format."""

    path: bytes
    algorithms: tuple[str, ...]
    content: dict[str, bytearray] = field(init=False)
    structure: dict[str, bytearray] = field(init=False)

    def __post_init__(self) -> None:
        self.content = {algorithm: bytearray() for algorithm in self.algorithms}
        self.structure = {algorithm: bytearray() for algorithm in self.algorithms}

    def take(self, child: bytes, content: Mapping[str, bytes], named: Mapping[str, bytes]) -> None:
        """Take a child: its content, and what stands beside its name in the structure."""
        lost = []
        for algorithm, gathered in self.content.items():
            digest, other = content.get(algorithm), named.get(algorithm)
            if digest is None or other is None:
                lost.append(algorithm)
                continue
            gathered += digest
            self.structure[algorithm] += digest_of(algorithm, child + other)
        for algorithm in lost:
            del self.content[algorithm]
            del self.structure[algorithm]

    def hashes(self) -> FolderHashes:
        return FolderHashes(
            self.path,
            {each: hash_of_hashes(each, self.content[each]) for each in self.content},
            {each: hash_of_hashes(each, self.structure[each]) for each in self.structure},
        )


def is_same_root(one: RootHash, other: RootHash) -> bool:
    """Whether two root hashes agree in every format that both have, and have one in common."""
    shared = {each.algorithm for each in one.content} & {each.algorithm for each in other.content}
    return bool(shared) and all(
        _digest(one.content, each) == _digest(other.content, each)
        and _digest(one.structure, each) == _digest(other.structure, each)
        for each in shared
    )


def _digest(hashes: Sequence[Hash], algorithm: str) -> bytes | None:
    return next((each.digest for each in hashes if each.algorithm == algorithm), None)
