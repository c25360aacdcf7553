"""Small files of our own, written such that a power cut leaves the whole file or none.

Temporary name beside the target, length checked, synced, closed, exclusive rename, folder synced.
What this cannot promise: that the drive keeps what it acknowledged; that is what reading back past
the cache is for.
"""

import contextlib
import errno
import os
from collections.abc import Iterator
from typing import BinaryIO

from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from offload.storage.syncing import sync_descriptor, sync_folder
from offload.values.paths import join, name, parent

_TEMPORARY = b".new-"


def temporary_name(path: bytes) -> bytes:
    """The name under which ``path`` grows: short, and independent of how long the name is."""
    return join(parent(path), _TEMPORARY + name(path)[:40].replace(b".", b"_"))


def is_temporary(entry: bytes) -> bool:
    """Whether a name is one under which a file of ours grows."""
    return entry.startswith(_TEMPORARY)


def remove_temporary(root: Root, folder: bytes) -> None:
    """Remove what killed runs have left under temporary names in a folder of ours.

    Nobody else may be writing there.

    Raises:
        OSError: the folder cannot be listed, or one of them cannot be removed.
    """
    for each in root.names(folder):
        if is_temporary(each):
            root.remove_file(join(folder, each))


@contextlib.contextmanager
def growing(root: Root, path: bytes, *, replaces_own: bool = False) -> Iterator[BinaryIO]:
    """A file to be filled under a temporary name; durable and under its own name afterwards.

    Args:
        root: the drive.
        path: target, a free name; its folder exists.
        replaces_own: the file is one that this program keeps current (a lease, a chain): an
            earlier one is replaced atomically.

    Yields:
        A raw binary file; it may take less than it is given at once.

    Raises:
        FileExistsError: the name is taken.
        OSError: it is not durable; nothing new has the target's name.
    """
    temporary = temporary_name(path)
    _remove_quietly(root, temporary)
    try:
        with _opened(root, temporary) as out:
            yield out
        take_name(root, temporary, path, replaces_own=replaces_own)
    except BaseException:
        _remove_quietly(root, temporary)
        raise


def write_new(root: Root, path: bytes, content: bytes, *, replaces_own: bool = False) -> None:
    """Write a whole file durably; arguments and errors as for :func:`growing`."""
    with growing(root, path, replaces_own=replaces_own) as out:
        _write_all(out, content)


def stage(root: Root, path: bytes, content: bytes) -> bytes:
    """Write and sync ``content`` under the temporary name of ``path``, for a later rename.

    Returns:
        The temporary path, for :func:`take_name`.
    """
    temporary = temporary_name(path)
    _remove_quietly(root, temporary)
    try:
        with _opened(root, temporary) as out:
            _write_all(out, content)
        sync_folder(root, parent(temporary))
    except BaseException:
        _remove_quietly(root, temporary)
        raise
    return temporary


def take_name(root: Root, temporary: bytes, path: bytes, *, replaces_own: bool = False) -> None:
    """Give a staged file its name and make that durable."""
    if replaces_own:
        folder = root.folder(parent(path))
        os.rename(name(temporary), name(path), src_dir_fd=folder, dst_dir_fd=folder)
    else:
        rename_exclusive(root, temporary, path)
    sync_folder(root, parent(path))


@contextlib.contextmanager
def _opened(root: Root, path: bytes) -> Iterator[BinaryIO]:
    fd = root.open_file(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    with open(fd, "wb", buffering=0, closefd=False) as out:
        try:
            yield out
            sync_descriptor(fd)
            if os.fstat(fd).st_size != out.tell():
                raise OSError(errno.EIO, "the file is not as long as what was written")
        finally:
            # Closed by hand: some file systems tell a failed write only here.
            os.close(fd)


def _write_all(out: BinaryIO, content: bytes) -> None:
    view = memoryview(content)
    while view:
        view = view[out.write(view) :]


def _remove_quietly(root: Root, path: bytes) -> None:
    # A leftover of a killed run, or of a write that has failed and is reported by its caller.
    try:
        root.remove_file(path)
    except OSError:
        return
