"""The small language in which layout rules name files and folders.

``/`` between parts; inside a part ``*`` any characters, ``?`` one, ``#`` one digit, ``[A-Z]`` one
of these, ``{a,b}`` either; ``**`` as a whole part: none, one or two folders. A trailing ``/`` makes
it a pattern for folders. Every other character means itself. Only our own and the settings' text
is ever a pattern; names from a card never are.
"""

import re
from collections.abc import Iterable, Iterator
from functools import lru_cache

LONGEST = 200
_STARS_A_PART = 3
_DEEP = "**"
_DEEP_EXPRESSION = "(?:[^/]+/){0,2}"


def pattern_fault(pattern: str) -> str:
    """Why a text is no pattern, as a phrase; empty when it is one."""
    if not pattern.strip("/"):
        return "is empty"
    if len(pattern) > LONGEST:
        return f"is longer than {LONGEST} characters"
    if pattern.startswith("/") or "//" in pattern:
        return "has an empty part"
    if any(part in (".", "..") for part in pattern.split("/")):
        return "has a part . or .."
    if any(part != _DEEP and part.count("*") > _STARS_A_PART for part in pattern.split("/")):
        return f"has more than {_STARS_A_PART} '*' in one part"
    try:
        _expression(pattern.rstrip("/"))
    except ValueError as error:
        return str(error)
    return ""


def is_for_folders(pattern: str) -> bool:
    """Whether a pattern is about folders."""
    return pattern.endswith("/")


class Matcher:
    """Several patterns, asked about one path at a time.

    Cards hold up to a million frames, so patterns are sorted by the suffix that they end in and
    only those of the path's own suffix are tried.

    Args:
        patterns: each of them and whether letter case says nothing in it.

    Raises:
        ValueError: one is no pattern, see :func:`pattern_fault`.
    """

    def __init__(self, patterns: Iterable[tuple[str, bool]]) -> None:
        self._by_suffix: dict[str, list[tuple[str, re.Pattern[str]]]] = {}
        self._others: list[tuple[str, re.Pattern[str]]] = []
        for pattern, ignore_case in patterns:
            entry = (pattern, _compiled(pattern, ignore_case))
            suffixes = _suffixes(pattern)
            if not suffixes:
                self._others.append(entry)
            for suffix in suffixes:
                self._by_suffix.setdefault(suffix, []).append(entry)

    def matches(self, path: str) -> bool:
        """Whether any pattern names this path."""
        return next(self.hits(path), None) is not None

    def hits(self, path: str) -> Iterator[str]:
        """The patterns that name this path."""
        likely = self._by_suffix.get(path.rpartition(".")[2].lower(), ())
        for pattern, expression in (*likely, *self._others):
            if expression.fullmatch(path):
                yield pattern


@lru_cache(maxsize=512)
def _compiled(pattern: str, ignore_case: bool) -> re.Pattern[str]:
    # ASCII: a digit is one of ten, and no letter of another script is an A in disguise.
    flags = re.ASCII | (re.IGNORECASE if ignore_case else 0)
    return re.compile(_expression(pattern.rstrip("/")), flags)


def _suffixes(pattern: str) -> list[str]:
    """What the names matched can end in after their last dot; empty where that is open."""
    stem, dot, ending = pattern.rpartition(".")
    if not dot or stem.count("{") != stem.count("}"):
        return []
    inner = ending.removeprefix("{").removesuffix("}")
    if not re.fullmatch(r"[A-Za-z0-9]+(,[A-Za-z0-9]+)*", inner):
        return []
    return [suffix.lower() for suffix in inner.split(",")]


def _expression(pattern: str) -> str:
    made = ""
    parts = pattern.split("/")
    depth = 0
    for number, part in enumerate(parts):
        last = number == len(parts) - 1
        if part == _DEEP and not last:
            made += _DEEP_EXPRESSION
            continue
        text, depth = _part(part, depth)
        made += text if last else text + "/"
    if depth:
        raise ValueError("has a '{' without '}'")
    return made


def _part(part: str, depth: int) -> tuple[str, int]:
    """The expression of one part; braces may reach over ``/``, so their depth goes on."""
    made = ""
    rest = iter(part)
    for char in rest:
        if char == "{":
            depth += 1
            if depth > 1:
                raise ValueError("has a '{' inside '{...}'")
            made += "(?:"
        elif char == "}":
            depth -= 1
            if depth < 0:
                raise ValueError("has a '}' without '{'")
            made += ")"
        elif char == "," and depth:
            made += "|"
        elif char == "[":
            made += _one_of(rest)
        else:
            made += _ANY.get(char) or re.escape(char)
    return made, depth


_ANY = {"*": "[^/]*", "?": "[^/]", "#": "[0-9]"}


def _one_of(rest: Iterator[str]) -> str:
    chosen = ""
    for char in rest:
        if char == "]":
            break
        chosen += char
    else:
        raise ValueError("has a '[' without ']'")
    if not re.fullmatch(r"(?:[A-Za-z0-9](?:-[A-Za-z0-9])?|[ ._-])+", chosen):
        raise ValueError(
            f"has '[{chosen}]': only letters, digits and ranges of them can stand there"
        )
    try:
        re.compile(f"[{chosen}]")
    except re.error as error:
        raise ValueError(f"has '[{chosen}]', a range that runs backwards") from error
    return f"[{chosen}]"
