"""Sizes, rates and times as people say them. Decimal units throughout, as drives are sold."""

from datetime import datetime, timedelta

_UNITS = ("B", "KB", "MB", "GB", "TB", "PB")


def size(count: float) -> str:
    """``118.4 GB``; whole numbers below 1 MB."""
    value = float(count)
    unit = 0
    while value >= 999.95 and unit < len(_UNITS) - 1:
        value /= 1000
        unit += 1
    return f"{value:.0f} {_UNITS[unit]}" if unit < 2 else f"{value:.1f} {_UNITS[unit]}"


def rate(bytes_per_s: float) -> str:
    """``402 MB/s``."""
    if bytes_per_s >= 1e9:
        return f"{bytes_per_s / 1e9:.1f} GB/s"
    return f"{bytes_per_s / 1e6:.0f} MB/s"


def duration(seconds: float) -> str:
    """``40 s``, ``6 min``, ``2 h 05 min``."""
    if seconds < 1:
        return "under 1 s"
    if seconds < 90:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60)
    if minutes < 100:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def clock(moment: datetime) -> str:
    """The time of day, ``14:32``; a verdict later than today says so."""
    now = datetime.now(moment.tzinfo)
    text = moment.strftime("%H:%M")
    return text if moment.date() == now.date() else f"{text} on {moment:%a %d %b}"


def clock_after(seconds: float) -> str:
    """The time of day so many seconds from now, rounded up to the minute."""
    then = datetime.now().astimezone() + timedelta(seconds=seconds + 59)
    return clock(then.replace(second=0, microsecond=0))


def count(number: int, one: str, many: str = "") -> str:
    """``1 file``, ``41 files``, ``20,000 files``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
