"""Standard output such that nothing about it ends a job or changes its result.

Nobody may be reading any more, the disk behind it may be full, its encoding may know few
characters, or it may not be open at all. The job goes on; its exit code and its record are what
count.
"""

import io
import os
import sys
from typing import TextIO, cast


class Steady(io.TextIOBase):
    """A text stream that loses what it cannot write, from the first failure on.

    Args:
        stream: what is written to.
    """

    def __init__(self, stream: TextIO) -> None:
        super().__init__()
        self._stream = stream

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Of the stream, for who asks what it can show."""
        return self._stream.encoding

    def write(self, text: str) -> int:
        """Write, or lose it."""
        try:
            self._stream.write(text)
        except (OSError, ValueError):
            self._lose()
        return len(text)

    def flush(self) -> None:
        """Flush, or lose what is there."""
        try:
            self._stream.flush()
        except (OSError, ValueError):
            self._lose()

    def isatty(self) -> bool:
        """Whether a person may be looking."""
        return self._stream.isatty()

    def fileno(self) -> int:
        """The descriptor below."""
        return self._stream.fileno()

    def writable(self) -> bool:
        """Always."""
        return True

    def _lose(self) -> None:
        # What is still buffered must not fail again at exit.
        nowhere = os.open(os.devnull, os.O_WRONLY | os.O_CLOEXEC)
        os.dup2(nowhere, self._stream.fileno())
        os.close(nowhere)


def hold_standard_streams() -> None:
    """Make the three standard streams usable whatever this process was started with.

    A descriptor that is not open would be given to the next file: a child's messages would then be
    written into a copy.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number: this one
    sys.stdin = sys.stdin or os.fdopen(0, encoding="utf-8", closefd=False)
    sys.stdout = _steady(sys.stdout, 1)
    sys.stderr = _steady(sys.stderr, 2)


def _steady(stream: TextIO | None, number: int) -> TextIO:
    stream = stream or os.fdopen(number, "w", encoding="utf-8", closefd=False)
    # A character that this terminal cannot show never ends a job or changes its result.
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")
    return cast(TextIO, Steady(stream))
