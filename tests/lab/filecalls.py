"""Plain system calls on one mount, by the operation that they ask for."""

import os
from collections.abc import Callable
from pathlib import Path

DATA = os.urandom(300_000)


def evict(path: Path) -> None:
    """Drop a file's pages."""
    fd = os.open(path, os.O_RDONLY)
    try:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(fd)


def open_it(root: Path) -> None:
    """Open for reading."""
    os.close(os.open(root / "clip.mov", os.O_RDONLY))


def open_for_writing(root: Path) -> None:
    """Open an existing file for writing."""
    os.close(os.open(root / "clip.mov", os.O_WRONLY))


def create_it(root: Path) -> None:
    """Create a new file."""
    os.close(os.open(root / "new", os.O_WRONLY | os.O_CREAT))


def read_it(root: Path) -> None:
    """Read the clip."""
    (root / "clip.mov").read_bytes()


def sync_at(path: Path) -> None:
    """Sync a file or folder."""
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def sync_it(root: Path) -> None:
    """Sync the clip."""
    sync_at(root / "clip.mov")


def close_it(root: Path) -> None:
    """Open and close the clip."""
    fd = os.open(root / "clip.mov", os.O_RDONLY)
    os.close(fd)


CALLS: dict[str, Callable[[Path], object]] = {
    "getattr": lambda root: (root / "clip.mov").stat(),
    "readdir": os.listdir,
    "opendir": os.listdir,
    "readlink": lambda root: os.readlink(root / "link"),
    "statfs": lambda root: os.statvfs(root),
    "open": open_it,
    "open-writing": open_for_writing,
    "create": create_it,
    "read": read_it,
    "write": lambda root: (root / "new").write_bytes(b"x"),
    "truncate": lambda root: os.truncate(root / "clip.mov", 5),
    "flush": close_it,
    "fsync": sync_it,
    "fsyncdir": sync_at,
    "utimens": lambda root: os.utime(root / "clip.mov", ns=(1, 1)),
    "chmod": lambda root: (root / "clip.mov").chmod(0o600),
    "chown": lambda root: os.chown(root / "clip.mov", 5, 5),
    "mkdir": lambda root: (root / "folder").mkdir(),
    "mknod": lambda root: os.mkfifo(root / "pipe"),
    "rmdir": lambda root: (root / "empty").rmdir(),
    "unlink": lambda root: (root / "clip.mov").unlink(),
    "rename": lambda root: os.rename(root / "clip.mov", root / "other"),
    "link": lambda root: os.link(root / "clip.mov", root / "other"),
    "symlink": lambda root: os.symlink("x", root / "other"),
}
"""What to do below a mount so that the operation is asked for; needs ``empty/`` and ``link``."""
