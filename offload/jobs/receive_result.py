"""What a receiving found and did: plain values, from which screens and JSON lines are made."""

from dataclasses import dataclass

from offload.clearance.origin import CopyName
from offload.jobs.verify_result import Answer, Verification
from offload.values.facts import ReadBack
from offload.values.findings import Finding


@dataclass(frozen=True, slots=True)
class ReceivedCopy:
    """One roll of a delivery on one drive.

    Attributes:
        drive: its name.
        folder: of the copy, absolute.
        proven: files read back from the drive and equal to what was read from the delivery.
        files: of the roll.
        read_back: how.
        counts: whether it takes part in the copies counted.
        why_not: a phrase; empty where it counts.
        was_there: the roll was on the drive already, and nothing of it was written.
        generation: number of the one that was written; 0 for none.
        verified, failed, original: records in that by their action.
        not_recorded: why none was written; a phrase, empty where one was.
        descends_from: the copy that it was made from, where its record says so.
    """

    drive: str
    folder: bytes
    proven: int
    files: int
    read_back: ReadBack
    counts: bool
    why_not: str = ""
    was_there: bool = False
    generation: int = 0
    verified: int = 0
    failed: int = 0
    original: int = 0
    not_recorded: str = ""
    descends_from: CopyName | None = None


@dataclass(frozen=True, slots=True)
class ReceivedRoll:
    """One roll of a delivery, or what lay beside its rolls.

    Attributes:
        folder: in the delivery; empty for what lay beside its rolls, or for all of it.
        roll: its name on the drives.
        files, total_bytes: of it.
        copies: copies in all, each on a drive of its own; the file with the fewest counts.
        needed: as many were asked for.
        drives: one for each.
        is_rest: what lay beside the delivery's rolls.
        is_as_sent: whether all of it that its sender wrote down came, as it was written down.
        notices: what else was met on the way.
    """

    folder: bytes
    roll: str
    files: int
    total_bytes: int
    copies: int
    needed: int
    drives: tuple[ReceivedCopy, ...]
    is_rest: bool = False
    is_as_sent: bool = False
    notices: tuple[Finding, ...] = ()

    @property
    def is_enough(self) -> bool:
        """Whether all of it is on as many separate drives as were asked for."""
        return self.copies >= self.needed


@dataclass(frozen=True, slots=True)
class Received:
    """A delivery, checked and copied.

    Attributes:
        name: what it is called; raw.
        verification: against what its sender wrote down; the one reading was that of the copying.
        rolls: see there.
        is_noted: all of it stands in the ledger.
        not_appended: why nothing was written on the delivery itself; empty where nobody asked.
    """

    name: str
    verification: Verification
    rolls: tuple[ReceivedRoll, ...]
    is_noted: bool = True
    not_appended: str = ""

    @property
    def is_as_sent(self) -> bool:
        """Whether everything that its sender wrote down came, and came as it was written down."""
        return self.verification.answer is Answer.AS_RECORDED

    @property
    def copies(self) -> int:
        """On how many separate drives all of it is."""
        return min((roll.copies for roll in self.rolls), default=0)

    @property
    def is_copied(self) -> bool:
        """Whether all of it is on as many separate drives as were asked for."""
        return bool(self.rolls) and all(roll.is_enough for roll in self.rolls)

    @property
    def is_done(self) -> bool:
        """Whether nothing is left to do about it."""
        return self.is_as_sent and self.is_copied and self.is_noted

    @property
    def exit_code(self) -> int:
        """What the program ends with."""
        return 0 if self.is_done else 1
