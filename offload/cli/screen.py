"""Standard output for hours: lines that stay, and below them some that are drawn anew.

Nobody reading it any more never ends anything: an output that fails is closed, the work goes on.
"""

import os
import shutil
import sys
import threading
from collections.abc import Callable, Sequence
from typing import TextIO


class Screen:
    """Standard output, for several threads.

    Attributes:
        is_terminal: somebody is looking.
    """

    def __init__(self) -> None:
        self.is_terminal = sys.stdout.isatty()
        self._drawn = 0
        self._lock = threading.Lock()

    @property
    def width(self) -> int:
        """Columns to write in."""
        return max(20, shutil.get_terminal_size().columns - 1)

    @property
    def height(self) -> int:
        """Rows to draw in."""
        return max(5, shutil.get_terminal_size().lines - 1)

    def write(self, text: str) -> None:
        """Text that stays."""
        with self._lock:
            self._wipe()
            _write(text)

    def show(self, write: Callable[[TextIO], None]) -> None:
        """Have somebody else write text that stays; it has to bear a stream that fails."""
        with self._lock:
            self._wipe()
            write(sys.stdout)

    def draw(self, lines: Sequence[str]) -> None:
        """Put these in place of those drawn before; nothing where no terminal is."""
        if not self.is_terminal:
            return
        with self._lock:
            up = f"\x1b[{self._drawn}F" if self._drawn else ""
            body = "".join(f"\x1b[2K{line}\n" for line in lines)
            _write(f"{up}{body}\x1b[0J")
            self._drawn = len(lines)

    def ring(self) -> None:
        """The terminal's bell."""
        if self.is_terminal:
            _write("\a")

    def close(self) -> None:
        """Wipe what was drawn."""
        with self._lock:
            self._wipe()

    def _wipe(self) -> None:
        if self._drawn:
            _write(f"\x1b[{self._drawn}F\x1b[0J")
            self._drawn = 0


def _write(text: str) -> None:
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
