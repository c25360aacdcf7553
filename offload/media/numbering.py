"""Numbers that should follow one another: clips within a roll, rolls within a production.

A hole is a question, never a fault: a clip deleted in camera leaves one too. So everything here is
a notice. The first number need not be 1 (a card can begin in the middle of a roll), and a counter
that has reached 9999 goes on at 1 (DCF).
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from offload.media.camera_sheet import ExpectedRoll
from offload.media.clip_names import (
    COMMON_PATTERNS,
    ClipName,
    read_clip,
    read_counter,
    read_roll,
)
from offload.media.name_pattern import NamePattern
from offload.values.clips import Clip, ClipFacts
from offload.values.paths import name, shown
from offload.values.verdict import Notice

MISSING = "clips-missing"
DOUBLED = "clips-doubled"
OTHER_ROLL = "clips-of-another-roll"
ROLL_SKIPPED = "roll-skipped"
ROLL_TWICE = "roll-used-twice"
ROLL_NEVER_CAME = "roll-never-came"
ROLL_UNEXPECTED = "roll-not-on-sheet"

_SHOWN_RANGES = 8


@dataclass(frozen=True, slots=True)
class Numbering:
    """What the clips' names say of one card.

    Attributes:
        notices: for the camera team.
        unrecognised: clips whose names hold no number that we understand; not a fault.
    """

    notices: tuple[Notice, ...]
    unrecognised: tuple[bytes, ...] = ()


@dataclass(frozen=True, slots=True)
class KnownRoll:
    """One roll that this production has offloaded.

    Attributes:
        roll: its name.
        card_code: of its content; two codes under one name are two cards.
    """

    roll: str
    card_code: str


@dataclass(frozen=True, slots=True)
class _Numbered:
    clip: Clip
    name: ClipName


def check_clips(
    clips: Iterable[Clip],
    roll: str = "",
    patterns: tuple[NamePattern, ...] = COMMON_PATTERNS,
    facts: Mapping[bytes, ClipFacts] | None = None,
    other_paths: Iterable[bytes] = (),
) -> Numbering:
    """Missing and doubled clip numbers on one card, and clips that name another roll.

    Args:
        clips: of the card.
        roll: what the production calls the card; empty when unknown.
        patterns: for the names.
        facts: by clip path; tells small companion recordings of a clip from a second clip.
        other_paths: the rest of the inventory: a still picture takes a number of the counter too.
    """
    series: dict[tuple[bool, str], list[_Numbered]] = defaultdict(list)
    unrecognised: list[bytes] = []
    for clip in clips:
        found = read_clip(clip, patterns)
        if found is None:
            unrecognised.append(clip.path)
        else:
            series[found.is_pattern, found.series].append(_Numbered(clip, found))
    taken = _counters(other_paths, series)
    notices: list[Notice] = []
    for _key, members in sorted(series.items()):
        notices += _gaps(members, taken)
        notices += _doubles(members, facts or {})
    notices += _other_roll(series, roll)
    return Numbering(tuple(notices), tuple(unrecognised))


def check_rolls(rolls: Sequence[KnownRoll]) -> tuple[Notice, ...]:
    """Roll numbers skipped, or used twice, in a whole production.

    A part (``A001-2``) is its roll's own card, come back with more: no second use of the number.
    """
    cards: dict[tuple[str, int], set[str]] = defaultdict(set)
    names: dict[tuple[str, int], str] = {}
    for known in rolls:
        if read := read_roll(known.roll):
            codes = cards[read]
            if "-" not in known.roll:
                codes.add(known.card_code)
            names.setdefault(read, _whole_roll(known.roll))
    notices = [
        Notice(
            ROLL_TWICE,
            f"roll {names[key]} was used for {len(codes)} different cards "
            f"({', '.join(sorted(codes))})",
        )
        for key, codes in sorted(cards.items())
        if len(codes) > 1
    ]
    by_camera: dict[str, list[int]] = defaultdict(list)
    for camera, number in cards:
        by_camera[camera].append(number)
    for camera, numbers in sorted(by_camera.items()):
        if holes := _holes(numbers):
            digits = len(names[camera, min(numbers)]) - 1
            missing = _ranges_text(holes, digits, camera)
            notices.append(
                Notice(ROLL_SKIPPED, f"camera {camera}: {missing} never came, later rolls did")
            )
    return tuple(notices)


def check_sheet(expected: Sequence[ExpectedRoll], rolls: Iterable[str]) -> tuple[Notice, ...]:
    """Rolls of the camera sheet that never came, and rolls that came and are not on it."""
    here = {read for roll in rolls if (read := read_roll(roll))}
    asked = {read: each.roll for each in expected if (read := read_roll(each.roll))}
    missing = [roll for read, roll in asked.items() if read not in here]
    notices = []
    if missing:
        has = (
            "is on the camera sheet and has"
            if len(missing) == 1
            else "are on the camera sheet and have"
        )
        notices.append(Notice(ROLL_NEVER_CAME, f"{_list(missing)} {has} not come"))
    cameras = {camera for camera, _number in asked}
    extra = sorted(read for read in here - asked.keys() if read[0] in cameras)
    if extra:
        names = [f"{camera}{number:03}" for camera, number in extra]
        came = "came and is" if len(extra) == 1 else "came and are"
        notices.append(Notice(ROLL_UNEXPECTED, f"{_list(names)} {came} not on the camera sheet"))
    return tuple(notices)


def _counters(
    paths: Iterable[bytes], series: Mapping[tuple[bool, str], list[_Numbered]]
) -> set[tuple[int, int]]:
    """Numbers, with their digits, that other files of a plain counter have taken."""
    if not any(not is_pattern for is_pattern, _name in series):
        return set()
    found = (read_counter(path) for path in paths)
    return {(each.digits, each.number) for each in found if each}


def _gaps(members: list[_Numbered], taken: set[tuple[int, int]]) -> list[Notice]:
    first = members[0].name
    digits = first.digits
    holes = _holes((each.name.number for each in members), wraps_at=10**digits - 1)
    if not first.is_pattern:
        holes = _not_taken(holes, digits, taken)
        # A number at the end of a name need not be a counter: thin rows of them say nothing.
        if _count(holes) > max(10, len(members)):
            return []
    if not holes:
        return []
    prefix = "C" if first.is_pattern else first.series
    where = f"roll {first.roll}: " if first.roll else ""
    is_one = _count(holes) == 1
    noun, verb = ("clip", "is") if is_one else ("clips", "are")
    text = (
        f"{where}{noun} {_ranges_text(holes, digits, prefix)} {verb} missing in the numbering "
        "(deleted in camera, or on another card?)"
    )
    return [Notice(MISSING, text)]


def _doubles(members: list[_Numbered], facts: Mapping[bytes, ClipFacts]) -> list[Notice]:
    by_number: dict[int, list[_Numbered]] = defaultdict(list)
    for each in members:
        by_number[each.name.number].append(each)
    notices = []
    for _number, same in sorted(by_number.items()):
        rivals = _rivals(same, facts)
        if len(rivals) > 1:
            what = shown(name(rivals[0].clip.path).decode("utf-8", "surrogateescape"))
            number = f"{same[0].name.number:0{same[0].name.digits}}"
            where = f"roll {same[0].name.roll}: " if same[0].name.roll else ""
            text = f"{where}clip number {number} is there {len(rivals)} times ({what} and others)"
            notices.append(Notice(DOUBLED, text, tuple(each.clip.path for each in rivals)))
    return notices


def _rivals(same: list[_Numbered], facts: Mapping[bytes, ClipFacts]) -> list[_Numbered]:
    """The clips of one number that are recordings of their own.

    A camera that records a small companion of each clip gives it the clip's name in another folder
    or with another suffix; its raster, codec or suffix differs. What differs in none of them is a
    second clip.
    """
    kinds: dict[object, list[_Numbered]] = defaultdict(list)
    for each in same:
        suffix = name(each.clip.path).lower().rpartition(b".")[2]
        fact = facts.get(each.clip.path, ClipFacts())
        kinds[suffix, fact.width, fact.height, fact.codec].append(each)
    return max(kinds.values(), key=len)


def _other_roll(series: Mapping[tuple[bool, str], list[_Numbered]], roll: str) -> list[Notice]:
    own = read_roll(roll)
    if own is None:
        return []
    notices = []
    for (_is_pattern, label), members in sorted(series.items()):
        named = read_roll(label)
        if named is not None and named != own:
            clips = "1 clip names" if len(members) == 1 else f"{len(members)} clips name"
            text = f"{clips} roll {label}, but this card is called {shown(roll)}"
            notices.append(Notice(OTHER_ROLL, text, tuple(each.clip.path for each in members)))
    return notices


def _holes(numbers: Iterable[int], wraps_at: int = 0) -> list[tuple[int, int]]:
    """The inclusive ranges missing between the lowest and the highest number."""
    there = sorted(set(numbers))
    holes = [(a + 1, b - 1) for a, b in pairwise(there) if b - a > 1]
    if wraps_at and holes and there[-1] == wraps_at and there[0] <= 1:
        # The counter has gone round: the widest hole is what has not been reached yet.
        holes.remove(max(holes, key=lambda hole: hole[1] - hole[0]))
    return holes


def _not_taken(
    holes: list[tuple[int, int]], digits: int, taken: set[tuple[int, int]]
) -> list[tuple[int, int]]:
    if not taken:
        return holes
    left: list[tuple[int, int]] = []
    inside = sorted({number for width, number in taken if width == digits})
    for start, end in holes:
        at = start
        for number in inside[bisect_left(inside, start) : bisect_right(inside, end)]:
            if number > at:
                left.append((at, number - 1))
            at = number + 1
        if at <= end:
            left.append((at, end))
    return left


def _count(holes: list[tuple[int, int]]) -> int:
    return sum(end - start + 1 for start, end in holes)


def _ranges_text(holes: list[tuple[int, int]], digits: int, prefix: str) -> str:
    safe = shown(prefix)
    parts = [
        f"{safe}{start:0{digits}}"
        if start == end
        else f"{safe}{start:0{digits}} to {safe}{end:0{digits}}"
        for start, end in holes
    ]
    return _list(parts)


def _list(parts: list[str]) -> str:
    kept = parts[:_SHOWN_RANGES]
    if rest := len(parts) - len(kept):
        return f"{', '.join(kept)} and {rest} more"
    return " and ".join([", ".join(kept[:-1]), kept[-1]]) if len(kept) > 1 else kept[0]


def _whole_roll(roll: str) -> str:
    return roll.partition("-")[0].upper()
