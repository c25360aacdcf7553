"""What a verification found: plain values, from which screens and JSON lines are made."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum, IntEnum
from itertools import islice

from offload.clearance.origin import CopyName
from offload.jobs.descent_report import DescentReport
from offload.record.expected import Arrival
from offload.record.find import RecordKind
from offload.record.mhl.known import Generation
from offload.record.receipt import ReceiptMatch
from offload.record.signature import Standing
from offload.values.entries import Entries, Kind
from offload.values.facts import ReadBack
from offload.values.findings import Finding


class FileState(IntEnum):
    """What is to be said of one file."""

    NOT_RECORDED = 0
    """Nobody has recorded it; it need not have been read."""
    AS_RECORDED = 1
    """Read whole, from the device or its server, and as every record says."""
    DIFFERS = 2
    """At least one record says something else."""
    MISSING = 3
    """Recorded, and not there."""
    UNREADABLE = 4
    CHANGED = 5
    """It changed while it was read."""
    NOT_VERIFIABLE = 6
    """Recorded, but by nothing that can be checked."""
    RENAMED = 7
    """Nothing has this name in the record, and the content is that of a file that is missing."""
    SHOWN_OTHERWISE = 8
    """As recorded; this mount shows the letters of its name otherwise."""
    CACHED = 9
    """As recorded, but not shown to have been read from the device: that proves nothing."""
    NOT_READ = 10
    """Stopped before."""
    RECORD = 11
    """Part of a record itself."""
    LEFT_OUT = 12
    """What computers leave behind, or what the record leaves out."""

    @property
    def word(self) -> str:
        """As it stands in JSON: ``as-recorded``."""
        return self.name.lower().replace("_", "-")


GOOD = frozenset({FileState.AS_RECORDED, FileState.SHOWN_OTHERWISE})
"""A recorded file that is as it should be."""

QUIET = frozenset({FileState.NOT_RECORDED, FileState.RECORD, FileState.LEFT_OUT})
"""Files of which no record says what they should be."""


@dataclass(frozen=True, slots=True)
class Saying:
    """What one record says of one file, beside what was found.

    Attributes:
        record: path of the record.
        kind: of the record.
        generation: number in its history; 0 where there is none.
        said_at: when that was written down; None where it does not say.
        by: who did: authors, or the machine; raw, from outside.
        algorithm: of the checksum.
        recorded, found: in their standard text forms.
        agrees: whether they are one.
        line: in a checksum list, from 1.
    """

    record: bytes
    kind: RecordKind
    generation: int
    said_at: datetime | None
    by: str
    algorithm: str
    recorded: str
    found: str
    agrees: bool
    line: int = 0


@dataclass(frozen=True, slots=True)
class FileReport:
    """One file that is not simply as recorded.

    Attributes:
        path: where it is; for a missing one where it should be.
        state: see there.
        recorded_as: the recorded path of a file under another name; else empty.
        why: what the system said, or what stands in its place; a phrase, escaped.
        sayings: of a file that differs, every record that could be compared.
    """

    path: bytes
    state: FileState
    recorded_as: bytes = b""
    why: str = ""
    sayings: tuple[Saying, ...] = ()


@dataclass(slots=True)
class Coverage:
    """What one record covers; filled while files are looked at.

    Attributes:
        kind, path, scope: of the record.
        generations: of a history, those that take part.
        files: how many it speaks of.
        good, differing, missing, unread: of these.
        level: of a bag, how good it is; else empty.
    """

    kind: RecordKind
    path: bytes
    scope: bytes
    generations: tuple[Generation, ...] = ()
    files: int = 0
    good: int = 0
    differing: int = 0
    missing: int = 0
    unread: int = 0
    level: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether all that it speaks of is there and as it says."""
        return self.good == self.files


class SignatureState(Enum):
    """What is to be said of one signature, each its own sentence."""

    GOOD = "good"
    GREW = "grew"
    """Good for the earlier generations of a chain that has grown since."""
    ABSENT = "absent"
    TAKEN_AWAY = "taken-away"
    """Other files of the same record are signed, and this one's signature is not there."""
    CHANGED = "changed"
    """What it lies beside was changed after it was signed, or was never what was signed."""
    OTHER_MANIFEST = "other-manifest"
    """It is on another file of this record."""
    LEAVES_OUT = "leaves-out"
    """The chain that was signed named a manifest that this one leaves out."""
    NOTHING_SIGNED = "nothing-signed"
    """What was signed is not there, or in no chain."""
    UNKNOWN_KEY = "unknown-key"
    REVOKED = "revoked"
    NOT_ALLOWED = "not-allowed"
    OUT_OF_TIME = "out-of-time"
    MALFORMED = "malformed"
    WRONG_NAMESPACE = "wrong-namespace"
    UNSUPPORTED = "unsupported"


TOLERATED = frozenset(
    {
        SignatureState.GOOD,
        SignatureState.GREW,
        SignatureState.ABSENT,
        SignatureState.UNKNOWN_KEY,
    }
)
"""States that contradict nothing; all but the first vouch for nothing either."""


@dataclass(frozen=True, slots=True)
class SignatureReport:
    """One signature, or the lack of one.

    Attributes:
        path: of the signature's file; empty where there is none.
        about: what it is, or should be, about.
        state: see there.
        standing: of the key and the message it fits; None where there is no signature.
        signer: whom our list calls the key's owner; raw.
        fingerprint: of the key; empty where none can be read.
        claimed: what the drive itself calls the key's owner, which proves nothing; raw.
        fits: for one on another file, that file; for a chain that leaves one out, the manifest.
        generations: for a chain that has grown, how many of its generations are signed.
        why: what is wrong with a malformed one; escaped.
    """

    path: bytes
    about: bytes
    state: SignatureState
    standing: Standing | None = None
    signer: str = ""
    fingerprint: str = ""
    claimed: str = ""
    fits: bytes = b""
    generations: int = 0
    why: str = ""


class ClearanceState(Enum):
    """What a clearance that lies beside a copy is worth, looked at here alone."""

    PROVES_THIS_COPY = "proves-this-copy"
    """Signed by a known key, about this very record. In force only with the others it names."""
    NOT_SIGNED = "not-signed"
    BAD_SIGNATURE = "bad-signature"
    UNKNOWN_KEY = "unknown-key"
    OTHER_KEY = "other-key"
    """Signed by another key than the one that it names."""
    MALFORMED = "malformed"
    OTHER_MANIFEST = "other-manifest"
    """The manifest that it names is not the one that is there."""
    MANIFEST_MISSING = "manifest-missing"
    OTHER_CONTENT = "other-content"
    """The content that it names is not the one that is recorded."""
    EARLIER = "earlier"
    """It holds for what it names, and more of the card was recorded after it."""
    WITHDRAWN = "withdrawn"
    """A withdrawal lies beside it: a later run held the card."""
    COPY_DIFFERS = "copy-differs"
    """All that it says holds, and the copy beside it is not as recorded."""


CLEARANCES_TOLERATED = frozenset(
    {
        ClearanceState.PROVES_THIS_COPY,
        ClearanceState.UNKNOWN_KEY,
        ClearanceState.EARLIER,
        ClearanceState.WITHDRAWN,
    }
)
"""States that contradict nothing; a copy that differs is told as such."""


@dataclass(frozen=True, slots=True)
class ClearanceReport:
    """One clearance.

    Attributes:
        path: of its file.
        state: see there.
        drives: names of the drives with which alone it is in force; escaped.
        why: details; escaped.
        descents: of the copies that it counts, those that were made from another copy and not from
            the card: name of the drive, escaped, and that copy.
    """

    path: bytes
    state: ClearanceState
    drives: tuple[str, ...] = ()
    why: str = ""
    descents: tuple[tuple[str, CopyName], ...] = ()


@dataclass(frozen=True, slots=True)
class Appended:
    """One generation that was added.

    Attributes:
        scope: of the history.
        path: of the manifest.
        number: of the generation.
        verified, failed, original: records by their action.
    """

    scope: bytes
    path: bytes
    number: int
    verified: int
    failed: int
    original: int


@dataclass(frozen=True, slots=True)
class Receipt:
    """The root hash of a history's newest generation.

    Attributes:
        scope: of the history.
        generation: its number.
        text: to be read out; empty where there is none, or none may be given.
        why_not: the reason then.
    """

    scope: bytes
    generation: int
    text: str
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class ReceiptComparison:
    """A value that was read out, held against one history.

    Attributes:
        scope: of the history.
        generation: the one it is equal to, else the newest.
        is_newest: whether that is the newest.
        match: the outcome.
    """

    scope: bytes
    generation: int
    is_newest: bool
    match: ReceiptMatch


class Answer(Enum):
    """The first words."""

    AS_RECORDED = "as-recorded"
    DIFFERS = "differs"
    NOTHING_VERIFIED = "nothing-verified"

    @property
    def exit_code(self) -> int:
        """What the program ends with."""
        return {Answer.AS_RECORDED: 0, Answer.DIFFERS: 1, Answer.NOTHING_VERIFIED: 3}[self]


@dataclass(frozen=True, slots=True)
class Verification:
    """All that was found below one folder.

    Attributes:
        folder: as named, absolute.
        base: the folder that all paths here are relative to, absolute: it, or the one that holds it
            and its record.
        answer: see there.
        reasons: codes of all that keeps it from being as recorded, in the order to look at them.
        counts: files by state; ``MISSING`` among them.
        bytes_read: of the files.
        read_back: how they were read.
        reports: what is not simply as recorded, sorted by path, bounded for each state.
        coverage: every record, by path.
        signatures, clearances, descents: likewise.
        faults: what is broken in a record, or could not be looked into.
        notices: what is unusual and does not matter.
        half_done: folders of unfinished copies and of files kept aside.
        appended: generations added now.
        not_appended: why none was, where it was asked for; a sentence, escaped.
        receipts: where asked for.
        comparisons: with a value that was read out, where one was.
        arrivals: of what was expected.
        expected_signatures: on the collection or packing list that says what was expected.
        entries, states: everything below, a state each; ``recorded_as`` by number, where other.
        missing: recorded and not there, sorted; renamed ones are not in it.
        started_at, ended_at: with zone.
    """

    folder: bytes
    base: bytes
    answer: Answer
    reasons: tuple[str, ...]
    counts: Mapping[FileState, int]
    bytes_read: int
    read_back: ReadBack
    reports: tuple[FileReport, ...]
    coverage: tuple[Coverage, ...]
    signatures: tuple[SignatureReport, ...]
    clearances: tuple[ClearanceReport, ...]
    faults: tuple[Finding, ...]
    notices: tuple[Finding, ...]
    half_done: tuple[Finding, ...]
    entries: Entries
    states: bytes
    missing: tuple[bytes, ...]
    started_at: datetime
    ended_at: datetime
    recorded_as: Mapping[int, bytes] = field(default_factory=dict)
    appended: tuple[Appended, ...] = ()
    not_appended: str = ""
    receipts: tuple[Receipt, ...] = ()
    comparisons: tuple[ReceiptComparison, ...] = ()
    arrivals: tuple[Arrival, ...] = ()
    descents: tuple[DescentReport, ...] = ()
    expected_signatures: tuple[SignatureReport, ...] = ()

    def count(self, *states: FileState) -> int:
        """Files in any of these states."""
        return sum(self.counts.get(state, 0) for state in states)

    def additional(self, most: int) -> list[bytes]:
        """The first so many of the files that nobody has recorded."""
        numbers = range(len(self.states))
        found = (
            self.entries.path(number)
            for number in numbers
            if self.states[number] == FileState.NOT_RECORDED
            and self.entries.kind(number) is Kind.FILE
        )
        return list(islice(found, most))

    @property
    def recorded(self) -> int:
        """Files that any record speaks of."""
        return sum(count for state, count in self.counts.items() if state not in QUIET)

    @property
    def good(self) -> int:
        """Of these, the ones that are as recorded."""
        return self.count(*GOOD)
