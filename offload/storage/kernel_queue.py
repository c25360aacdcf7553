"""Reads that the kernel carries out while this program does something else (Linux, io_submit(2)).

Of use for direct reads alone: one of a buffered file is carried out while it is handed over. By way
of the C library's ``syscall``, since neither Python nor the C library offers these calls.
"""

import ctypes
import errno
import os
import platform
import struct
import sys

# io_setup, io_destroy, io_getevents, io_submit: arch/x86/entry/syscalls/syscall_64.tbl and
# include/uapi/asm-generic/unistd.h of the kernel.
_NUMBERS = {"x86_64": (206, 207, 208, 209), "aarch64": (0, 1, 4, 2), "riscv64": (0, 1, 4, 2)}
_SETUP, _DESTROY, _WAIT, _SUBMIT = _NUMBERS.get(platform.machine(), (-1, -1, -1, -1))

# struct iocb and struct io_event of include/uapi/linux/aio_abi.h, little-endian.
_REQUEST = struct.Struct("<QIIHhIQQqQII")
_EVENT = struct.Struct("<QQqq")
_READ = 0

_libc = ctypes.CDLL(None, use_errno=True)


class KernelQueue:
    """One queue of reads of one thread.

    Once it is closed nothing is under way any more, so that buffers may be given back.
    """

    def __init__(self, depth: int) -> None:
        """
        Args:
            depth: most reads under way or waiting to be handed over.

        Raises:
            OSError: ``ENOSYS`` where the system has no such thing, ``EAGAIN`` where all is taken.
        """
        if sys.platform != "linux" or _SETUP < 0 or sys.byteorder != "little":
            raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
        self._context = ctypes.c_uint64(0)
        _call(_SETUP, ctypes.c_uint(depth), ctypes.byref(self._context))
        self._depth = depth
        self._requests = ctypes.create_string_buffer(_REQUEST.size * depth)
        self._first = ctypes.addressof(self._requests)
        self._waiting = (ctypes.c_uint64 * depth)()
        self._waiting_count = 0
        self._events = ctypes.create_string_buffer(_EVENT.size * depth)

    def put(self, number: int, fd: int, address: int, length: int, offset: int) -> None:
        """Make a read ready to be handed over.

        Args:
            number: from 0 below the depth, and not that of a read under way.
            fd: open for direct reads.
            address: of the memory to fill; it stays there until the result is known.
            length: bytes.
            offset: in the file, bytes.
        """
        at = number * _REQUEST.size
        _REQUEST.pack_into(
            self._requests, at, number, 0, 0, _READ, 0, fd, address, length, offset, 0, 0, 0
        )
        self._waiting[self._waiting_count] = self._first + at
        self._waiting_count += 1

    @property
    def waiting(self) -> int:
        """Reads that are ready and not handed over."""
        return self._waiting_count

    def submit(self) -> list[tuple[int, int]]:
        """Hand over what is ready; numbers that the system did not take, with its answer."""
        refused: list[tuple[int, int]] = []
        done = 0
        while done < self._waiting_count:
            try:
                done += _call(
                    _SUBMIT,
                    self._context,
                    ctypes.c_long(self._waiting_count - done),
                    ctypes.byref(self._waiting, done * 8),
                )
            except OSError as error:
                # It speaks of the first of them; the others may be taken.
                number = (self._waiting[done] - self._first) // _REQUEST.size
                refused.append((number, -(error.errno or errno.EIO)))
                done += 1
        self._waiting_count = 0
        return refused

    def wait(self) -> list[tuple[int, int]]:
        """Wait for one read at least: its number, and bytes read or an errno below zero."""
        while True:
            try:
                count = _call(
                    _WAIT,
                    self._context,
                    ctypes.c_long(1),
                    ctypes.c_long(self._depth),
                    self._events,
                    None,
                )
            except InterruptedError:
                continue
            found = _EVENT.iter_unpack(ctypes.string_at(self._events, count * _EVENT.size))
            return [(number, result) for number, _, result, _ in found]

    def close(self) -> None:
        """Wait for all that is under way (io_destroy(2)) and let go of the queue."""
        if self._context.value:
            _call(_DESTROY, self._context)
            self._context.value = 0


def _call(number: int, *arguments: object) -> int:
    result: int = _libc.syscall(ctypes.c_long(number), *arguments)
    if result < 0:
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code))
    return result
