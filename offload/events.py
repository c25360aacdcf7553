"""Typed events that mark boundaries: a step began, a step ended, something was found.

Events are few and are never dropped; progress is not pushed but sampled from the passes' own
counters. A verdict rests on recorded results and never on an event.
"""

from collections.abc import Callable
from dataclasses import dataclass

from offload.values.findings import Finding


@dataclass(frozen=True, slots=True)
class StepStarted:
    """A step begins: ``inventory``, ``preflight``, ``copying``, ``proving``, ``record``."""

    step: str


@dataclass(frozen=True, slots=True)
class StepFinished:
    """The step that started under this name has ended."""

    step: str
    elapsed_s: float


@dataclass(frozen=True, slots=True)
class CardListed:
    """The inventory stands."""

    files: int
    total_bytes: int
    digest: str


@dataclass(frozen=True, slots=True)
class CardCoded:
    """The card has been read once and its code is known."""

    code: str


@dataclass(frozen=True, slots=True)
class RollNamed:
    """The roll's name on the drives is known."""

    roll: str


@dataclass(frozen=True, slots=True)
class Found:
    """A step reports a finding."""

    finding: Finding


@dataclass(frozen=True, slots=True)
class DriveRoom:
    """What will be free on a drive when the card is on it, bytes."""

    drive: str
    free_at_end_bytes: int


@dataclass(frozen=True, slots=True)
class DriveReadBack:
    """A drive has been read to the end: of so many files, so many are shown to be equal."""

    drive: str
    files: int
    equal: int


@dataclass(frozen=True, slots=True)
class DriveDropped:
    """A drive has failed and takes no more part; the others go on."""

    drive: str
    reason: str


Event = (
    StepStarted
    | StepFinished
    | CardListed
    | CardCoded
    | RollNamed
    | Found
    | DriveRoom
    | DriveReadBack
    | DriveDropped
)
Sink = Callable[[Event], None]


def no_sink(event: Event) -> None:
    """Nobody looks."""
