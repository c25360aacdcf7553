"""Patterns for clip names, as the brief writes them.

A pattern is the name without its suffix, with fields in braces. Letters stand for themselves
whatever their case (cards keep case, and do not look at it).

=========== ==========================================
``{camera}`` one letter
``{roll}``   the roll's number, 3 or 4 digits
``{clip}``   the clip's number, 3 to 5 digits
``{date}``   6 or 8 digits
``{id}``     2 to 8 letters or digits, random
``*``        anything, also nothing
=========== ==========================================

``{camera}{roll}C{clip}*`` reads ``A001C003_261124_R2AB``.
"""

import re

_FIELDS = {
    "camera": "[a-z]",
    "roll": "[0-9]{3,4}",
    "clip": "[0-9]{3,5}",
    "date": "(?:[0-9]{8}|[0-9]{6})",
    "id": "[a-z0-9]{2,8}",
}
_PIECE = re.compile(r"\{([^{}]*)\}|(\*)|([^{}*]+)")


class NamePattern:
    """One pattern for clip names.

    Args:
        text: see the module's top.

    Raises:
        ValueError: a field that does not exist, a field twice, or none at all; the text says which.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self._regex = re.compile(_regex(text), re.IGNORECASE | re.ASCII | re.DOTALL)

    def __repr__(self) -> str:
        return f"NamePattern({self.text!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, NamePattern) and other.text == self.text

    def __hash__(self) -> int:
        return hash(self.text)

    def fields(self, stem: str) -> dict[str, str] | None:
        """What each field reads in a name without its suffix; None when it is formed otherwise."""
        found = self._regex.fullmatch(stem)
        return found.groupdict() if found else None


def _regex(text: str) -> str:
    parts: list[str] = []
    used: set[str] = set()
    end = 0
    for piece in _PIECE.finditer(text):
        if piece.start() != end:
            break
        end = piece.end()
        field, anything, literal = piece.groups()
        if field is not None:
            parts.append(_field(field, used))
        else:
            parts.append(".*" if anything else re.escape(literal))
    if end != len(text):
        raise ValueError("a brace is open or closed without its partner")
    if not used:
        raise ValueError(f"it needs at least one of {_allowed()}")
    return "".join(parts)


def _field(field: str, used: set[str]) -> str:
    if field not in _FIELDS:
        raise ValueError(f"there is no {{{field}}}; allowed are {_allowed()} and *")
    if field in used:
        raise ValueError(f"{{{field}}} stands in it twice")
    used.add(field)
    return f"(?P<{field}>{_FIELDS[field]})"


def _allowed() -> str:
    return ", ".join(f"{{{field}}}" for field in _FIELDS)
