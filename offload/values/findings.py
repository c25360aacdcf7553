"""A fact that a step reports about a path or a drive."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """What one step found, where, in its own words.

    Attributes:
        code: kebab-case kind, stable.
        text: what happened, a phrase without path and drive, outside text in it already escaped.
        path: bytes relative to the card or copy; empty when it is about the whole.
        drive: the drive's name; empty when it is about the card.
    """

    code: str
    text: str
    path: bytes = b""
    drive: str = ""
