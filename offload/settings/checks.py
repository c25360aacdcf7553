"""What each value of the settings may be, and how it is said when it is not that."""

import difflib
import re
from collections.abc import Callable
from datetime import date, time
from typing import Any

from offload.checksum import NAMES
from offload.values.paths import shown

IN_MANIFEST = ("c4", "md5", "sha1", "xxh128", "xxh3", "xxh64")
"""Checksums that the manifest's format has names for; others go into the checksum list only."""

CHECKSUMS = tuple(name for name in NAMES if name in (*IN_MANIFEST, "sha256"))


MOST_COPIES = 16

_SIZE = re.compile(r"(\d{1,12}) ?(B|KB|MB|GB|TB|KiB|MiB|GiB|TiB)")
_UNITS = {
    "B": 1,
    "KB": 10**3,
    "MB": 10**6,
    "GB": 10**9,
    "TB": 10**12,
    "KiB": 1 << 10,
    "MiB": 1 << 20,
    "GiB": 1 << 30,
    "TiB": 1 << 40,
}
_DRIVE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,38}[A-Za-z0-9]|[A-Za-z0-9]")


Check = Callable[[Any], Any]


class WrongValueError(Exception):
    """What is wrong with one value; its text says what is allowed."""


def string(value: Any) -> str:
    """Text that is not empty."""
    if not isinstance(value, str) or not value:
        raise WrongValueError(f'{_said(value)} is no text; write "..."')
    return value


def strings(value: Any) -> tuple[str, ...]:
    """A list of such texts."""
    if not isinstance(value, list | tuple):
        raise WrongValueError(f'{_said(value)} is no list; write ["...", "..."]')
    return tuple(string(each) for each in value)


def arguments(value: Any) -> tuple[str, ...]:
    """A command and its arguments."""
    if isinstance(value, str):
        raise WrongValueError(
            'a command is a list, program first: ["/usr/bin/say", "card done"]; no shell reads it'
        )
    return strings(value)


def flag(value: Any) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise WrongValueError(f"{_said(value)} is neither true nor false")
    return value


def between(low: int, high: int) -> Check:
    """A whole number within bounds."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise WrongValueError(f"{_said(value)} is no whole number from {low} to {high}")
        return value

    return check


def size(value: Any) -> int:
    """A size with its unit, as bytes."""
    match = _SIZE.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise WrongValueError(
            f'{_said(value)} is no size; write "2 GB", units: {", ".join(_UNITS)}'
        )
    return int(match.group(1)) * _UNITS[match.group(2)]


def path(value: Any) -> bytes:
    """A path as written; bytes, by which the reader knows that it has to be made absolute."""
    written = string(value).encode("utf-8", "surrogateescape")
    if b"\0" in written:
        raise WrongValueError("a path holds no NUL")
    return written


def paths(value: Any) -> tuple[bytes, ...]:
    """A list of paths."""
    return tuple(path(each) for each in strings(value))


def clock(value: Any) -> time:
    """A time of day."""
    if isinstance(value, time):
        return value
    match = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
    if match is None:
        raise WrongValueError(f'{_said(value)} is no time of day; write "06:00"')
    return time(int(match.group(1)), int(match.group(2)))


def day(value: Any) -> date:
    """A date."""
    # A date with a time is a date to isinstance, but not the day that is asked for.
    if type(value) is not date:
        raise WrongValueError(f"{_said(value)} is no day; write 2026-11-12, without quotes")
    return value


def expression(value: Any) -> str:
    """A regular expression."""
    try:
        re.compile(string(value))
    except re.error as error:
        raise WrongValueError(f"{_said(value)} is no regular expression: {error}") from error
    return str(value)


def checksum_names(value: Any) -> tuple[str, ...]:
    """Checksums by name, one of them fit for the manifest."""
    names = strings(value)
    for name in names:
        if name not in CHECKSUMS:
            close = difflib.get_close_matches(name.lower(), CHECKSUMS, n=1)
            hint = f"did you mean {close[0]}? " if close else ""
            raise WrongValueError(
                f"{_said(name)} is no checksum; {hint}allowed: {', '.join(CHECKSUMS)}"
            )
    if len(set(names)) != len(names):
        raise WrongValueError("a checksum is named twice")
    if not set(names) & set(IN_MANIFEST):
        raise WrongValueError(f"the manifest needs one of {', '.join(IN_MANIFEST)}")
    return names


def drive_name(value: Any) -> str:
    """A name that can be said, typed and written on tape."""
    if not isinstance(value, str) or not _DRIVE_NAME.fullmatch(value):
        raise WrongValueError(
            f"{_said(value)} is no drive's name; letters, digits, blank . _ - inside, up to 40"
        )
    return value


def accepted(value: Any) -> bool:
    """Whether a server's word counts."""
    if value not in ("device", "server"):
        raise WrongValueError(f'{_said(value)} is neither "device" nor "server"')
    return bool(value == "server")


def _said(value: Any) -> str:
    text = shown(str(value) if not isinstance(value, str) else f'"{value}"')
    return text if len(text) <= 60 else f"{text[:57]}..."
