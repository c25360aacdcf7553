"""What stands in the way, found before the first byte, and which of three things it does."""

from dataclasses import dataclass
from enum import Enum

_UNITS = ("bytes", "kB", "MB", "GB", "TB", "PB")


class Consequence(Enum):
    """What a problem does to the run; in the order in which problems are told."""

    STOP = "stop"
    """Nothing is copied at all."""
    DROP_DRIVE = "drop-drive"
    """This drive gets no byte; the others go on."""
    HELD_LATER = "held-later"
    """Everything is copied, and the card will be held for this reason."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that stands in the way.

    Attributes:
        kind: what it does to the run.
        code: kebab-case, stable; that of the hold for what will be held later.
        text: what is wrong, one sentence, outside text escaped.
        remedy: what to do.
        drive: name of the drive concerned; empty when it is about the card or the whole.
        paths: on the card, those concerned, at most :data:`MOST_PATHS`.
    """

    kind: Consequence
    code: str
    text: str
    remedy: str
    drive: str = ""
    paths: tuple[bytes, ...] = ()


MOST_PATHS = 20


def stop(code: str, text: str, remedy: str, *, drive: str = "") -> Problem:
    """A problem that stops the run."""
    return Problem(Consequence.STOP, code, text, remedy, drive)


def drop(
    code: str, text: str, remedy: str, *, drive: str, paths: tuple[bytes, ...] = ()
) -> Problem:
    """A problem that drops one drive."""
    return Problem(Consequence.DROP_DRIVE, code, text, remedy, drive, paths[:MOST_PATHS])


def held_later(
    code: str, text: str, remedy: str, *, drive: str = "", paths: tuple[bytes, ...] = ()
) -> Problem:
    """A problem that will keep the card."""
    return Problem(Consequence.HELD_LATER, code, text, remedy, drive, paths[:MOST_PATHS])


def size_text(size_bytes: int) -> str:
    """A size as on the screens, in powers of 1000: ``118.4 GB``, ``512 bytes``."""
    value = float(size_bytes)
    for unit in _UNITS:
        if value < 999.95 or unit == _UNITS[-1]:
            break
        value /= 1000
    return f"{size_bytes} bytes" if unit == "bytes" else f"{value:.1f} {unit}"
