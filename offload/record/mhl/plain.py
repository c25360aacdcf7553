"""Records of files in their plainest form, taken from the bytes of a manifest without a parser.

Nearly every record of a large manifest has the form that all writers give it: known attributes in
their usual order, no reference, comment or foreign element. One expression takes such a record in
a third of the time that a parser and its nodes need. It takes only what the parser would take to
mean the same; whatever is odd is declined here, and the parser judges it.
"""

import re
from binascii import unhexlify
from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import lru_cache

from offload.checksum import digest_size
from offload.record.mhl.dates import read_date, read_ns
from offload.record.mhl.digests import fast_c4_digests
from offload.record.mhl.model import FORMATS, Action, Hash, HashRecord
from offload.values.paths import is_clean

_WHITE = r"[ \t\r\n]*+"
_DATE = (
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]"
    r"(?:Z|[+-](?:0[0-9]|1[0-3]):[0-5][0-9])"
)


def _hash_form(name: str) -> str:
    digest = "c4[1-9A-HJ-NP-Za-km-z]{88}" if name == "c4" else f"[0-9A-Fa-f]{{{_digits(name)}}}"
    attributes = rf' action="(original|verified|failed)"(?: hashdate="({_DATE})")?'
    return rf"(?:<{name}{attributes}>({digest})</{name}>{_WHITE})?"


def _digits(name: str) -> int:
    return 2 * digest_size(name)


PLAIN = re.compile(
    (
        rf"({_WHITE})<hash>{_WHITE}"
        r'<path(?: size="([0-9]{1,19})")?'
        rf'(?: creationdate="({_DATE})")?(?: lastmodificationdate="({_DATE})")?>'
        # Neither tab nor line end, which a parser may change, nor what stands for another sign.
        r"([^<>&\x00-\x1f]{1,4096})</path>"
        rf"{_WHITE}{''.join(_hash_form(name) for name in FORMATS)}</hash>"
    ).encode("ascii")
)
"""One record with the white space before it, which is the first group."""

_HASHES_FROM = 5
_C4_GROUP = _HASHES_FROM + 3
_PLACES = tuple((name, _HASHES_FROM + 3 * at) for at, name in enumerate(FORMATS))
_ACTIONS = {action.value.encode("ascii"): action for action in Action}
# Signs that no XML document can hold (XML 1.0, section 2.2), as UTF-8.
_NO_SIGNS = (b"\xef\xbf\xbe", b"\xef\xbf\xbf")
_T_AT, _ZONE_AT = 11, 19


def plain_records(found: Sequence[re.Match[bytes]]) -> Iterator[HashRecord | None]:
    """The records that :data:`PLAIN` found; None where the parser has to judge one."""
    c4_texts = [text for one in found if (text := one[_C4_GROUP])]
    try:
        c4_digests = iter(fast_c4_digests(c4_texts))
    except ValueError:
        # Nobody writes such a one; which of them it is, the parser will tell.
        yield None
        return
    for one in found:
        groups = one.groups()
        c4 = next(c4_digests) if groups[_C4_GROUP - 1] else b""
        yield _record(groups, c4)


def _record(groups: tuple[bytes, ...], c4: bytes) -> HashRecord | None:
    size, created, changed, path = groups[1:5]
    if not is_clean(path) or not (path.isascii() or _is_text(path)):
        return None
    try:
        hashes = [
            Hash(
                name,
                unhexlify(groups[at + 2]) if at != _HASHES_FROM else c4,
                _ACTIONS[groups[at]],
                _date(groups[at + 1]) if groups[at + 1] else None,
            )
            for name, at in _PLACES
            if groups[at]
        ]
        if not hashes:
            return None
        return HashRecord(
            path,
            tuple(hashes),
            int(size) if size else None,
            _time_ns(changed) if changed else None,
            _time_ns(created) if created else None,
        )
    except (ValueError, OverflowError):
        return None


def _is_text(path: bytes) -> bool:
    try:
        path.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return not any(sign in path for sign in _NO_SIGNS)


@lru_cache(256)
def _date(text: bytes) -> datetime:
    return read_date(text.decode("ascii"))


def _time_ns(text: bytes) -> int:
    """As :func:`~offload.record.mhl.dates.read_ns`, the day and zone looked up."""
    seconds = int(text[11:13]) * 3600 + int(text[14:16]) * 60 + int(text[17:19])
    return _midnight_ns(text[:_T_AT] + b"00:00:00" + text[_ZONE_AT:]) + seconds * 1_000_000_000


@lru_cache(1024)
def _midnight_ns(text: bytes) -> int:
    return read_ns(text.decode("ascii"))
