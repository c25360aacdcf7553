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
from dataclasses import dataclass

_FDINFO = "/proc/self/fdinfo"  # proc_pid_fdinfo(5)
_FD = "/proc/self/fd"  # proc_pid_fd(5): where each lies, told by the kernel, not by the drive
_MOUNT = re.compile(rb"^mnt_id:\s*(\d+)$", re.MULTILINE)


def let_go_of_files(root_fd: int) -> None:
    """Make every descriptor of a file below one folder, in its mounting, refuse its use.

    Folders stay, and so does what lies beside: a ledger, or another drive's folder, may be on the
    same volume. Asks the drive nothing. Where the system does not tell which descriptors lie where
    (other than Linux), nothing is done.

    Args:
        root_fd: the folder.
    """
    top = _Top.of(root_fd)
    if top is None:
        return
    reading, writing = os.pipe()
    os.close(writing)
    closing = []
    for number in _numbers():
        if top.holds_file(number):
            # The old file is closed by this, and that hangs as well; by then the number is free.
            closing.append(
                threading.Thread(target=_replace, args=(reading, number, top), daemon=True)
            )
    for thread in closing:
        thread.start()
    for thread in closing:
        thread.join(0.2)
    threading.Thread(target=_end, args=(closing, reading), daemon=True).start()


@dataclass(frozen=True, slots=True)
class _Top:
    """A folder: its mounting, and its path with a slash at the end."""

    mounting: int
    path: bytes

    @classmethod
    def of(cls, fd: int) -> "_Top | None":
        mounting, path = _mounting(fd), _path(fd)
        return cls(mounting, path.rstrip(b"/") + b"/") if mounting is not None and path else None

    def holds_file(self, number: int) -> bool:
        """Whether a descriptor is of a file below."""
        return (
            _mounting(number) == self.mounting
            and _path(number).startswith(self.path)
            and not _is_folder(number)
        )


def _replace(reading: int, number: int, top: _Top) -> None:
    # Looked at again at the last moment: its holder may have come back and closed it, and the
    # number may be another drive's file by now. No call of the system exchanges one only if it is
    # still the same.
    with contextlib.suppress(OSError):
        if top.holds_file(number):
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


def _path(number: int) -> bytes:
    try:
        return os.fsencode(os.readlink(f"{_FD}/{number}"))
    except OSError:
        return b""


def _mounting(number: int) -> int | None:
    found = _MOUNT.search(_info(number))
    return int(found.group(1)) if found else None


def _is_folder(number: int) -> bool:
    found = re.search(rb"^flags:\s*([0-7]+)$", _info(number), re.MULTILINE)
    return bool(found and int(found.group(1), 8) & os.O_DIRECTORY)
