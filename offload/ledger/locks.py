"""A lock that the system itself takes away when its holder dies, however it dies.

The lock is on a file; what is written in the file only says who holds it. Locks by record
(POSIX ``fcntl``) belong to the process and are not handed on to its children, so a worker that
outlives a killed run does not keep the card. Their known trap, that closing any descriptor of the
file gives the lock up, is met by never opening a file that this process holds.
"""

import errno
import json
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, fields
from types import TracebackType
from typing import Self

from offload.errors import BusyError, LedgerError, reason

if os.name == "nt":
    from offload.ledger.locking_windows import lock_whole
else:
    from offload.ledger.locking_fcntl import lock_whole

_INFO_LIMIT = 4096
_TRIES = 5
_PAUSE_S = 0.05
_TAKEN = frozenset({errno.EACCES, errno.EAGAIN, errno.EDEADLK})


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lock, as it says itself; only shown, never decided by.

    Attributes:
        pid: its process number.
        host: the machine.
        started_ns: since when, nanoseconds since 1970.
        offload: number of its offload in the ledger; 0 where it has none.
        about: what it works on, already safe to show: a roll, a label.
    """

    pid: int
    host: str
    started_ns: int
    offload: int = 0
    about: str = ""


class _Held:
    """The locks of this process by path, because the system lets a process lock a file twice."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._holders: dict[bytes, tuple[int, Holder]] = {}

    def claim(self, path: bytes, holder: Holder) -> Holder | None:
        """Note the claim, or tell who has it. A forked child begins with nothing held."""
        with self._lock:
            pid, present = self._holders.get(path, (0, holder))
            if pid == os.getpid():
                return present
            self._holders[path] = (os.getpid(), holder)
            return None

    def change(self, path: bytes, holder: Holder) -> None:
        with self._lock:
            self._holders[path] = (os.getpid(), holder)

    def give_up(self, path: bytes) -> None:
        with self._lock:
            self._holders.pop(path, None)

    @contextmanager
    def looking(self, path: bytes) -> Iterator[Holder | None]:
        """The own holder of a path, while no thread of this process can claim any."""
        with self._lock:
            pid, present = self._holders.get(path, (0, None))
            yield present if pid == os.getpid() else None


_held = _Held()


class FileLock:
    """One held lock; a context manager that gives it up."""

    def __init__(self, path: bytes, fd: int) -> None:
        self.path = path
        self._fd = fd

    @classmethod
    def take(cls, path: bytes, holder: Holder) -> Self:
        """Take the lock at once or not at all.

        Args:
            path: the lock's file; its folder exists.
            holder: what others are told while it is held.

        Raises:
            TakenError: somebody holds it.
            LedgerError: the file cannot be made or locked.
        """
        path = os.path.realpath(path)
        present = _held.claim(path, holder)
        if present is not None:
            raise TakenError(present)
        try:
            fd = _locked_soon(path)
        except BaseException:
            _held.give_up(path)
            raise
        _write_holder(fd, holder)
        return cls(path, fd)

    def tell(self, holder: Holder) -> None:
        """Change what others are told, such as the number of the offload."""
        _held.change(self.path, holder)
        _write_holder(self._fd, holder)

    def release(self) -> None:
        """Give the lock up and remove its file; a second call does nothing."""
        if self._fd < 0:
            return
        fd, self._fd = self._fd, -1
        # Removed while still locked: whoever waits on the old file finds it gone and looks again
        # (see _is_still). Where it cannot be removed, the next holder takes it as it is.
        with suppress(OSError):
            os.unlink(self.path)
        # An error of the close says something of the file, which is gone; the lock is given up.
        with suppress(OSError):
            os.close(fd)
        _held.give_up(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()


class TakenError(BusyError):
    """Somebody holds the lock.

    Args:
        holder: who, as far as the file says; None when it could not be read.
    """

    def __init__(self, holder: Holder | None) -> None:
        super().__init__("another run holds it")
        self.holder = holder


def holder_of(path: bytes) -> Holder | None:
    """Who holds the lock at ``path``; None when nobody does.

    Where the holder cannot be read, it has the process number 0.
    """
    path = os.path.realpath(path)
    with _held.looking(path) as own:
        # Closing a descriptor gives up every lock of this process on that file; so it is opened
        # only where this process has none, and none can be claimed meanwhile.
        return own or _foreign_holder(path)


def _foreign_holder(path: bytes) -> Holder | None:
    try:
        fd = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        lock_whole(fd)
    except OSError:
        return _read_holder(fd) or Holder(0, "", 0)
    finally:
        os.close(fd)
    return None


def _locked_soon(path: bytes) -> int:
    # Somebody who only asks who holds it has it for a moment himself, so one refusal is not
    # believed; a fifth of a second is nothing beside a run.
    for _ in range(_TRIES - 1):
        try:
            return _locked(path)
        except TakenError:
            time.sleep(_PAUSE_S)
    return _locked(path)


def _locked(path: bytes) -> int:
    while True:
        try:
            fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise LedgerError(f"the lock cannot be made: {reason(error)}", path=path) from error
        try:
            lock_whole(fd)
            if _is_still(fd, path):
                return fd
            os.close(fd)
        except OSError as error:
            holder = _read_holder(fd)
            os.close(fd)
            if error.errno in _TAKEN:
                raise TakenError(holder) from None
            raise LedgerError(f"the lock does not work: {reason(error)}", path=path) from error


def _is_still(fd: int, path: bytes) -> bool:
    # The holder before us removed the file between our opening and our locking.
    try:
        facts = os.stat(path)
    except FileNotFoundError:
        return False
    return os.path.samestat(facts, os.fstat(fd))


def _write_holder(fd: int, holder: Holder) -> None:
    # Not synced and not needed: the lock itself is what counts, and a full disk must not stop it.
    text = json.dumps(asdict(holder)).encode()[:_INFO_LIMIT]
    try:
        os.ftruncate(fd, 0)
        os.lseek(fd, 0, os.SEEK_SET)
        os.write(fd, text)
    except OSError:
        return


def _read_holder(fd: int) -> Holder | None:
    try:
        os.lseek(fd, 0, os.SEEK_SET)
        found = json.loads(os.read(fd, _INFO_LIMIT))
        known = {field.name: field.type for field in fields(Holder)}
        values = {name: found[name] for name in known}
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not all(type(value) is known[name] for name, value in values.items()):
        return None
    return Holder(**values)
