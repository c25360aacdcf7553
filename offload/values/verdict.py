"""The answer: two values, never one word on a screen, always with what it rests on."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from offload.values.facts import ReadBack


class Answer(Enum):
    """Whether the card may be erased."""

    CLEARED = "cleared"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class Way:
    """One way to mend a hold.

    Attributes:
        words: what to do with one's hands or to decide, outside text escaped; may be empty.
        command: what to type, as the words that the program is to receive, raw and unquoted; empty
            where no command helps. Capitals such as ``DRIVE`` stand for what the person puts in.
    """

    words: str
    command: tuple[bytes, ...] = ()


@dataclass(frozen=True, slots=True)
class Hold:
    """A finding that keeps the card.

    Attributes:
        code: kebab-case, from the closed list in ``clearance/holds.py``.
        text: one sentence for a tired person, outside text escaped.
        remedy: what to do, with the command to type, as text; the ``ways`` in one string.
        is_settleable: a person may decide, by name and reason; never for what is about bytes.
        paths: the files concerned, all of them.
        drives: names of the drives concerned.
        details: further sentences, the reason of each drive or file; bounded.
        ways: the remedy in parts, the first to be tried first.
    """

    code: str
    text: str
    remedy: str
    is_settleable: bool
    paths: Sequence[bytes] = ()
    drives: tuple[str, ...] = ()
    details: tuple[str, ...] = ()
    ways: tuple[Way, ...] = ()


@dataclass(frozen=True, slots=True)
class Notice:
    """A finding that does not keep the card."""

    code: str
    text: str
    paths: Sequence[bytes] = ()
    drives: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CopySummary:
    """One drive's part in a verdict.

    Attributes:
        drive: its name.
        path: folder of the copy, bytes.
        proven: files equal to the card, read back in a way that counts.
        files: files on the card.
        read_back: how.
        counts: whether this drive takes part in the copies counted.
        names_read: whether names and folders, too, were read from the device.
        why_not: a phrase after "does not count: ", outside text escaped; empty where it counts.
    """

    drive: str
    path: bytes
    proven: int
    files: int
    read_back: ReadBack
    counts: bool
    names_read: bool = False
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What may be said of the card, in the order in which it is to be read.

    Attributes:
        answer: cleared only when ``holds`` is empty.
        headline: the one line after the first words: what it rests on, or how many reasons.
        declarations: what was declared and not proven; repeated wherever the words are said.
        holds: in the order in which they have to be mended.
        notices: in order of urgency.
        copies: one for each drive.
        copies_counted: the smallest number of separate proven copies any file has.
        settled: holds that a person has decided, as sentences with name and reason.
        files: files on the card.
        files_safe: files that are on the needed number of separate drives.
        files_on: pairs of a number of separate drives and how many files are proven on so many,
            most drives first; together all files.
    """

    answer: Answer
    headline: str
    holds: tuple[Hold, ...] = ()
    notices: tuple[Notice, ...] = ()
    declarations: tuple[str, ...] = ()
    copies: tuple[CopySummary, ...] = ()
    copies_counted: int = 0
    settled: tuple[str, ...] = ()
    files: int = 0
    files_safe: int = 0
    files_on: tuple[tuple[int, int], ...] = ()

    @property
    def is_cleared(self) -> bool:
        """Whether the card may be erased."""
        return self.answer is Answer.CLEARED
