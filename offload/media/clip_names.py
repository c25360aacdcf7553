"""What a clip's file name says: camera, roll, clip number; by a pattern, and by nothing else.

A name that no pattern reads is in a state of its own, "not recognised": that is not a fault.
Naming by camera letter, roll and clip number is common practice; the file names of a still camera's
folders are those of the DCF standard (CIPA DC-009).
"""

import re
from dataclasses import dataclass

from offload.media.name_pattern import NamePattern
from offload.values.clips import Clip, ClipKind
from offload.values.paths import name, parent

_COUNTED = re.compile(r"(.*?)([0-9]{3,6})", re.DOTALL)
_ROLL = re.compile(r"([A-Za-z])([0-9]{3,4})(?:-[0-9]{1,3})?")


@dataclass(frozen=True, slots=True)
class ClipName:
    """What one name says.

    Attributes:
        roll: such as ``A001``, in capitals; empty when the name holds none.
        series: what counts together: the roll, or what stands before the number.
        number: the clip's number in that series.
        digits: how many digits it is written with, so that it can be shown the same way.
        is_pattern: read by a pattern; false for a plain counter at the end of a name.
    """

    roll: str
    series: str
    number: int
    digits: int
    is_pattern: bool


COMMON_PATTERNS = (
    NamePattern("{camera}{roll}C{clip}*"),
    NamePattern("{camera}{roll}_C{clip}*"),
    NamePattern("{camera}_{roll}C{clip}*"),
    NamePattern("{camera}_{roll}_C{clip}*"),
)
"""Tried one after the other when the brief names no pattern."""


def read_name(path: bytes, patterns: tuple[NamePattern, ...] = COMMON_PATTERNS) -> ClipName | None:
    """What a clip's name says.

    A name that no pattern reads, and that ends in 3 to 6 digits, is taken for a plain counter
    (``C0001``, ``ABCD0001``, ``00000``). A number in front or in the middle is not: it may be a
    date.

    Args:
        path: of the clip, as in :attr:`offload.values.clips.Clip.path`.
        patterns: in the order in which they are tried.
    """
    return _read(path, patterns) or read_counter(path)


def read_clip(clip: Clip, patterns: tuple[NamePattern, ...] = COMMON_PATTERNS) -> ClipName | None:
    """What the name of a clip says; for a folder of frames the folder's own name."""
    if clip.kind is not ClipKind.FRAMES:
        return read_name(clip.path, patterns)
    # The number at the end of a frame's name counts frames, so only a folder's is a counter.
    folder = parent(clip.path)
    return _read(clip.path, patterns) or _read(folder, patterns) or read_counter(folder)


def read_counter(path: bytes) -> ClipName | None:
    """The plain counter at the end of a name; None where there is none."""
    found = _COUNTED.fullmatch(_stem(path))
    if not found or found[1][-1:].isdigit():
        return None
    return ClipName("", found[1].upper(), int(found[2]), len(found[2]), False)


def read_roll(roll: str) -> tuple[str, int] | None:
    """Camera letter and number of a roll's name: ``("A", 1)`` for ``A001`` and for ``A001-2``.

    A part (``-2``) is the same roll, come back with more material. None for sound rolls, drones and
    whatever else is named by another rule.
    """
    found = _ROLL.fullmatch(roll)
    return (found[1].upper(), int(found[2])) if found else None


def is_named_by(path: bytes, pattern: NamePattern) -> bool:
    """Whether the file's name is formed as the pattern says."""
    return pattern.fields(_stem(path)) is not None


def _read(path: bytes, patterns: tuple[NamePattern, ...]) -> ClipName | None:
    for pattern in patterns:
        fields = pattern.fields(_stem(path)) or {}
        if clip := fields.get("clip"):
            roll = fields.get("camera", "").upper() + fields.get("roll", "")
            return ClipName(roll, roll or "clips", int(clip), len(clip), True)
    return None


def _stem(path: bytes) -> str:
    stem = name(path).decode("utf-8", "surrogateescape")
    return stem.rpartition(".")[0] or stem
