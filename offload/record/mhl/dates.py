"""Dates of the standard: ``xs:dateTime``, always written with a zone and to the second.

Source: XML Schema part 2, section 3.2.7. Times of files are hints here, never evidence; whole
seconds are what every example of the standard shows and every reader takes.
"""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND_NS = 1_000_000_000
_SECONDS_AT = len("2024-05-01T09:55:")
_FORM = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?"
    r"(Z|[+-](0[0-9]|1[0-3]):[0-5][0-9]|[+-]14:00)?"
)


def date_text(moment: datetime) -> str:
    """A moment with zone, in that zone, to the second."""
    offset = moment.utcoffset()
    if offset is None:
        raise ValueError("a date without zone is never written")
    if offset % timedelta(minutes=1):
        # Local mean times of the nineteenth century have seconds in their offset; dates have not.
        moment = moment.astimezone(UTC)
    return moment.replace(microsecond=0).isoformat()


def ns_text(time_ns: int, zone: tzinfo) -> str | None:
    """Nanoseconds since 1970 as a date in ``zone``; None outside the years 1 to 9999."""
    minute, second = divmod(time_ns // _SECOND_NS, 60)
    parts = _minute_text(minute, zone)
    return f"{parts[0]}{second:02}{parts[1]}" if parts else None


@lru_cache(1024)
def _minute_text(minute: int, zone: tzinfo) -> tuple[str, str] | None:
    """What stands before and behind the seconds; offsets that are written are whole minutes.

    Frames of one minute, and files that were copied together, come after one another.
    """
    try:
        text = date_text((_EPOCH + timedelta(minutes=minute)).astimezone(zone))
    except OverflowError:
        return None
    return text[:_SECONDS_AT], text[_SECONDS_AT + 2 :]


def read_date(text: str) -> datetime:
    """A moment with zone; a date without one is taken as UTC, parts below a microsecond are cut.

    Raises:
        ValueError: not a date and time of the standard.
    """
    stripped = text.strip(" \t\r\n")
    if _FORM.fullmatch(stripped) is None:
        raise ValueError("not a date and time")
    moment = datetime.fromisoformat(stripped)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def read_ns(text: str) -> int:
    """The same as nanoseconds since 1970.

    Raises:
        ValueError: as :func:`read_date`.
    """
    elapsed = read_date(text) - _EPOCH
    return (elapsed.days * 86400 + elapsed.seconds) * _SECOND_NS + elapsed.microseconds * 1000
