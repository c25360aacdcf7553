"""The records of a whole scope: its files, and the hashes of its folders between them.

The root's hashes stand before the records, so a manifest takes two passes over what is known of
the files: :func:`tree_root`, then :func:`tree_records`. Both are streams.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from offload.record.mhl.model import DirectoryRecord, Hash, HashRecord, Record, RootHash
from offload.record.mhl.roots import (
    FolderHashes,
    FolderLeaf,
    FolderTree,
    NestedLeaf,
    hash_tuple,
)


@dataclass(frozen=True, slots=True)
class EmptyFolder:
    """A folder with nothing in it, or with nothing but ignored things."""

    path: bytes


@dataclass(frozen=True, slots=True)
class NestedRoot:
    """The root of a nested history: recorded there and not here, but part of what is above it.

    Attributes:
        root: of its newest generation; None leaves the folders above it without hashes.
    """

    path: bytes
    root: RootHash | None


@dataclass(frozen=True, slots=True)
class NotHashed:
    """A file that was not, or could not be, read: the folders above it get no hashes."""

    path: bytes


Item = HashRecord | EmptyFolder | NestedRoot | NotHashed


def no_time(_path: bytes) -> int | None:
    """No folder has a time."""
    return None


def tree_root(items: Iterable[Item], algorithms: Iterable[str]) -> RootHash | None:
    """Content and structure of the root; None where no format is complete."""
    tree = FolderTree(algorithms)
    for item in items:
        _add(tree, item)
    return tree.finish()[-1].as_root()


def tree_records(
    items: Iterable[Item],
    algorithms: Iterable[str],
    folder_mtime_ns: Callable[[bytes], int | None] = no_time,
) -> Iterator[Record]:
    """The records of the items, each folder's behind all that is below it.

    Args:
        items: sorted by path bytes, or depth-first.
        algorithms: formats for folders; a folder gets those in which all below it was hashed.
        folder_mtime_ns: modification time of a folder by its path.
    """
    tree = FolderTree(algorithms)
    for item in items:
        for folder in _add(tree, item):
            yield from _folder_record(folder, folder_mtime_ns)
        if isinstance(item, HashRecord):
            yield item
    for folder in tree.finish()[:-1]:
        yield from _folder_record(folder, folder_mtime_ns)


def _add(tree: FolderTree, item: Item) -> list[FolderHashes]:
    """The folders that ended before this item."""
    if isinstance(item, HashRecord):
        return tree.add_file(item.path, _digests(item.hashes))
    if isinstance(item, EmptyFolder):
        return tree.add(FolderLeaf(item.path))
    if isinstance(item, NotHashed) or item.root is None:
        return tree.add_file(item.path, {})
    root = item.root
    return tree.add(NestedLeaf(item.path, _digests(root.content), _digests(root.structure)))


def _digests(hashes: tuple[Hash, ...]) -> dict[str, bytes]:
    return {found.algorithm: found.digest for found in hashes}


def _folder_record(
    folder: FolderHashes, mtime_ns: Callable[[bytes], int | None]
) -> Iterator[DirectoryRecord]:
    if folder.content:
        yield DirectoryRecord(
            folder.path,
            hash_tuple(folder.content),
            hash_tuple(folder.structure),
            mtime_ns(folder.path),
        )
