"""What was found of a statement that one copy was made from another: plain values."""

from dataclasses import dataclass
from enum import Enum

from offload.clearance.descent import Descent


class DescentState(Enum):
    """What such a statement is worth."""

    SIGNED = "signed"
    """Signed by a known key, about a generation of the history beside it."""
    UNKNOWN_KEY = "unknown-key"
    NOT_SIGNED = "not-signed"
    BAD_SIGNATURE = "bad-signature"
    OTHER_KEY = "other-key"
    """Signed by another key than the one that it names."""
    MALFORMED = "malformed"
    OTHER_COPY = "other-copy"
    """The manifest that it says was written with the copy is not in the history beside it."""


DESCENTS_TOLERATED = frozenset({DescentState.SIGNED, DescentState.UNKNOWN_KEY})
"""States that contradict nothing."""


@dataclass(frozen=True, slots=True)
class DescentReport:
    """One such statement.

    Attributes:
        path: of its file.
        state: see there.
        descent: what it says; nothing where it cannot be read.
        why: details; escaped.
    """

    path: bytes
    state: DescentState
    descent: Descent | None = None
    why: str = ""
