"""Numbers in file names: the frame of a sequence, the part of a take; and holes among them."""

import re
from array import array
from collections import defaultdict
from collections.abc import Iterable, Sequence

_DIGITS = re.compile(rb"[0-9]+")
_MOST_DIGITS = 18
_LAST_NUMBER = re.compile(rb"((?:.*[^0-9])?)([0-9]{1,18})([^0-9]*)", re.DOTALL)
_TRAILING_NUMBER = re.compile(rb"(.*?)([0-9]{1,9})", re.DOTALL)
_PART = re.compile(rb"(.*[0-9A-Za-z])[_-]([0-9]{1,3})", re.DOTALL)
_DCF_NAME = re.compile(rb"[A-Za-z0-9_]{4}[0-9]{4}")
_DCF_FOLDER = re.compile(rb"[1-9][0-9]{2}[A-Za-z0-9_]{5}")

Numbered = tuple[int, int]
"""A number taken from a name, and whose name it is."""


class Sequenced:
    """Files whose names differ in one number: packed, 16 bytes each, in order of the number."""

    __slots__ = ("_is_sorted", "_numbers", "_whose")

    def __init__(self) -> None:
        self._numbers = array("Q")
        self._whose = array("Q")
        self._is_sorted = True

    def __len__(self) -> int:
        return len(self._numbers)

    def add(self, number: int, whose: int) -> None:
        """Take one more."""
        if self._numbers and number < self._numbers[-1]:
            self._is_sorted = False
        self._numbers.append(number)
        self._whose.append(whose)

    @property
    def numbers(self) -> Sequence[int]:
        """The numbers, rising."""
        self._sort()
        return self._numbers

    @property
    def files(self) -> Sequence[int]:
        """Whose they are, in the order of the numbers."""
        self._sort()
        return self._whose

    def _sort(self) -> None:
        if not self._is_sorted:
            pairs = sorted(zip(self._numbers, self._whose, strict=True))
            self._numbers = array("Q", (number for number, _whose in pairs))
            self._whose = array("Q", (whose for _number, whose in pairs))
            self._is_sorted = True


def sequences(names: Iterable[tuple[bytes, int]]) -> list[Sequenced]:
    """Names that differ in one number only, put together; a name alone belongs to none.

    The number is the last one in the names that is not the same in all of them.

    Args:
        names: (name without folder and suffix, whose it is), all from one folder.
    """
    by_last: dict[tuple[bytes, bytes], Sequenced] = defaultdict(Sequenced)
    for stem, whose in names:
        found = _LAST_NUMBER.fullmatch(stem)
        if found is not None:
            by_last[found[1], found[3]].add(int(found[2]), whose)
    sequenced = [group for group in by_last.values() if len(group) > 1]
    # Where the last number is constant (a raster, a version), an earlier one counts.
    alone = [
        (before + b"%d" % group.numbers[0] + after, group.files[0])
        for (before, after), group in by_last.items()
        if len(group) == 1
    ]
    return sequenced + _by_earlier_number(alone)


def _by_earlier_number(names: list[tuple[bytes, int]]) -> list[Sequenced]:
    alike: dict[bytes, list[tuple[list[bytes], int]]] = defaultdict(list)
    for stem, whose in names:
        alike[_DIGITS.sub(b"#", stem)].append((_DIGITS.findall(stem), whose))
    return [group for members in alike.values() for group in _split(members) if len(group) > 1]


def _split(members: list[tuple[list[bytes], int]]) -> list[Sequenced]:
    first = members[0][0]
    varying = [at for at, run in enumerate(first) if any(runs[at] != run for runs, _w in members)]
    if not varying:
        return []
    place = varying[-1]
    groups: dict[tuple[bytes, ...], Sequenced] = defaultdict(Sequenced)
    for runs, whose in members:
        if len(runs[place]) <= _MOST_DIGITS:
            groups[(*runs[:place], *runs[place + 1 :])].add(int(runs[place]), whose)
    return list(groups.values())


def trailing_number(stem: bytes) -> tuple[bytes, int] | None:
    """A name without the number at its end, and that number; None without one."""
    found = _TRAILING_NUMBER.fullmatch(stem)
    if found is None or found[1][-1:].isdigit():
        return None
    return found[1], int(found[2])


def part_number(stem: bytes) -> tuple[bytes, int] | None:
    """A name without ``_01`` or ``-01`` at its end, and that number; None without one."""
    found = _PART.fullmatch(stem)
    return (found[1], int(found[2])) if found else None


def is_dcf(folder: bytes, stem: bytes) -> bool:
    """Whether this is a still camera's object: such names count objects, not frames.

    Source: JEITA CP-3461, folder and file names.
    """
    parts = folder.split(b"/")
    return bool(
        len(parts) >= 2
        and parts[-2].upper() == b"DCIM"
        and _DCF_FOLDER.fullmatch(parts[-1])
        and _DCF_NAME.fullmatch(stem)
    )


def holes(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Runs of missing numbers, as (first, last), between the lowest and the highest.

    Args:
        numbers: rising; one that is there twice does no harm.
    """
    found: list[tuple[int, int]] = []
    previous: int | None = None
    for each in numbers:
        if previous is not None and each > previous + 1:
            found.append((previous + 1, each - 1))
        previous = each
    return found


def range_text(first: int, last: int) -> str:
    """A range for people: ``1042-1044``, or ``1042`` alone."""
    return str(first) if first == last else f"{first}-{last}"
