"""Taking a name exclusively: a rename that never replaces, on every file system.

Where the system has no exclusive rename (most FUSE drivers), an exclusively made empty folder or
file claims the name and a plain rename goes over it; only this program's own claim is replaced.
"""

import errno
import os
import stat

from offload.storage import syscalls
from offload.storage.root import Root
from offload.values.paths import name, parent

_NOT_OFFERED = frozenset({errno.EINVAL, errno.ENOSYS, errno.ENOTSUP})


def rename_exclusive(root: Root, source: bytes, target: bytes) -> None:
    """Give ``source`` the name ``target``; both below one root, their folders exist.

    Raises:
        FileExistsError: something has the name already; nothing was changed.
        OSError: anything else the system says.
    """
    from_fd = root.folder(parent(source))
    to_fd = root.folder(parent(target))
    try:
        syscalls.rename_noreplace(from_fd, name(source), to_fd, name(target))
    except OSError as error:
        if error.errno not in _NOT_OFFERED:
            raise
        _claim_and_rename(root, source, target)
    root.forget_folders()


def _claim_and_rename(root: Root, source: bytes, target: bytes) -> None:
    from_fd = root.folder(parent(source))
    to_fd = root.folder(parent(target))
    is_folder = stat.S_ISDIR(root.facts(source).st_mode)
    if is_folder:
        os.mkdir(name(target), 0o777, dir_fd=to_fd)
    else:
        flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC
        os.close(os.open(name(target), flags, 0o666, dir_fd=to_fd))
    try:
        os.rename(name(source), name(target), src_dir_fd=from_fd, dst_dir_fd=to_fd)
    except OSError:
        # Only an empty claim can be taken back: rmdir refuses a folder with anything in it.
        if is_folder:
            os.rmdir(name(target), dir_fd=to_fd)
        else:
            os.unlink(name(target), dir_fd=to_fd)
        raise
