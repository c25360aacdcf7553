"""Clips that a camera sheet lists: a table with a column for the roll and one for the clip.

A cell of the clip column holds a number (``3``, ``C003``), a name (``A001C003_261124``) or a range
(``C001-C004``). What holds no number says nothing and is left out: people write notes there.
"""

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from offload.errors import UsageError
from offload.media.camera_sheet import find_column
from offload.media.clip_names import COMMON_PATTERNS, read_clip, read_name, read_roll
from offload.media.name_pattern import NamePattern
from offload.values.clips import Clip
from offload.values.paths import shown
from offload.values.verdict import Notice

NEVER_CAME = "clips-never-came"
MAX_CLIPS = 100_000

_ROLLS = ("roll", "reel", "card", "mag")
_CLIPS = ("clip", "clip name", "file", "file name")
_NUMBER = re.compile(r"[Cc]?([0-9]{1,5})")
_RANGE = re.compile(r"[Cc]?([0-9]{1,5})\s*-\s*[Cc]?([0-9]{1,5})")
_SHOWN = 12


@dataclass(frozen=True, slots=True)
class ExpectedClip:
    """One clip that is to come.

    Attributes:
        roll: its roll, such as ``A001``.
        number: in that roll.
        line: of the sheet, from 1.
    """

    roll: str
    number: int
    line: int


def parse_sheet_clips(text: str) -> tuple[ExpectedClip, ...]:
    """The clips of a camera sheet, in its order; none where it has no column for them.

    Raises:
        UsageError: a range that runs backwards, with its line; too many.
    """
    lines = text.removeprefix("\ufeff").splitlines()
    roll_column, clip_column = find_column(lines, _ROLLS), find_column(lines, _CLIPS)
    if roll_column is None or clip_column is None:
        return ()
    start, delimiter, at_roll = roll_column
    at_clip = clip_column[2]
    found: list[ExpectedClip] = []
    reader = csv.reader(lines[start + 1 :], delimiter=delimiter)
    roll = ""
    for row in _rows(reader, start):
        line = start + 1 + reader.line_num
        cells = [cell.strip() for cell in row]
        # A roll is often written once, above the clips that follow.
        roll = (cells[at_roll] if at_roll < len(cells) else "").upper() or roll
        cell = cells[at_clip] if at_clip < len(cells) else ""
        found += [ExpectedClip(roll, number, line) for number in _numbers(cell, line)]
        if len(found) > MAX_CLIPS:
            raise UsageError(f"line {line}: a sheet holds at most {MAX_CLIPS:,} clips")
    return tuple(found)


def check_sheet_clips(
    expected: Sequence[ExpectedClip],
    roll: str,
    clips: Iterable[Clip],
    patterns: tuple[NamePattern, ...] = COMMON_PATTERNS,
) -> tuple[Notice, ...]:
    """Clips of this roll that the sheet lists and the card does not have."""
    own = read_roll(roll)
    wanted = {each.number for each in expected if own and read_roll(each.roll) == own}
    if not wanted:
        return ()
    here = {found.number for clip in clips if (found := read_clip(clip, patterns))}
    missing = sorted(wanted - here)
    if not missing:
        return ()
    names = [f"C{number:03}" for number in missing]
    more = len(names) - _SHOWN
    listed = ", ".join(names[:_SHOWN]) + (f" and {more} more" if more > 0 else "")
    verb = "is" if len(names) == 1 else "are"
    noun = "clip" if len(names) == 1 else "clips"
    text = f"{noun} {listed} {verb} on the camera sheet of {shown(roll)} and not on the card"
    return (Notice(NEVER_CAME, text),)


def _rows(reader: Iterable[list[str]], start: int) -> Iterable[list[str]]:
    try:
        yield from reader
    except csv.Error as error:
        line = start + 1 + getattr(reader, "line_num", 0)
        raise UsageError(f"line {line}: {shown(str(error))}") from error


def _numbers(cell: str, line: int) -> Iterable[int]:
    if ranged := _RANGE.fullmatch(cell):
        first, last = int(ranged[1]), int(ranged[2])
        if first > last:
            raise UsageError(
                f"line {line}: '{shown(cell)}' is no range of clips",
                remedy="write it from low to high, such as C001-C004",
            )
        return range(first, last + 1)
    if plain := _NUMBER.fullmatch(cell):
        return [int(plain[1])]
    named = read_name(cell.encode("utf-8", "surrogateescape"))
    return [named.number] if named else []
