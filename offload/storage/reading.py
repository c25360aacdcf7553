"""Reading one file straight from its device where that works, into aligned buffers."""

import contextlib
import errno
import fcntl
import os

from offload.storage.buffers import ALIGNMENT
from offload.storage.root import Root

_DIRECT = getattr(os, "O_DIRECT", 0)

# What a failing sector, a bad cable or a damaged file system answers, and a second try may not.
_WORTH_A_RETRY = frozenset(
    {errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.EINTR, errno.EREMOTEIO, errno.EBADMSG}
)
_TRIES = 3
_STEPS_DOWN = (1 << 17, ALIGNMENT)


class ReadFile:
    """A file open for reading, direct where the file system takes it, buffered where not.

    Attributes:
        fd: the descriptor, owned by this object.
        size_bytes: the length at opening; more or less read than that is an error of the caller's.
        facts: what ``fstat`` said at opening.
        is_direct: whether reads go past the page cache now.
    """

    __slots__ = ("facts", "fd", "is_direct", "size_bytes")

    def __init__(self, root: Root, path: bytes, *, direct: bool = True) -> None:
        self.is_direct = bool(direct and _DIRECT)
        self.fd, self.facts = self._open(root, path)
        self.size_bytes = self.facts.st_size

    def close(self) -> None:
        """Close the descriptor, once. What was read stands, whatever the close says."""
        if self.fd >= 0:
            fd, self.fd = self.fd, -1
            with contextlib.suppress(OSError):
                os.close(fd)

    def ask_ahead(self) -> None:
        """Let the system fetch the whole file now, so that reading it later need not wait."""
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(self.fd, 0, 0, os.POSIX_FADV_WILLNEED)

    def read_into(self, view: memoryview, offset: int) -> int:
        """Fill ``view`` from ``offset`` (bytes, aligned while direct); fewer only at the end.

        Returns:
            Number of bytes read.
        """
        done = self._read_once(view, offset)
        while 0 < done < len(view) and offset + done < self.size_bytes:
            if self.is_direct and (offset + done) % ALIGNMENT:
                self._leave_direct()
            count = self._read_once(view[done:], offset + done)
            if not count:
                break
            done += count
        return done

    def read_patiently(self, view: memoryview, offset: int) -> int:
        """Like :meth:`read_into`; an error is tried again, in ever smaller pieces.

        Raises:
            OSError: one piece could not be read at any try; or the device is gone.
        """
        try:
            return self.read_into(view, offset)
        except OSError as error:
            if error.errno not in _WORTH_A_RETRY:
                raise
        return self._read_in_steps(view, offset, _STEPS_DOWN)

    def _read_in_steps(self, view: memoryview, offset: int, steps: tuple[int, ...]) -> int:
        step, smaller = steps[0], steps[1:]
        done = 0
        while done < len(view) and offset + done < self.size_bytes:
            piece = view[done : done + step]
            try:
                count = self.read_into(piece, offset + done)
            except OSError as error:
                if error.errno not in _WORTH_A_RETRY:
                    raise
                if smaller:
                    count = self._read_in_steps(piece, offset + done, smaller)
                else:
                    count = self._read_again(piece, offset + done)
            done += count
            if not count:
                break
        return done

    def _read_again(self, piece: memoryview, offset: int) -> int:
        for left in reversed(range(_TRIES)):
            try:
                return self.read_into(piece, offset)
            except OSError as error:
                if error.errno not in _WORTH_A_RETRY or not left:
                    raise
        raise RuntimeError("the last try returns or raises")

    def _read_once(self, view: memoryview, offset: int) -> int:
        try:
            return os.preadv(self.fd, [view], offset)
        except OSError as error:
            if error.errno != errno.EINVAL or not self.is_direct:
                raise
        # The file system took the flag at opening and refuses direct reads all the same.
        self._leave_direct()
        return os.preadv(self.fd, [view], offset)

    def _leave_direct(self) -> None:
        flags = fcntl.fcntl(self.fd, fcntl.F_GETFL)
        fcntl.fcntl(self.fd, fcntl.F_SETFL, flags & ~_DIRECT)
        self.is_direct = False

    def _open(self, root: Root, path: bytes) -> tuple[int, os.stat_result]:
        if self.is_direct:
            try:
                return root.open_with_facts(path, os.O_RDONLY | _DIRECT)
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
                # Either no direct I/O here or no regular file; the plain opening tells which.
                self.is_direct = False
        return root.open_with_facts(path)
