"""Locks by byte range on Windows, far behind the text that says who holds the lock."""

import os
import sys

_AT = 1 << 30


def lock_whole(fd: int) -> None:
    """Lock one byte for this descriptor alone, at once or not at all.

    Raises:
        OSError: ``EACCES`` or ``EDEADLK`` when another descriptor holds it.
    """
    if sys.platform == "win32":
        import msvcrt

        os.lseek(fd, _AT, os.SEEK_SET)
        msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
