"""Open files on a drive that answers nothing any more: they must not be handed to new processes.

Whoever closes a file on some file systems (FUSE, NFS) asks the server first. A program that this
one starts closes what it has inherited before it begins, and so would hang with the drive. The
descriptors are therefore made to mean something else: the read end of a pipe, which refuses every
write and has nothing to read, for whatever still holds their numbers.
"""

import contextlib
import os
import re
import threading

_FDINFO = "/proc/self/fdinfo"  # proc_pid_fdinfo(5)
_MOUNT = re.compile(rb"^mnt_id:\s*(\d+)$", re.MULTILINE)


def let_go_of_files(root_fd: int) -> None:
    """Make every descriptor of a file in one mounting refuse its use; folders stay.

    Asks the drive nothing. Where the system does not tell which descriptors lie in which mounting
    (other than Linux), nothing is done.

    Args:
        root_fd: a folder in that mounting.
    """
    mounting = _mounting(root_fd)
    if mounting is None:
        return
    reading, writing = os.pipe()
    os.close(writing)
    closing = []
    for number in _numbers():
        if number != root_fd and _mounting(number) == mounting and not _is_folder(number):
            # The old file is closed by this, and that hangs as well; by then the number is free.
            closing.append(threading.Thread(target=_replace, args=(reading, number), daemon=True))
    for thread in closing:
        thread.start()
    for thread in closing:
        thread.join(0.2)
    threading.Thread(target=_end, args=(closing, reading), daemon=True).start()


def _replace(reading: int, number: int) -> None:
    with contextlib.suppress(OSError):
        os.dup2(reading, number, inheritable=False)


def _end(closing: list[threading.Thread], reading: int) -> None:
    for thread in closing:
        thread.join()
    os.close(reading)


def _numbers() -> list[int]:
    try:
        return [int(name) for name in os.listdir(_FDINFO)]
    except (OSError, ValueError):
        return []


def _info(number: int) -> bytes:
    try:
        with open(f"{_FDINFO}/{number}", "rb") as file:
            return file.read(4096)
    except OSError:
        return b""


def _mounting(number: int) -> int | None:
    found = _MOUNT.search(_info(number))
    return int(found.group(1)) if found else None


def _is_folder(number: int) -> bool:
    found = re.search(rb"^flags:\s*([0-7]+)$", _info(number), re.MULTILINE)
    return bool(found and int(found.group(1), 8) & os.O_DIRECTORY)
