"""Making written data durable, and knowing when it is not.

On macOS an ordinary fsync only hands the data to the drive; ``F_FULLFSYNC`` asks the drive itself
(fsync(2) of macOS). It falls back to fsync only where the file system refuses it, and says so.
"""

import errno
import fcntl
import os
import sys

from offload.storage import syscalls
from offload.storage.root import Root

# Kernel file systems whose syncfs writes everything and reports write-back errors. FUSE passes
# syncfs on to the daemon for virtiofs and block devices of recent kernels only, and a network file
# system's word is its own: there every file is synced by itself.
_WHOLE_SYNC = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "exfat", "vfat"})

_REFUSED = frozenset({errno.ENOTSUP, errno.ENOTTY, errno.EINVAL, errno.ENOSYS})


def can_sync_whole(fs_type: str) -> bool:
    """Whether one ``syncfs`` stands for the fsync of many files and folders."""
    return sys.platform == "linux" and fs_type in _WHOLE_SYNC


def sync_descriptor(fd: int) -> bool:
    """Make one file or folder durable.

    Returns:
        False where only the weaker fsync could be had on macOS.

    Raises:
        OSError: it is not durable and must not be tried again: after a failed flush the system may
            have thrown the data away and report the next one as good (fsync(2)).
    """
    full = getattr(fcntl, "F_FULLFSYNC", None)
    if full is not None:
        try:
            fcntl.fcntl(fd, full)
        except OSError as error:
            if error.errno not in _REFUSED:
                raise
        else:
            return True
    os.fsync(fd)
    return full is None


def sync_folder(root: Root, path: bytes) -> None:
    """Make a folder's entries durable; a file system that has no such thing is no error."""
    try:
        sync_descriptor(root.folder(path))
    except OSError as error:
        if error.errno not in _REFUSED:
            raise


def sync_whole(fd: int) -> None:
    """Make the whole file system durable; for types where :func:`can_sync_whole` holds."""
    syscalls.syncfs(fd)
