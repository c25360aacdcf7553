"""Locks by record, POSIX ``fcntl``: Linux, macOS, the BSDs."""

import fcntl


def lock_whole(fd: int) -> None:
    """Lock the whole file for this process alone, at once or not at all.

    Raises:
        OSError: ``EACCES`` or ``EAGAIN`` when another process holds it.
    """
    fcntl.lockf(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
