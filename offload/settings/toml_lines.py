"""On which line of a TOML text each key stands; the parser of the standard library does not say."""

import re
import tomllib
from collections.abc import Iterator

_TOKEN = re.compile(
    r'(?P<string>"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\')'
    r"|(?P<comment>#[^\n]*)|(?P<newline>\n)|(?P<mark>[\[\]{}=,.])|(?P<word>[^\s\[\]{}=,.#\"']+)",
    re.DOTALL,
)


def key_lines(text: str) -> dict[str, int]:
    """The line of every key and table head of a valid TOML text, from 1.

    Keys inside an inline table have none of their own: the line of the table is meant.
    """
    lines: dict[str, int] = {}
    tables: dict[str, int] = {}
    head = ""
    for kind, parts, line in _statements(text):
        key = ".".join(parts)
        if kind == "=":
            lines.setdefault(f"{head}.{key}" if head else key, line)
            continue
        head = _in_tables(parts, tables, is_new=kind == "[[")
        lines.setdefault(head, line)
    return lines


def _statements(text: str) -> Iterator[tuple[str, list[str], int]]:
    """Table heads (``[``, ``[[``) and keys (``=``) with their parts and line."""
    parts: list[str] = []
    marks, depth, line, start, in_value = "", 0, 1, 1, False
    for token in _TOKEN.finditer(text):
        kind, piece = token.lastgroup, token.group()
        if kind == "newline" and not depth:
            if marks.startswith("["):
                yield "[[" if marks.startswith("[[") else "[", parts, start
            parts, marks, in_value = [], "", False
        elif in_value:
            depth += (piece in "[{") - (piece in "]}") if kind == "mark" else 0
        elif kind == "mark" and piece == "=":
            yield "=", parts, start
            in_value = True
        elif kind == "mark":
            marks += piece
        elif kind in ("string", "word"):
            parts = [*parts, _key_part(piece)]
        if not parts and not marks:
            start = line + (kind == "newline")
        line += piece.count("\n")
    if marks.startswith("["):
        yield "[[" if marks.startswith("[[") else "[", parts, start


def _key_part(piece: str) -> str:
    if piece[0] not in "\"'":
        return piece
    return next(iter(tomllib.loads(f"{piece} = 0")))


def _in_tables(parts: list[str], tables: dict[str, int], *, is_new: bool) -> str:
    """The name of a table with the numbers of the table lists that it lies in."""
    name = ""
    for place, part in enumerate(parts):
        name = f"{name}.{part}" if name else part
        if is_new and place == len(parts) - 1:
            tables[name] = tables.get(name, -1) + 1
        if name in tables:
            name = f"{name}[{tables[name]}]"
    return name
