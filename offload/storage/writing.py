"""Writing one new file on a drive: exclusive, direct where that works, every error final."""

import errno
import fcntl
import os

from offload.storage import syscalls
from offload.storage.buffers import ALIGNMENT
from offload.storage.root import Root
from offload.storage.syncing import sync_descriptor

_DIRECT = getattr(os, "O_DIRECT", 0)
_NO_RESERVE = frozenset({errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL, errno.ENOTSUP})

# A file system without such a thing, or another owner: the content is not touched by it.
_NO_METADATA = frozenset({errno.EPERM, errno.EACCES, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL})


class NewFile:
    """A file that is being written, under a name that was free.

    The first error of a write, sync or close leaves the file failed for good: the caller calls
    :meth:`abandon`, and only writing it anew under a free name mends it.

    Attributes:
        metadata_refused: the file system would not take the modification time: a notice, since the
            content is not touched by it and the manifest has the value.
    """

    __slots__ = ("_fd", "_is_direct", "_path", "_root", "metadata_refused")

    def __init__(self, root: Root, path: bytes, size_bytes: int, *, direct: bool) -> None:
        """Create the file; its folder exists.

        Args:
            root: the drive.
            path: a free name.
            size_bytes: how long it will be; reserved when ``direct``.
            direct: write past the page cache where the file system takes it.

        Raises:
            FileExistsError: the name is taken; nothing was touched.
            OSError: no room, or anything else the system says; nothing is left under the name.
        """
        self._root = root
        self._path = path
        self._is_direct = bool(direct and _DIRECT)
        self.metadata_refused = False
        self._fd = self._create()
        if direct:
            try:
                self._reserve(size_bytes)
            except OSError:
                self.abandon()
                raise

    def write(self, view: memoryview, offset: int) -> None:
        """Write all of ``view`` at ``offset`` (bytes); only the last piece may be unaligned.

        Raises:
            OSError: for good.
        """
        if self._is_direct:
            whole = len(view) - len(view) % ALIGNMENT
            if offset % ALIGNMENT == 0 and whole:
                self._write_all(view[:whole], offset)
                view, offset = view[whole:], offset + whole
            if view and self._is_direct:
                self._leave_direct()
        if view:
            self._write_all(view, offset)

    def set_time(self, mtime_ns: int) -> None:
        """Give the file its modification time (ns); a refusal is noted and is no failure."""
        try:
            os.utime(self._fd, ns=(mtime_ns, mtime_ns))
        except (OSError, OverflowError) as error:
            if isinstance(error, OSError) and error.errno not in _NO_METADATA:
                raise
            self.metadata_refused = True

    def sync(self) -> None:
        """Make content and facts durable.

        Raises:
            OSError: for good; a second try could report success for data thrown away.
        """
        sync_descriptor(self._fd)

    def facts(self) -> os.stat_result:
        """What ``fstat`` says now."""
        return os.fstat(self._fd)

    def close(self) -> None:
        """Close and look at the answer: some file systems tell a failed write only here.

        Raises:
            OSError: for good.
        """
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            os.close(fd)

    def abandon(self) -> None:
        """Leave nothing under the name, as far as the drive still lets us."""
        try:
            self.close()
        except OSError:
            self._fd = -1
        try:
            self._root.remove_file(self._path)
        except OSError:
            # The drive is failing and its failure is already on its way to the user; the name
            # lies in an ``.incomplete`` folder and is never taken for a copy.
            return

    def _create(self) -> int:
        fd = self._root.create_file(self._path, os.O_RDWR)
        if self._is_direct:
            # Set afterwards: refused at opening, the name is made all the same, and nobody could
            # tell it from one that another program has made meanwhile.
            try:
                fcntl.fcntl(fd, fcntl.F_SETFL, _DIRECT)
            except OSError:
                self._is_direct = False
        return fd

    def _reserve(self, size_bytes: int) -> None:
        if not size_bytes:
            return
        try:
            syscalls.reserve(self._fd, size_bytes)
        except OSError as error:
            if error.errno not in _NO_RESERVE:
                raise

    def _write_all(self, view: memoryview, offset: int) -> None:
        while view:
            count = self._write_once(view, offset)
            view, offset = view[count:], offset + count
            if view and self._is_direct and (offset % ALIGNMENT or len(view) % ALIGNMENT):
                self._leave_direct()

    def _write_once(self, view: memoryview, offset: int) -> int:
        try:
            count = os.pwritev(self._fd, [view], offset)
        except OSError as error:
            if error.errno != errno.EINVAL or not self._is_direct:
                raise
            self._leave_direct()
            count = os.pwritev(self._fd, [view], offset)
        if not count:
            raise OSError(errno.EIO, "a write that took nothing")
        return count

    def _leave_direct(self) -> None:
        flags = fcntl.fcntl(self._fd, fcntl.F_GETFL)
        fcntl.fcntl(self._fd, fcntl.F_SETFL, flags & ~_DIRECT)
        self._is_direct = False
