"""The camera sheet: the rolls that somebody expects, typed or as a table.

Three forms are read, told apart by their content:

* rolls, separated by spaces, commas or lines; ``A001-A005`` means all five; ``#`` starts a comment;
* a table with a heading line (comma, semicolon or tab between columns), one roll a line, in the
  column called roll, reel, card or mag.
"""

import csv
import re
from dataclasses import dataclass

from offload.errors import UsageError
from offload.media.clip_names import read_roll
from offload.values.paths import shown

MAX_ROLLS = 10_000
MAX_BYTES = 4 * 1024 * 1024

_COLUMNS = ("roll", "reel", "card", "mag")
_RANGE = re.compile(r"([A-Za-z])([0-9]{3,4})\s*-\s*([A-Za-z])([0-9]{3,4})")
_DELIMITERS = ";\t,"
_SHOWN = 40


@dataclass(frozen=True, slots=True)
class ExpectedRoll:
    """One roll that is to come.

    Attributes:
        roll: its name, such as ``A001``.
        line: of the sheet, from 1.
    """

    roll: str
    line: int


def parse_sheet(text: str) -> tuple[ExpectedRoll, ...]:
    """The rolls of a camera sheet, each once, in the order of the sheet.

    Raises:
        UsageError: something that is no roll, with its line; a range that runs backwards; too much.
    """
    lines = text.removeprefix("\ufeff").splitlines()
    found: dict[str, ExpectedRoll] = {}
    for line, roll in _table_rolls(lines) if _heading(lines) else _typed_rolls(lines):
        found.setdefault(roll, ExpectedRoll(roll, line))
        if len(found) > MAX_ROLLS:
            raise UsageError(f"line {line}: a sheet holds at most {MAX_ROLLS} rolls")
    return tuple(found.values())


def decode_sheet(data: bytes) -> str:
    """The text of a sheet that a file holds.

    Rolls are plain letters and digits; whatever other text is in an unknown encoding is not used.

    Raises:
        UsageError: larger than any sheet.
    """
    if len(data) > MAX_BYTES:
        raise UsageError(f"a camera sheet is at most {MAX_BYTES} bytes")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", "replace")
    return data.decode("utf-8-sig", "replace")


def _typed_rolls(lines: list[str]) -> list[tuple[int, str]]:
    rolls: list[tuple[int, str]] = []
    for number, line in enumerate(lines, 1):
        text = line.partition("#")[0]
        for found in _RANGE.finditer(text):
            rolls += [(number, roll) for roll in _range(found, number)]
        words = re.split(r"[\s,;]+", _RANGE.sub(" ", text))
        rolls += [(number, _roll(word, number)) for word in words if word]
    return sorted(rolls, key=lambda each: each[0])


def _table_rolls(lines: list[str]) -> list[tuple[int, str]]:
    start, delimiter, column = _heading(lines) or (0, ",", 0)
    rolls: list[tuple[int, str]] = []
    reader = csv.reader(lines[start + 1 :], delimiter=delimiter)
    try:
        for row in reader:
            cell = row[column].strip() if column < len(row) else ""
            if cell:
                rolls.append((start + 1 + reader.line_num, cell))
    except csv.Error as error:
        raise UsageError(f"line {start + 1 + reader.line_num}: {shown(str(error))}") from error
    return [(line, _roll(cell, line)) for line, cell in rolls]


def _heading(lines: list[str]) -> tuple[int, str, int] | None:
    """Where the heading is, its delimiter, and the roll's column; None when it is no table."""
    return find_column(lines, _COLUMNS)


def find_column(lines: list[str], names: tuple[str, ...]) -> tuple[int, str, int] | None:
    """The line of a table's heading, the delimiter, and the column of the first name that it has.

    Args:
        lines: of the sheet.
        names: in lower case, the likeliest first.
    """
    for number, line in enumerate(lines):
        if not line.strip():
            continue
        delimiter = max(_DELIMITERS, key=line.count)
        cells = [cell.strip(' "').lower() for cell in line.split(delimiter)]
        for name in names:
            for column, cell in enumerate(cells):
                if re.fullmatch(rf"(?:camera )?{name}(?: name| no\.?| number)?s?", cell):
                    return number, delimiter, column
        return None
    return None


def _roll(word: str, line: int) -> str:
    if read_roll(word) is None:
        raise UsageError(
            f"line {line}: '{shown(word[:_SHOWN])}' is not a roll",
            remedy="write a camera letter and 3 or 4 digits, such as A001",
        )
    return word.upper()


def _range(found: re.Match[str], line: int) -> list[str]:
    first_camera, first, last_camera, last = found.groups()
    if first_camera.upper() != last_camera.upper() or int(first) > int(last):
        raise UsageError(
            f"line {line}: '{shown(found[0])}' is no range of rolls",
            remedy="write it from low to high within one camera, such as A001-A005",
        )
    digits = len(first)
    return [f"{first_camera.upper()}{n:0{digits}}" for n in range(int(first), int(last) + 1)]
