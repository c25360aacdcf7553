"""Lines for a terminal, a pipe or a file: broken where a width asks for it, set off where one can.

A stream that takes nothing any more ends nothing: the exit code says what matters.
"""

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TextIO

from offload.clearance.shell import quoted
from offload.clearance.words import phrase
from offload.cli.verdict_view import NARROWEST, Line
from offload.cli.wrapping import spread, wrapped, wrapped_command

INDENT = " " * 6
_DEEP = " " * 10
_LABEL = 11


@dataclass(frozen=True, slots=True)
class Pen:
    """Writes in the width there is.

    Attributes:
        width: columns; None for lines that are not broken.
        ascii_only: write commands without any other character.
    """

    width: int | None
    ascii_only: bool = False

    def text(
        self, text: str, first: str = INDENT, rest: str = INDENT, style: str = ""
    ) -> list[Line]:
        """A paragraph."""
        return [Line(phrase(line), style) for line in wrapped(text, self.width, first, rest)]

    def head(self, left: str, right: str, style: str) -> list[Line]:
        """The first words, and at the right edge when."""
        return [Line(phrase(line), style) for line in spread(left, right, self.width, INDENT)]

    def row(self, label: str, text: str) -> list[Line]:
        """A label and what stands behind it."""
        return self.text(text, f"  {label:<{_LABEL}}  ", " " * (_LABEL + 4))

    def act(self, words: str, command: Sequence[bytes]) -> Iterator[Line]:
        """What to do, and the command that does it, in lines that can be copied as they are."""
        yield from self.text(words, f"{INDENT}DO  ", _DEEP)
        if command:
            typed = [quoted(word, ascii_only=self.ascii_only) for word in (b"offload", *command)]
            for line in wrapped_command(typed, self.width, _DEEP, _DEEP + "    "):
                yield Line(line, "bold")


def pen_for(stream: TextIO) -> Pen:
    """A pen for where the lines go."""
    encoding = (stream.encoding or "ascii").lower().replace("-", "").replace("_", "")
    width = max(NARROWEST, _columns(stream)) if stream.isatty() else None
    return Pen(width, encoding != "utf8")


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


def _columns(stream: TextIO) -> int:
    try:
        return os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        return 80


def _coloured(lines: Sequence[Line], stream: TextIO) -> str:
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    with console.capture() as captured:
        for line in lines:
            console.print(Text(line.text, style=line.style), soft_wrap=True)
    return captured.get()
