"""A pen for what is found out about records: paragraphs, rows, and what to do about it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TextIO

from offload.clearance.shell import quoted
from offload.clearance.words import phrase
from offload.cli.styled_lines import Line, is_ascii_only, width_of
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
    return Pen(width_of(stream), is_ascii_only(stream))
