"""An open clip as a file object for the decoder: by descriptor, counted, never beyond a budget."""

import io
import os

from offload.media.reading import BudgetError


class MeteredFile:
    """What a decoder reads through. Nothing here has a name that could be taken for an address.

    Args:
        descriptor: open for reading; stays its owner's.
        budget_bytes: most that may be read in all, by this reader and those made from it.

    Attributes:
        size_bytes: length of the file when it was opened.
    """

    def __init__(self, descriptor: int, budget_bytes: int) -> None:
        self._descriptor = descriptor
        self._budget_bytes = budget_bytes
        self._at = 0
        self._read = [0]
        self.size_bytes = os.fstat(descriptor).st_size

    def again(self) -> "MeteredFile":
        """Another reader of the same file with a place of its own, and the same budget."""
        other = MeteredFile(self._descriptor, self._budget_bytes)
        other._read = self._read
        return other

    @property
    def bytes_read(self) -> int:
        """What has been read so far."""
        return self._read[0]

    def read(self, length: int) -> bytes:
        """Up to ``length`` bytes from where we are.

        Raises:
            BudgetError: more than agreed would be read.
            OSError: the medium could not be read.
        """
        length = min(length, max(0, self.size_bytes - self._at))
        if self.bytes_read + length > self._budget_bytes:
            raise BudgetError(f"more than {self._budget_bytes} bytes would have to be read")
        data = os.pread(self._descriptor, length, self._at)
        self._at += len(data)
        self._read[0] += len(data)
        return data

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to an offset, as :meth:`io.IOBase.seek` does."""
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self.size_bytes}[whence]
        self._at = max(0, start + offset)
        return self._at

    def tell(self) -> int:
        """Where we are."""
        return self._at

    def seekable(self) -> bool:
        """Always: it is a regular file."""
        return True

    def readable(self) -> bool:
        """Always."""
        return True

    def writable(self) -> bool:
        """Never."""
        return False
