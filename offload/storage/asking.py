"""Reading ahead: many reads under way at once in one thread, and their results in any order.

A device is only as fast as there is something left for it to do. Where the system can carry out
direct reads by itself (:mod:`offload.storage.kernel_queue`) they are handed to it; elsewhere a
small file is fetched ahead by the system's own means, and a large one is read when its turn comes.
"""

import contextlib
import errno
import os
from types import TracebackType
from typing import Self

from offload.storage.buffers import Window
from offload.storage.kernel_queue import KernelQueue
from offload.storage.reading import ReadFile

MOST_UNDER_WAY = 64

_TOGETHER = 8
_LARGE_BYTES = 1 << 18
"""Reads of this size are handed over at once; smaller ones some at a time."""

# The system refuses the way and not the reading.
_NOT_THIS_WAY = frozenset(
    {errno.EINVAL, errno.EAGAIN, errno.EOPNOTSUPP, errno.ENOSYS, errno.ENOMEM}
)


class Asked:
    """One stretch of a file that was asked for.

    Attributes:
        file: open until the answer has been taken.
        window: where the bytes go; whole blocks.
        offset: in the file, bytes.
        length: bytes wanted; fewer than the window's at the file's end.
    """

    __slots__ = ("_number", "_result", "file", "length", "offset", "window")

    def __init__(self, file: ReadFile, window: Window, offset: int, length: int) -> None:
        self.file = file
        self.window = window
        self.offset = offset
        self.length = length
        self._number = -1
        self._result: int | None = None


class Asking:
    """The reads under way of one thread.

    A context: at its end none is under way, so that files and buffers may be given back.
    """

    def __init__(self) -> None:
        self._queue: KernelQueue | None = None
        self._free = list(range(MOST_UNDER_WAY))
        self._under_way: dict[int, Asked] = {}
        with contextlib.suppress(OSError):
            self._queue = KernelQueue(MOST_UNDER_WAY)

    def ask(self, file: ReadFile, window: Window, offset: int, length: int) -> Asked:
        """Ask for a stretch; the answer is had by :meth:`take`, once.

        Args:
            file: stays open until then.
            window: stays untouched until then; as long as ``length`` in whole blocks.
            offset: in the file, bytes; whole blocks.
            length: bytes.
        """
        asked = Asked(file, window, offset, length)
        if not length:
            return asked
        if self._queue is None or not file.is_direct or not self._free:
            if not file.is_direct and length == file.size_bytes:
                file.ask_ahead()
            return asked
        number = asked._number = self._free.pop()
        self._under_way[number] = asked
        self._queue.put(number, file.fd, window.address, len(window.view), offset)
        if length >= _LARGE_BYTES or self._queue.waiting >= _TOGETHER:
            self._note(self._queue.submit())
        return asked

    def take(self, asked: Asked, *, patiently: bool) -> int:
        """The bytes of a stretch: wait for them, or read them now.

        Args:
            asked: by this object.
            patiently: an error is tried again, in ever smaller pieces.

        Returns:
            Number of bytes read, ``asked.length`` at most; fewer only at the file's end.

        Raises:
            OSError: what the reading said.
        """
        if not asked.length:
            return 0
        result = self._result_of(asked)
        if result is not None and result >= asked.length:
            return asked.length
        if result is not None and result < 0 and not patiently and -result not in _NOT_THIS_WAY:
            raise OSError(-result, os.strerror(-result))
        # Not asked for, refused, in part or with an error: the plain way has the last word.
        file = asked.file
        read = file.read_patiently if patiently else file.read_into
        return min(read(asked.window.view, asked.offset), asked.length)

    def give_up(self, asked: Asked) -> None:
        """Nobody wants the answer any more: wait until it is in, and forget it."""
        self._result_of(asked)

    def close(self) -> None:
        """Wait for all that is under way."""
        if self._queue is not None:
            self._queue.close()
            self._queue = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _result_of(self, asked: Asked) -> int | None:
        if asked._number < 0:
            return asked._result
        assert self._queue is not None
        while asked._number >= 0:
            self._note(self._queue.submit() or self._queue.wait())
        return asked._result

    def _note(self, results: list[tuple[int, int]]) -> None:
        for number, result in results:
            asked = self._under_way.pop(number)
            asked._result = result
            asked._number = -1
            self._free.append(number)
