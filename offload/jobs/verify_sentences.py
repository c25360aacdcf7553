"""What is said of a verification: one sentence for each thing found, and what to do about it.

Every name, path and text from outside is escaped here.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from offload.clearance.origin import CopyName
from offload.clearance.words import counted, phrase, safe
from offload.jobs.descent_report import DESCENTS_TOLERATED, DescentReport, DescentState
from offload.jobs.verify_result import (
    Answer,
    ClearanceReport,
    ClearanceState,
    FileState,
    Saying,
    SignatureReport,
    SignatureState,
    Verification,
)
from offload.record.find import RecordKind
from offload.values.facts import ReadBack
from offload.values.findings import Finding
from offload.values.paths import to_text

HEADLINES = {
    Answer.AS_RECORDED: "AS RECORDED",
    Answer.DIFFERS: "NOT AS RECORDED",
    Answer.NOTHING_VERIFIED: "NOTHING COULD BE VERIFIED",
}

_DIGITS_SHOWN = 16

_READ = {
    ReadBack.DEVICE: "read from the drive",
    ReadBack.SERVER: "read from the server that holds them, and its word stands for its disks",
    ReadBack.CACHED: "read, but not shown to have come from the drive and not from memory",
    ReadBack.NONE: "read",
}


def read_from(read_back: ReadBack) -> str:
    """How the files were read, behind "was" or "were"."""
    return _READ[read_back]


def headline(found: Verification) -> str:
    """The sentence below the first words."""
    total, good = found.recorded, found.good
    if found.answer is Answer.NOTHING_VERIFIED:
        if not found.coverage:
            return "No record was found here, so nothing says what these files should be."
        return f"None of {counted(total, 'recorded file')} could be read."
    if good == total:
        files = "The one recorded file was" if total == 1 else f"All {total:,} files were"
        rest = "is what its records say" if total == 1 else "are what the records say"
        return f"{files} {_READ[found.read_back]} and {rest}{_vouching(found)}."
    return f"{good:,} of {counted(total, 'recorded file')} are shown to be as recorded."


def _vouching(found: Verification) -> str:
    """Whether anybody known vouches for the records themselves."""
    states = {each.state for each in found.signatures}
    if not states & {SignatureState.GOOD, SignatureState.GREW}:
        if SignatureState.UNKNOWN_KEY in states:
            return "; these are signed by a key that is not known here"
        return "; nobody known here has signed these"
    return ""


@dataclass(frozen=True, slots=True)
class Advice:
    """What is wrong in one sentence, and what to do.

    Attributes:
        text: a sentence.
        remedy: what to do, words.
        command: arguments of the command that does it, after ``offload``; may be empty.
    """

    text: str
    remedy: str = ""
    command: tuple[bytes, ...] = ()


def of_files(
    state: FileState, count: int, folder: bytes, *, is_written_down: bool = False
) -> Advice:
    """What is said of all files in one state that is not as it should be.

    Args:
        state: of the files.
        count: how many.
        folder: as named, for the commands.
        is_written_down: a generation was appended that says so.
    """
    files = counted(count, "file")
    are = "is" if count == 1 else "are"
    mend = ("put the good content back from another copy", (b"mend", folder, b"--from", b"OTHER"))
    match state:
        case FileState.DIFFERS:
            return Advice(f"{files} {are} not what was recorded.", *mend)
        case FileState.MISSING:
            return Advice(f"{files} {are} recorded and not there.", *mend)
        case FileState.UNREADABLE:
            return Advice(
                f"{files} could not be read.",
                "other cable, other port, then the same command; if it stays so, put the content "
                "back from another copy",
                (b"mend", folder, b"--from", b"OTHER"),
            )
        case FileState.CHANGED:
            return Advice(
                f"{files} changed while being read.",
                "close whatever writes there, then the same command",
            )
        case FileState.NOT_VERIFIABLE:
            return Advice(
                f"{files} {are} recorded in no form that can be checked.",
                "ask the sender for a checksum list in another algorithm",
            )
        case FileState.RENAMED:
            text = f"{files} {are} there under another name than the recorded one."
            if is_written_down:
                return Advice(text, "nothing more: the new generation has the new name")
            return Advice(
                text,
                "nothing is lost; give the recorded name back, or write the new one down",
                (b"verify", folder, b"--append"),
            )
        case FileState.CACHED:
            return Advice(
                f"{files} may have come from this computer's memory and not from the drive.",
                "unplug the drive, plug it in again, then",
                (b"verify", folder),
            )
        case _:
            return Advice(f"{files} could not be read to the end.", "the same command once more")


def of_sayings(sayings: Sequence[Saying]) -> Iterator[str]:
    """What each record says of a file that differs, and what was found; a line for each record."""
    told: set[tuple[bytes, int]] = set()
    for saying in sayings:
        source = (saying.record, saying.generation)
        if source not in told:
            told.add(source)
            yield _saying(saying)


def _saying(saying: Saying) -> str:
    who = f" by {safe(saying.by)}" if saying.by else ""
    when = f", {saying.said_at:%d %b %Y %H:%M}" if saying.said_at else ""
    if saying.kind is RecordKind.HISTORY:
        source = f"generation {saying.generation}{when}{who}"
    elif saying.line:
        source = f"{to_text(saying.record)}, line {saying.line}"
    else:
        source = f"{to_text(saying.record)}{when}{who}"
    if saying.agrees:
        return f"{source}: {saying.algorithm} agrees"
    recorded, now = _cut(saying.recorded), _cut(saying.found)
    return f"{source}: {saying.algorithm} was {recorded} and is {now}"


def _cut(digest: str) -> str:
    # Enough to tell two apart; the whole of it stands in the JSON lines.
    return digest if len(digest) <= _DIGITS_SHOWN else f"{digest[:_DIGITS_SHOWN]}.."


_SIGNATURES: dict[SignatureState, Callable[[SignatureReport], str]] = {
    SignatureState.GOOD: lambda s: (
        f"{_about(s)} is signed by {safe(s.signer)}, key {s.fingerprint}"
    ),
    SignatureState.GREW: lambda s: (
        f"{_generations(s.generations)} of {_about(s)} signed by {safe(s.signer)}, key "
        f"{s.fingerprint}; what was added later is not signed"
    ),
    SignatureState.ABSENT: lambda s: f"{_about(s)} is not signed: nobody vouches for it",
    SignatureState.TAKEN_AWAY: lambda s: (
        f"the signature of {_about(s)} is not there, though other files of the same record are "
        "signed: it was taken away or lost"
    ),
    SignatureState.CHANGED: lambda s: (
        f"{_about(s)} is not what was signed: it was changed after it was signed"
    ),
    SignatureState.OTHER_MANIFEST: lambda s: (
        f"{_path(s)} is the signature on {to_text(s.fits)} and not on {_about(s)}"
    ),
    SignatureState.LEAVES_OUT: lambda s: (
        f"{_about(s)} leaves out {to_text(s.fits)}, which it named when it was signed"
    ),
    SignatureState.NOTHING_SIGNED: lambda s: (
        f"{_path(s)} is the signature on {_about(s)}, which is not there or is in no chain: "
        "something was taken away"
    ),
    SignatureState.UNKNOWN_KEY: lambda s: (
        f"{_about(s)} is signed by a key that is not known here, {s.fingerprint}{_claimed(s)}"
    ),
    SignatureState.REVOKED: lambda s: (
        f"{_about(s)} is signed by a key{_of(s)} that was revoked, {s.fingerprint}"
    ),
    SignatureState.NOT_ALLOWED: lambda s: (
        f"{_about(s)} is signed by a key{_of(s)} that may not sign records, {s.fingerprint}"
    ),
    SignatureState.OUT_OF_TIME: lambda s: (
        f"{_about(s)} is signed by a key{_of(s)} whose time is not now, {s.fingerprint}"
    ),
    SignatureState.MALFORMED: lambda s: (
        f"{_path(s)} is damaged or is no signature: {phrase(s.why)}"
    ),
    SignatureState.WRONG_NAMESPACE: lambda s: (
        f"{_path(s)} was made for something else than a record, by the key {s.fingerprint}"
    ),
    SignatureState.UNSUPPORTED: lambda s: (
        f"{_about(s)} is signed by a key of a type that cannot be checked here; "
        "check it with ssh-keygen -Y verify"
    ),
}


def of_signature(report: SignatureReport) -> str:
    """One phrase for one signature."""
    return _SIGNATURES[report.state](report)


_CLEARANCES = {
    ClearanceState.NOT_SIGNED: "is not signed",
    ClearanceState.BAD_SIGNATURE: "has a signature that does not hold",
    ClearanceState.OTHER_KEY: "is signed by another key than the one that it names",
    ClearanceState.MALFORMED: "is no clearance, or was changed",
    ClearanceState.OTHER_MANIFEST: "is about another manifest than the one that is there",
    ClearanceState.MANIFEST_MISSING: "is about a manifest that is not there",
    ClearanceState.OTHER_CONTENT: "is about other content than what is recorded",
    ClearanceState.COPY_DIFFERS: "is signed, but the copy beside it is not as recorded",
}


def of_clearance(report: ClearanceReport) -> str:
    """One phrase for one clearance."""
    path = to_text(report.path)
    named = ", ".join(report.drives)
    if report.state is ClearanceState.PROVES_THIS_COPY:
        text = (
            f"{path} is signed. Here it proves this copy only; it is in force together with the "
            f"same file on each of {named}"
        )
        return "; ".join([text, *(_descends(drive, source) for drive, source in report.descents)])
    if report.state is ClearanceState.UNKNOWN_KEY:
        return f"{path} is signed by a key that is not known here, so here it proves nothing"
    why = f" ({phrase(report.why)})" if report.why else ""
    if report.state is ClearanceState.WITHDRAWN:
        return f"{path} was withdrawn: a later run held the card{why}. Do not erase by it"
    if report.state is ClearanceState.EARLIER:
        return (
            f"{path} is of an earlier time: more of the card was recorded after it{why}. It says "
            "nothing of the card as it was then"
        )
    return f"{path} is not in force: it {_CLEARANCES[report.state]}{why}"


def _descends(drive: str, source: CopyName) -> str:
    manifest = to_text(source.manifest.path)
    return (
        f"the copy on {phrase(drive)} descends from the copy on {source.drive}: {source.path}, "
        f"{manifest}"
    )


_DESCENTS = {
    DescentState.NOT_SIGNED: "is not signed",
    DescentState.BAD_SIGNATURE: "has a signature that does not hold",
    DescentState.OTHER_KEY: "is signed by another key than the one that it names",
    DescentState.MALFORMED: "does not say what a copy descends from, or was changed",
    DescentState.OTHER_COPY: "is about a copy whose manifest is not in the history here",
}


def of_descent(report: DescentReport) -> str:
    """One phrase for one statement that a copy was made from another."""
    path, descent = to_text(report.path), report.descent
    if descent is not None and report.state in DESCENTS_TOLERATED:
        said = _descends(descent.copy.drive, descent.source)
        who = "" if report.state is DescentState.SIGNED else "by a key that is not known here: "
        return f"{who}{said} ({path})"
    why = f" ({phrase(report.why)})" if report.why else ""
    return f"{path} counts for nothing: it {_DESCENTS[report.state]}{why}"


def of_finding(finding: Finding) -> str:
    """A fault or a notice with its place."""
    where = f"{to_text(finding.path)} " if finding.path else ""
    return f"{where}{phrase(finding.text)}"


def of_signer(reports: Sequence[SignatureReport]) -> str:
    """One phrase for all signatures of one key that are in one state; the first stands in front."""
    phrase_of_first = of_signature(reports[0])
    if len(reports) == 1:
        return phrase_of_first
    return f"{phrase_of_first}; and {counted(len(reports) - 1, 'further file')} likewise"


def _about(report: SignatureReport) -> str:
    return to_text(report.about)


def _path(report: SignatureReport) -> str:
    return to_text(report.path)


def _of(report: SignatureReport) -> str:
    return f" of {safe(report.signer)}" if report.signer else ""


def _claimed(report: SignatureReport) -> str:
    return f"; the drive calls it {safe(report.claimed)}'s" if report.claimed else ""


def _generations(count: int) -> str:
    return "generation 1" if count == 1 else f"generations 1 to {count}"
