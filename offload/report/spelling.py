"""How figures and outside text are written on a page; decimal units, dates with their zone."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, tzinfo
from fractions import Fraction

from offload.values.clips import ClipFacts
from offload.values.paths import shown

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = (
    *("Jan", "Feb", "Mar", "Apr", "May", "Jun"),
    *("Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
)
_UNITS = ("B", "KB", "MB", "GB", "TB", "PB")


@dataclass(frozen=True, slots=True)
class Spellings:
    """What other parts of the program know how to write; handed in, since none is imported here.

    Attributes:
        codec: the codec's name for a person.
        rate: a frame rate for a person.
        last_timecode: label of a clip's last frame; empty where it cannot be told.
        digest: standard text form of a raw digest, by the checksum's name.
    """

    codec: Callable[[ClipFacts], str]
    rate: Callable[[Fraction], str]
    last_timecode: Callable[[ClipFacts], str]
    digest: Callable[[str, bytes], str]


def phrase(text: str) -> str:
    """Text that was escaped where it was made, made safe once more: nothing unseen is left in it.

    A backslash stays single, since it is one of ours.
    """
    return "\\".join(safe(part) for part in text.split("\\"))


def safe(text: str) -> str:
    """A name from outside, printable; half a surrogate pair stands for no byte and is replaced."""
    try:
        return shown(text)
    except UnicodeEncodeError:
        return shown(text.encode("utf-8", "replace").decode("utf-8"))


def counted(number: int, one: str, many: str = "") -> str:
    """``1 clip``, ``2 clips``, ``40,000 clips``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def size(count: int) -> str:
    """``118.4 GB``; whole numbers below 1 MB."""
    value, unit = float(count), 0
    while value >= 999.95 and unit < len(_UNITS) - 1:
        value, unit = value / 1000, unit + 1
    return f"{value:.0f} {_UNITS[unit]}" if unit < 2 else f"{value:.1f} {_UNITS[unit]}"


def length(seconds: Fraction | None) -> str:
    """Minutes and seconds, ``2:03.4``; with hours, ``1:02:03``; empty where not known."""
    if seconds is None or seconds < 0:
        return ""
    if seconds >= 3600:
        whole = round(seconds)
        return f"{whole // 3600}:{whole % 3600 // 60:02}:{whole % 60:02}"
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02}.{tenths % 10}"


def running_time(seconds: Fraction) -> str:
    """A sum of lengths for a person: ``3 h 04 min``, ``12 min 05 s``, ``40 s``."""
    whole = round(seconds)
    hours, minutes = whole // 3600, whole % 3600 // 60
    if hours:
        return f"{hours} h {minutes:02} min"
    return f"{minutes} min {whole % 60:02} s" if minutes else f"{whole} s"


def moment(at_ns: int, zone: tzinfo | None) -> str:
    """``Tue 24 Nov 2026, 14:32:08 +0000``; names of days in English wherever it is made.

    Args:
        at_ns: nanoseconds since 1970.
        zone: to write it in; None for the machine's own.
    """
    when = datetime.fromtimestamp(at_ns // 10**9, zone).astimezone(zone)
    day = _DAYS[when.weekday()]
    month = _MONTHS[when.month - 1]
    return f"{day} {when.day} {month} {when.year}, {when:%H:%M:%S %z}"


def level(dbfs: float | None) -> str:
    """``−20.1`` with a true minus sign; empty for a channel without any signal."""
    return "" if dbfs is None else f"{dbfs:.1f}".replace("-", "\N{MINUS SIGN}")
