"""Paths as bytes, and their one reversible text form.

Rules:

* A path is relative to its root (a card, a copy), parts joined by ``/``, no leading or trailing
  ``/``, no ``.`` or ``..`` part, any other byte but NUL. The root itself is ``b""``.
* Its text form is the same everywhere: on screens, in JSON, in the ledger's readable columns, in
  error texts. Printable characters of valid UTF-8 stand for themselves; a backslash is doubled;
  every byte of anything else (control characters, line and paragraph separators, bidirectional
  marks, invalid UTF-8) is written ``\\xNN``. So no name can move the cursor, and none is lost.
"""

import re
import unicodedata

_ESCAPE = re.compile(r"\\(\\|x[0-9a-f]{2})")
_PLAIN = re.compile(r"[ -\[\]-~]*")
_UNCLEAN = frozenset({b"", b".", b".."})

# Cc, Cf, Cs, Co, Cn, Zl and Zp can hide, reorder or break what a person reads (Unicode UAX #44).
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def to_text(path: bytes) -> str:
    """The reversible, printable form of a path or of any other outside bytes."""
    text = path.decode("utf-8", "surrogateescape")
    if _PLAIN.fullmatch(text):
        return text
    return "".join(_escaped(char) for char in text)


def from_text(text: str) -> bytes:
    """The bytes that :func:`to_text` was given.

    Raises:
        ValueError: a backslash that starts no escape of ours.
    """
    parts: list[bytes] = []
    end = 0
    for found in _ESCAPE.finditer(text):
        parts.append(_unescaped_part(text[end : found.start()]))
        code = found.group(1)
        parts.append(b"\\" if code == "\\" else bytes.fromhex(code[1:]))
        end = found.end()
    parts.append(_unescaped_part(text[end:]))
    return b"".join(parts)


def shown(text: str) -> str:
    """Outside text (a label, a device's model, an author's name) made safe for a screen."""
    return to_text(text.encode("utf-8", "surrogateescape"))


def is_clean(path: bytes) -> bool:
    """Whether a path from outside keeps the rules above, and so cannot leave its root."""
    return b"\0" not in path and _UNCLEAN.isdisjoint(path.split(b"/"))


def parent(path: bytes) -> bytes:
    """The folder that holds ``path``; ``b""`` for what lies at the root."""
    return path.rpartition(b"/")[0]


def name(path: bytes) -> bytes:
    """The last part of ``path``."""
    return path.rpartition(b"/")[2]


def join(folder: bytes, entry: bytes) -> bytes:
    """``entry`` below ``folder``, either of which may be the root."""
    if not folder:
        return entry
    return folder + b"/" + entry if entry else folder


def is_within(path: bytes, folder: bytes) -> bool:
    """Whether a path is this folder or lies below it; all lie below ``b""``."""
    return not folder or path == folder or path.startswith(folder + b"/")


def _escaped(char: str) -> str:
    if char == "\\":
        return "\\\\"
    if unicodedata.category(char) in _UNSEEN:
        return "".join(f"\\x{byte:02x}" for byte in char.encode("utf-8", "surrogateescape"))
    return char


def _unescaped_part(text: str) -> bytes:
    if "\\" in text:
        raise ValueError(f"a backslash that starts no escape: {text!r}")
    return text.encode("utf-8")
