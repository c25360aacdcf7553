"""Page-aligned buffers for direct I/O, mapped anew for each pass and given back after it."""

import contextlib
import ctypes
import mmap
from types import TracebackType
from typing import NamedTuple, Self

ALIGNMENT = 4096
"""Offsets, lengths and addresses of direct I/O are multiples of this; every block size in use on
cards and drives divides it."""


def aligned(size_bytes: int) -> int:
    """``size_bytes`` rounded up to the alignment."""
    return -(-size_bytes // ALIGNMENT) * ALIGNMENT


class Window(NamedTuple):
    """A stretch of a buffer, and where in memory it lies: what the kernel is told."""

    view: memoryview
    address: int

    def part(self, start: int, length: int) -> "Window":
        """A stretch within this one; bytes."""
        return Window(self.view[start : start + length], self.address + start)


class Buffers:
    """A fixed number of buffers in one mapping.

    Args:
        count: how many.
        size_bytes: of each; a multiple of the alignment.
        phase_bytes: unused bytes before the first, a multiple of the alignment: the proving pass
            uses another one, so that a bad memory cell does not meet the same bytes twice.
    """

    def __init__(self, count: int, size_bytes: int, *, phase_bytes: int = 0) -> None:
        if size_bytes % ALIGNMENT or phase_bytes % ALIGNMENT:
            raise ValueError("buffers are made of whole blocks")
        self.size_bytes = size_bytes
        # Shared with nobody, and yet a shared mapping, as Python's are: where a program forks while
        # the kernel fills private memory, the bytes may land in the child's copy (open(2), Notes).
        self._map = mmap.mmap(-1, phase_bytes + count * size_bytes)
        whole = memoryview(self._map)
        self.views = [
            whole[phase_bytes + at * size_bytes : phase_bytes + (at + 1) * size_bytes]
            for at in range(count)
        ]
        first = ctypes.addressof(ctypes.c_char.from_buffer(self._map)) + phase_bytes
        self.windows = [Window(view, first + at * size_bytes) for at, view in enumerate(self.views)]
        self._whole = whole

    def close(self) -> None:
        """Give the memory back; views must not be in use any more."""
        for view in self.views:
            view.release()
        self._whole.release()
        # An error on its way up may still hold a view in its frames, and must not be hidden by
        # this; the memory then goes with it.
        with contextlib.suppress(BufferError):
            self._map.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
