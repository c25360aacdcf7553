"""Reading a file for a structure check: by position, little, and never more than agreed.

A structure check is handed a :class:`Reader` and sees nothing else of the file system. It reads
through a :class:`BoundedReader`, which counts what is read and the steps that are made, so that no
file can make a check read, remember or loop without end.
"""

import os
from typing import Protocol

MAX_READ_BYTES = 64 * 1024 * 1024
"""The longest single read; the largest table we take into memory."""

_WINDOW_BYTES = 512
_BASE_BUDGET_BYTES = 64 * 1024 * 1024
_BUDGET_SHIFT = 4  # one sixteenth on top: a long file of small frames has many headers
_MAX_STEPS = 20_000_000
_UNLIMITED = 1 << 62


class Reader(Protocol):
    """Random access to one file of known size; the interface that structure checks are given."""

    @property
    def size(self) -> int:
        """Length of the file in bytes, fixed for the life of the reader."""
        ...

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to ``length`` bytes from ``offset``; fewer only at the end of the file.

        Raises:
            OSError: the medium could not be read.
        """
        ...


class DescriptorReader:
    """Reads an open descriptor by ``pread``; the descriptor stays its owner's.

    Args:
        descriptor: open for reading.
        size: its length in bytes; asked of the system when left out.
    """

    def __init__(self, descriptor: int, size: int | None = None) -> None:
        self._descriptor = descriptor
        self._size = os.fstat(descriptor).st_size if size is None else size

    @property
    def size(self) -> int:
        """Length in bytes."""
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to ``length`` bytes from ``offset``.

        Raises:
            OSError: the medium could not be read.
        """
        parts: list[bytes] = []
        while length > 0 and (part := os.pread(self._descriptor, length, offset)):
            parts.append(part)
            offset += len(part)
            length -= len(part)
        return parts[0] if len(parts) == 1 else b"".join(parts)


class BytesReader:
    """Reads bytes in memory: a head already read, or a test's file."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    @property
    def size(self) -> int:
        """Length in bytes."""
        return len(self._data)

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to ``length`` bytes from ``offset``."""
        return self._data[offset : offset + length]


class BudgetError(Exception):
    """A check would read or do more than was agreed; what is left stays unchecked."""


class EndOfFileError(Exception):
    """A structure reaches past the end of the file.

    Args:
        offset: where the missing piece should begin.
    """

    def __init__(self, offset: int) -> None:
        super().__init__(f"the file ends before offset {offset}")
        self.offset = offset


class BoundedReader:
    """A reader that counts, with one small window so that neighbouring headers cost one read.

    The budget is 64 MiB and a sixteenth of the file.

    Args:
        reader: what is read from.
        is_unlimited: read and loop as much as the file asks for; single reads stay bounded.

    Attributes:
        size: length of the file in bytes.
        bytes_read: what has been read so far.
    """

    def __init__(self, reader: Reader, *, is_unlimited: bool = False) -> None:
        self._reader = reader
        self.size = reader.size
        self.bytes_read = 0
        budget = _BASE_BUDGET_BYTES + (self.size >> _BUDGET_SHIFT)
        self._budget = _UNLIMITED if is_unlimited else budget
        self._steps = _UNLIMITED if is_unlimited else _MAX_STEPS
        self._window = b""
        self._window_at = 0

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to ``length`` bytes from ``offset``; fewer only where the file ends.

        Raises:
            BudgetError: the budget, or the longest single read, would be passed.
            OSError: the medium could not be read.
        """
        if offset < 0 or length <= 0 or offset >= self.size:
            return b""
        length = min(length, self.size - offset)
        start = offset - self._window_at
        if start >= 0 and start + length <= len(self._window):
            return self._window[start : start + length]
        if length > _WINDOW_BYTES:
            return self._fetch(offset, length)
        self._window = self._fetch(offset, min(_WINDOW_BYTES, self.size - offset))
        self._window_at = offset
        return self._window[:length]

    def need(self, offset: int, length: int) -> bytes:
        """Exactly ``length`` bytes from ``offset``.

        Raises:
            EndOfFileError: the file does not hold them.
            BudgetError: see :meth:`read_at`.
            OSError: the medium could not be read.
        """
        data = self.read_at(offset, length)
        if len(data) != length:
            raise EndOfFileError(offset)
        return data

    def step(self, count: int = 1) -> None:
        """Count steps of a loop over outside data.

        Raises:
            BudgetError: more steps than agreed.
        """
        self._steps -= count
        if self._steps < 0:
            raise BudgetError("more parts than a check looks at")

    def _fetch(self, offset: int, length: int) -> bytes:
        if length > MAX_READ_BYTES:
            raise BudgetError(f"a part of {length} bytes is more than a check reads at once")
        if self.bytes_read + length > self._budget:
            raise BudgetError(f"more than {self._budget} bytes would have to be read")
        self.bytes_read += length
        return self._reader.read_at(offset, length)
