"""Lines for a terminal, a pipe or a file, set off where the screen can.

A stream that takes nothing any more ends nothing: verdict and exit code stand without it.
"""

import contextlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TextIO

NARROWEST = 60


@dataclass(frozen=True, slots=True)
class Line:
    """One line, and how it is set off where the screen can: by a name of a Rich style."""

    text: str
    style: str = ""


def width_of(stream: TextIO) -> int | None:
    """Columns to write in; None for lines that are not broken."""
    if not stream.isatty():
        return None
    try:
        return max(NARROWEST, os.get_terminal_size(stream.fileno()).columns)
    except (OSError, ValueError):
        return 80


def is_ascii_only(stream: TextIO) -> bool:
    """Whether a command must be written without any other character."""
    return (stream.encoding or "ascii").lower().replace("-", "").replace("_", "") != "utf8"


def show_lines(lines: Sequence[Line], stream: TextIO) -> None:
    """Write lines; a character that the stream cannot show is written as its escape."""
    encoding = stream.encoding or "ascii"
    sound = [
        Line(line.text.encode(encoding, "backslashreplace").decode(encoding), line.style)
        for line in lines
    ]
    plain = "".join(f"{line.text}\n" for line in sound)
    try:
        stream.write(_coloured(sound, stream) if stream.isatty() else plain)
        stream.flush()
    except OSError:
        # Nobody reads any more. What is still buffered must not fail again at exit.
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _coloured(lines: Sequence[Line], stream: TextIO) -> str:
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    with console.capture() as captured:
        for line in lines:
            console.print(Text(line.text, style=line.style), soft_wrap=True)
    return captured.get()
