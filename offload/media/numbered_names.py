"""Numbers in file names: the frame of a sequence, the part of a take; and holes among them."""

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence

_DIGITS = re.compile(rb"[0-9]+")
_TRAILING_NUMBER = re.compile(rb"(.*?)([0-9]{1,9})", re.DOTALL)
_PART = re.compile(rb"(.*[0-9A-Za-z])[_-]([0-9]{1,3})", re.DOTALL)
_DCF_NAME = re.compile(rb"[A-Za-z0-9_]{4}[0-9]{4}")
_DCF_FOLDER = re.compile(rb"[1-9][0-9]{2}[A-Za-z0-9_]{5}")

Numbered = tuple[int, int]
"""A number taken from a name, and whose name it is."""


def sequences(names: Sequence[tuple[bytes, int]]) -> list[list[Numbered]]:
    """Names that differ in one number only, put together.

    Args:
        names: (name without folder and suffix, whose it is), all from one folder.

    Returns:
        For each sequence its (number, whose it is), sorted; the number is the last one in the
        names that is not the same in all of them.
    """
    alike: dict[bytes, list[tuple[list[bytes], int]]] = defaultdict(list)
    for stem, whose in names:
        alike[_DIGITS.sub(b"#", stem)].append((_DIGITS.findall(stem), whose))
    found: list[list[Numbered]] = []
    for members in alike.values():
        found += _split(members)
    return found


def _split(members: list[tuple[list[bytes], int]]) -> list[list[Numbered]]:
    first = members[0][0]
    varying = [at for at, run in enumerate(first) if any(runs[at] != run for runs, _w in members)]
    if not varying:
        return [[(0, whose)] for _runs, whose in members]
    place = varying[-1]
    groups: dict[tuple[bytes, ...], list[Numbered]] = defaultdict(list)
    for runs, whose in members:
        rest = (*runs[:place], *runs[place + 1 :])
        groups[rest].append((int(runs[place]), whose))
    return [sorted(group) for group in groups.values()]


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
    """Runs of missing numbers, as (first, last), between the lowest and the highest."""
    found: list[tuple[int, int]] = []
    previous: int | None = None
    for each in sorted(set(numbers)):
        if previous is not None and each > previous + 1:
            found.append((previous + 1, each - 1))
        previous = each
    return found


def range_text(first: int, last: int) -> str:
    """A range for people: ``1042-1044``, or ``1042`` alone."""
    return str(first) if first == last else f"{first}-{last}"
