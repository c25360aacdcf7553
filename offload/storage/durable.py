"""Small files of our own, written such that a power cut leaves the whole file or none.

Temporary name beside the target, length checked, synced, closed, exclusive rename, folder synced.
What this cannot promise: that the drive keeps what it acknowledged; that is what reading back past
the cache is for.
"""

import errno
import os

from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from offload.storage.syncing import sync_descriptor, sync_folder
from offload.values.paths import join, name, parent


def temporary_name(path: bytes) -> bytes:
    """The name under which ``path`` grows: short, and independent of how long the name is."""
    return join(parent(path), b".new-" + name(path)[:40].replace(b".", b"_"))


def write_new(root: Root, path: bytes, content: bytes, *, replaces_own: bool = False) -> None:
    """Write a file durably under a name that is free.

    Args:
        root: the drive.
        path: target; its folder exists.
        content: all of it.
        replaces_own: the file is one that this program keeps current (a lease, a chain): an
            earlier one is replaced atomically.

    Raises:
        FileExistsError: the name is taken.
        OSError: it is not durable; nothing has the target's name.
    """
    temporary = stage(root, path, content)
    try:
        if replaces_own:
            folder = root.folder(parent(path))
            os.rename(name(temporary), name(path), src_dir_fd=folder, dst_dir_fd=folder)
        else:
            rename_exclusive(root, temporary, path)
    except OSError:
        _remove_quietly(root, temporary)
        raise
    sync_folder(root, parent(path))


def stage(root: Root, path: bytes, content: bytes) -> bytes:
    """Write and sync ``content`` under the temporary name of ``path``, for a later rename.

    Returns:
        The temporary path.
    """
    temporary = temporary_name(path)
    _remove_quietly(root, temporary)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
    fd = root.open_file(temporary, flags)
    try:
        try:
            _write_all(fd, content)
            sync_descriptor(fd)
            if os.fstat(fd).st_size != len(content):
                raise OSError(errno.EIO, "the file is not as long as what was written")
        finally:
            os.close(fd)
    except OSError:
        _remove_quietly(root, temporary)
        raise
    return temporary


def _write_all(fd: int, content: bytes) -> None:
    view = memoryview(content)
    while view:
        view = view[os.write(fd, view) :]


def _remove_quietly(root: Root, path: bytes) -> None:
    # A leftover of a killed run, or of a write that has failed and is reported by its caller.
    try:
        root.remove_file(path)
    except OSError:
        return
