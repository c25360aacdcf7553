"""Lines that fit a terminal: text broken at spaces, commands only where a shell allows it.

Widths are in columns of a terminal; a wide character takes two.
"""

import re
from collections.abc import Sequence

from rich.cells import cell_len, chop_cells

_NARROWEST = 20
_COMMAND = re.compile(r"(?:^|:\s+|\bthen\s+|\b(?:or|OR)\s+|\s{2,})(?P<command>offload [a-z].*)")
# A word as a shell takes it: quotes keep what is between them.
_WORD = re.compile(r"(?:\$?'[^']*'|\\.|[^\s'])+")
_GAP = "   "


def wrapped(text: str, width: int | None, first: str, rest: str) -> list[str]:
    """Lines of ``text``, the first after ``first``, the others after ``rest``.

    Args:
        text: without a newline.
        width: columns; None for one line however long.
        first: what stands before the first line.
        rest: what stands before every other line.
    """
    if width is None:
        return [(first + text).rstrip()]
    lines, line, is_empty = [], first, True
    for word in text.split(" "):
        for part in _parts(word, max(_NARROWEST, width - cell_len(rest))):
            gap = "" if is_empty else " "
            if not is_empty and cell_len(line) + 1 + cell_len(part) > width:
                lines.append(line.rstrip())
                line, gap = rest, ""
            line, is_empty = line + gap + part, False
    return [*lines, line.rstrip()]


def wrapped_command(words: Sequence[str], width: int | None, first: str, rest: str) -> list[str]:
    """A command in lines that can be copied as they are: broken between words, each break marked.

    Args:
        words: quoted for the shell.
        width: columns; None for one line however long.
        first: what stands before the first line.
        rest: what stands before every other line.
    """
    if width is None:
        return [first + " ".join(words)]
    lines, line = [], first + words[0]
    for at, word in enumerate(words[1:], 2):
        mark = 0 if at == len(words) else 2
        if cell_len(line) + 1 + cell_len(word) + mark > width:
            lines.append(line + " \\")
            line = rest + word
        else:
            line = f"{line} {word}"
    return [*lines, line]


def advice(text: str, width: int | None, first: str, rest: str) -> list[str]:
    """What to do, in lines of which a command can be copied as it stands.

    Args:
        text: a sentence, and after a colon or the like the command that does it.
        width, first, rest: as for :func:`wrapped`.
    """
    found = _COMMAND.search(text)
    if width is None or found is None or cell_len(first + text) <= width:
        return wrapped(text, width, first, rest)
    words, after = _typed(found["command"])
    before = text[: found.start("command")].rstrip()
    lines = wrapped(before, width, first, rest) if before else []
    on_one = (lines[-1] + _GAP if lines else first) + " ".join(words)
    if cell_len(on_one) <= width:
        lines[-1:] = [on_one]
    else:
        lines += wrapped_command(words, width, rest if lines else first, rest + "    ")
    return lines + (advice(after, width, rest, rest) if after else [])


def _typed(text: str) -> tuple[list[str], str]:
    """The words of a command, and the text that goes on after it."""
    words: list[str] = []
    for found in _WORD.finditer(text):
        word = found[0]
        if word[-1] in ";," and len(word) > 1:
            return [*words, word[:-1]], text[found.end() :].strip()
        words.append(word)
    return words, ""


def spread(left: str, right: str, width: int | None, indent: str) -> list[str]:
    """``right`` at the right edge where there is room for it, else on a line of its own."""
    if width is None:
        return [f"{left}  {right}".rstrip()]
    room = width - cell_len(left) - cell_len(right)
    if not right or room >= 2:
        return [left + " " * room + right if right else left]
    return [*wrapped(left, width, "", indent), *wrapped(right, width, indent, indent)]


def cut(line: str, width: int) -> str:
    """What of a line fits; a wide character is never halved."""
    return line if cell_len(line) <= width else chop_cells(line, width)[0]


def _parts(word: str, width: int) -> list[str]:
    """A word, in pieces where it is too long for any line; nothing of a name is lost."""
    return [word] if cell_len(word) <= width else chop_cells(word, width)
