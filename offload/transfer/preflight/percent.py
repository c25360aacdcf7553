"""The form in which a name is written where it cannot be written as it is.

Rules, for one name (never for a whole path):

* A byte that stands in the way is written as ``%`` and its two hexadecimal digits, upper case:
  ``take 1:2.mov`` becomes ``take 1%3A2.mov``, a trailing dot ``%2E``. All other characters stay.
* A ``%`` of the name's own is written ``%25`` where two hexadecimal digits or a ``~`` follow it.
  So a name on the drive is either as it was on the card, or in this form, and nothing is both:
  replacing every ``%`` and two digits by their byte gives the card's name back, without a list.
* A name that is too long even so is cut: its beginning, ``%~``, sixteen hexadecimal digits of the
  SHA-256 of the card's name, and its suffix. This form alone needs the list of names to be undone.

The percent sign is a legal character of names on every file system in use, and the escape is that
of RFC 3986, section 2.1, with a rule of our own for when it is applied.
"""

import hashlib
import re
from collections.abc import Iterable

_ESCAPE = re.compile(rb"%([0-9A-Fa-f]{2})")
_OWN_SIGN = re.compile(r"%(?=[0-9A-Fa-f]{2}|~)")
_CUT = b"%~"
_DIGITS = 16
_LONGEST_SUFFIX = 16
_UNIT = re.compile(rb"%[0-9A-Fa-f]{2}|[\x00-\x7f]|[\xc0-\xff][\x80-\xbf]*", re.DOTALL)


def own_signs(text: str) -> set[int]:
    """Positions of the percent signs of a name that would be taken for this form's."""
    return {found.start() for found in _OWN_SIGN.finditer(text)}


def coded(text: str, positions: Iterable[int]) -> bytes:
    """The name with the characters at these positions written as escapes.

    Args:
        text: the name, decoded as UTF-8 with ``surrogateescape``.
        positions: those that stand in the way; bytes that are no UTF-8 have to be among them.
    """
    chosen = set(positions)
    return b"".join(
        b"".join(b"%%%02X" % byte for byte in raw) if at in chosen else raw
        for at, raw in enumerate(char.encode("utf-8", "surrogateescape") for char in text)
    )


def plain(name: bytes) -> bytes | None:
    """The card's name for a name on the drive; None for a cut one, which only the list can tell."""
    if _CUT in name:
        return None
    return _ESCAPE.sub(lambda found: bytes.fromhex(found[1].decode("ascii")), name)


def cut(original: bytes, written: bytes, room: int, salt: bytes = b"") -> bytes:
    """The short form of a name that is too long.

    Args:
        original: as on the card; its digest makes the short form its own.
        written: the same in the long form.
        room: how many bytes the short form may have, at least 40.
        salt: makes another digest, for the case that somebody made two names with one.
    """
    digest = hashlib.sha256(original + salt).hexdigest()[:_DIGITS].upper().encode("ascii")
    stem, dot, suffix = written.rpartition(b".")
    tail = dot + suffix if stem and len(suffix) <= _LONGEST_SUFFIX else b""
    mark = _CUT + digest + tail
    kept = b""
    for unit in _UNIT.findall(written if not tail else stem):
        if len(kept) + len(unit) + len(mark) > room:
            break
        kept += unit
    return kept + mark
