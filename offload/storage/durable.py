"""Small files of our own, written such that a power cut leaves the whole file or none.

Temporary name beside the target, length checked, synced, closed, read back and compared, exclusive
rename, folder synced. What this cannot promise: that the drive keeps what it has shown once.
"""

import contextlib
import errno
import hashlib
import io
import os
import re
import secrets
from collections.abc import Iterator
from typing import Any, BinaryIO, cast

from offload.storage.evidence import drop_pages
from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from offload.storage.syncing import sync_descriptor, sync_folder
from offload.values.paths import join, name, parent

_TEMPORARY = b".new-"
_CHUNK_BYTES = 1 << 20
_NUMBER_BYTES = 8


def temporary_name(path: bytes) -> bytes:
    """A name under which ``path`` can grow: short, and independent of how long the name is."""
    return join(parent(path), _TEMPORARY + name(path)[:40].replace(b".", b"_"))


def _own_temporary(path: bytes) -> bytes:
    # Nobody else's: two commands may write one file at once, and must not take half of the other's.
    return temporary_name(path) + b"-" + secrets.token_hex(_NUMBER_BYTES).encode("ascii")


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


def remove_temporary_of(root: Root, path: bytes) -> None:
    """Remove what killed runs have left of one file, in a folder that others use as well.

    Nobody else may be writing that file.

    Raises:
        OSError: the folder cannot be listed, or one of them cannot be removed.
    """
    ours = re.compile(
        re.escape(name(temporary_name(path))) + rb"-[0-9a-f]{%d}" % (2 * _NUMBER_BYTES)
    )
    for each in root.names(parent(path)):
        if ours.fullmatch(each):
            root.remove_file(join(parent(path), each))


@contextlib.contextmanager
def growing(root: Root, path: bytes, *, replaces_own: bool = False) -> Iterator[BinaryIO]:
    """A file to be filled under a temporary name; durable and under its own name afterwards.

    Args:
        root: the drive.
        path: target, a free name; its folder exists.
        replaces_own: the file is one that this program keeps current (a lease, a chain): an
            earlier one is replaced atomically.

    Yields:
        A binary file without a buffer; it takes all that it is given.

    Raises:
        FileExistsError: the name is taken.
        OSError: it is not durable; nothing new has the target's name.
    """
    temporary = _own_temporary(path)
    try:
        with _opened(root, temporary) as out:
            yield out
        take_name(root, temporary, path, replaces_own=replaces_own)
    except BaseException:
        _remove_quietly(root, temporary)
        raise


def sha512_of(out: BinaryIO) -> bytes:
    """Raw SHA-512 of all that a file from :func:`growing` has taken."""
    return cast("_Summed", out).digest()


def write_new(root: Root, path: bytes, content: bytes, *, replaces_own: bool = False) -> None:
    """Write a whole file durably; arguments and errors as for :func:`growing`."""
    with growing(root, path, replaces_own=replaces_own) as out:
        out.write(content)


def stage(root: Root, path: bytes, content: bytes) -> bytes:
    """Write and sync ``content`` under the temporary name of ``path``, for a later rename.

    Returns:
        The temporary path, for :func:`take_name`.
    """
    temporary = _own_temporary(path)
    try:
        with _opened(root, temporary) as out:
            out.write(content)
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


class _Summed(io.RawIOBase):
    """Passes writes on and sums up what was taken, to be compared with what reads back."""

    def __init__(self, out: BinaryIO) -> None:
        super().__init__()
        self._out = out
        self._state = hashlib.sha512()
        self.size_bytes = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any, /) -> int:
        """Take all of it: a drive may take less at once, and who writes a line forgets to ask."""
        view = memoryview(data).cast("B")
        done = 0
        while done < len(view):
            count = self._out.write(view[done:])
            if not count:
                raise OSError(errno.EIO, "a write that took nothing")
            done += count
        self._state.update(view)
        self.size_bytes += done
        return done

    def digest(self) -> bytes:
        """SHA-512 of all that was taken."""
        return self._state.digest()


@contextlib.contextmanager
def _opened(root: Root, path: bytes) -> Iterator[BinaryIO]:
    fd = root.open_file(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    with open(fd, "wb", buffering=0, closefd=False) as out:
        summed = _Summed(cast("BinaryIO", out))
        try:
            yield cast("BinaryIO", summed)
            sync_descriptor(fd)
            if os.fstat(fd).st_size != summed.size_bytes:
                raise OSError(errno.EIO, "the file is not as long as what was written")
        finally:
            # Closed by hand: some file systems tell a failed write only here.
            os.close(fd)
    _refuse_other(root, path, summed.digest())


def _refuse_other(root: Root, path: bytes, digest: bytes) -> None:
    """What was written has to read back the same, past the cache where that can be had."""
    fd = root.open_file(path)
    with open(fd, "rb", buffering=0) as content:
        drop_pages(fd, os.fstat(fd).st_size)
        state = hashlib.sha512()
        while part := content.read(_CHUNK_BYTES):
            state.update(part)
    if state.digest() != digest:
        raise OSError(errno.EIO, "a file of the record does not read back as it was written")


def _remove_quietly(root: Root, path: bytes) -> None:
    # A leftover of a killed run, or of a write that has failed and is reported by its caller.
    try:
        root.remove_file(path)
    except OSError:
        return
