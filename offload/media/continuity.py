"""Whether the times of one card fit together: timecode within a roll, and the camera's clock.

All of it is asked, none of it keeps a card. File times are hints: FAT keeps local time in steps of
2 s, so a computer in another zone reads them wrong by whole quarter hours, up to 26 hours.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from offload.media.timecode import Timecode, parse_timecode
from offload.values.clips import ClipFacts, ClipFile
from offload.values.paths import name, to_text
from offload.values.verdict import Notice

OVERLAP = "timecode-overlap"
CLOCK_AHEAD = "camera-clock-ahead"
CLOCK_BEHIND = "camera-clock-behind"
BEFORE_FORMAT = "clip-before-format"

_NS = 1_000_000_000
_DAY_S = 24 * 60 * 60
_QUARTER_S = 15 * 60
_AHEAD_S = 120
"""A clip cannot have been recorded in the future; two minutes are two clocks set by hand."""
_BEHIND_DAYS = 7
_ZONES_S = 26 * 60 * 60
"""From UTC-12 to UTC+14."""


@dataclass(frozen=True, slots=True)
class _Span:
    start: int
    end: int
    path: bytes


def check_timecode(clips: Mapping[bytes, ClipFacts]) -> tuple[Notice, ...]:
    """Clips of one roll whose timecode overlaps that of another: two pictures under one label.

    A small companion recording of a clip has that clip's start and length, and is no overlap.

    Args:
        clips: of one roll, facts by path.
    """
    spans: dict[tuple[int, bool], list[_Span]] = defaultdict(list)
    seen: set[tuple[Timecode, int]] = set()
    for path, facts in clips.items():
        start = _start(facts)
        frames = facts.frames or 0
        if start is None or frames <= 0 or (start, frames) in seen:
            continue
        seen.add((start, frames))
        spans[start.base, start.is_drop] += _spans(start, frames, path)
    pairs = [pair for group in spans.values() for pair in _overlaps(group)]
    if not pairs:
        return ()
    first, second = pairs[0]
    paths = tuple(dict.fromkeys(path for pair in pairs for path in pair))
    more = f", and {len(pairs) - 1} more pairs" if len(pairs) > 1 else ""
    text = (
        f"timecode of {to_text(name(second))} begins before that of {to_text(name(first))} "
        f"has ended{more}: one label for two pictures (off-speed clips with time-of-day timecode "
        "do this too)"
    )
    return (Notice(OVERLAP, text, paths),)


def check_clock(files: Iterable[ClipFile], now_ns: int) -> tuple[Notice, ...]:
    """Whether the camera's clock is far from the station's.

    Args:
        files: of the clips; the newest tells when the camera last wrote.
        now_ns: the station's clock when the card came, nanoseconds since 1970.
    """
    times = [file.mtime_ns for file in files]
    if not times:
        return ()
    ahead_s = (max(times) - now_ns) // _NS
    if ahead_s > _AHEAD_S:
        return (
            Notice(
                CLOCK_AHEAD,
                f"the newest clip was written {_length(ahead_s)} in the future: the camera's clock "
                f"is ahead of this computer's{_zone_hint(ahead_s)}",
            ),
        )
    if -ahead_s > _BEHIND_DAYS * _DAY_S:
        return (
            Notice(
                CLOCK_BEHIND,
                f"the newest clip was written {_length(-ahead_s)} ago: the camera's clock is "
                "behind, or the card holds older material",
            ),
        )
    return ()


def check_format_date(files: Iterable[ClipFile], formatted_ns: int) -> tuple[Notice, ...]:
    """Clips that are older than the card's own formatting.

    Args:
        files: of the clips.
        formatted_ns: when the card was formatted, nanoseconds since 1970. Its zone is not known,
            nor that of the clips' times: a day and two hours are allowed.
    """
    limit_ns = formatted_ns - _ZONES_S * _NS
    older = tuple(file.path for file in files if file.mtime_ns < limit_ns)
    if not older:
        return ()
    clips = "1 clip is" if len(older) == 1 else f"{len(older)} clips are"
    text = (
        f"{clips} dated before the card was formatted (or last named): the camera's clock was "
        "changed, or they were put on the card by something else"
    )
    return (Notice(BEFORE_FORMAT, text, older),)


def _start(facts: ClipFacts) -> Timecode | None:
    if facts.timecode is None or facts.rate is None:
        return None
    try:
        return parse_timecode(facts.timecode.text, facts.rate)
    except ValueError:
        return None


def _spans(start: Timecode, frames: int, path: bytes) -> list[_Span]:
    """The labels a clip takes, as one run, or two when it passes midnight."""
    day = start.day_frames
    if frames >= day:
        return [_Span(0, day, path)]
    end = start.frame + frames
    if end <= day:
        return [_Span(start.frame, end, path)]
    return [_Span(start.frame, day, path), _Span(0, end - day, path)]


def _overlaps(spans: list[_Span]) -> list[tuple[bytes, bytes]]:
    """Each clip that begins inside an earlier one, with the one that reaches furthest."""
    found: list[tuple[bytes, bytes]] = []
    furthest: _Span | None = None
    for span in sorted(spans, key=lambda each: (each.start, each.end)):
        if furthest is not None and span.start < furthest.end and span.path != furthest.path:
            found.append((furthest.path, span.path))
        if furthest is None or span.end > furthest.end:
            furthest = span
    return found


def _zone_hint(seconds: int) -> str:
    off = seconds % _QUARTER_S
    is_whole = min(off, _QUARTER_S - off) <= _AHEAD_S
    if is_whole and _QUARTER_S - _AHEAD_S <= seconds <= _ZONES_S + _AHEAD_S:
        return " (by whole quarter hours: probably another time zone, or summer time)"
    return ""


def _length(seconds: int) -> str:
    if seconds >= 2 * _DAY_S:
        return f"{seconds // _DAY_S} days"
    hours, minutes = divmod(seconds // 60, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min"
