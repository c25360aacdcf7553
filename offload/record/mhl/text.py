"""What XML 1.0 can hold, and how it is written (XML 1.0, sections 2.2, 2.4 and 2.11).

A carriage return would come back as a line feed, and a line feed or tab in an attribute as a blank;
all three are written as character references, everywhere, so that bytes come back unchanged.
"""

import re

from offload.values.paths import shown

_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_PLAIN = re.compile(r"[ !#-%'-;=?-~]+")
_SPECIAL = re.compile('[&<>"\t\n\r]')
_WRITTEN = {
    "&": "&amp;",
    "<": "&lt;",
    ">": "&gt;",
    '"': "&quot;",
    "\t": "&#9;",
    "\n": "&#10;",
    "\r": "&#13;",
}


def holds_name(path: bytes) -> bool:
    """Whether a manifest can hold this path, byte for byte.

    It cannot hold control characters but tab and line ends, nor bytes that are not UTF-8.
    """
    try:
        return _FORBIDDEN.search(path.decode("utf-8")) is None
    except UnicodeDecodeError:
        return False


def path_text(path: bytes) -> str:
    """A path as element content.

    Raises:
        ValueError: :func:`holds_name` says no; the caller has to keep such names away.
    """
    text = path.decode("utf-8")
    if _PLAIN.fullmatch(text):
        return text
    if _FORBIDDEN.search(text):
        raise ValueError("XML cannot hold this name")
    return escaped(text)


def free_text(text: str) -> str:
    """What a person wrote, as element or attribute content; what XML cannot hold shown escaped."""
    if _FORBIDDEN.search(text):
        text = shown(text)
    return escaped(text)


def escaped(text: str) -> str:
    """Text that XML can hold, written for element content or a quoted attribute."""
    if _SPECIAL.search(text) is None:
        return text
    return _SPECIAL.sub(lambda found: _WRITTEN[found.group()], text)
