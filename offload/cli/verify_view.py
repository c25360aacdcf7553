"""A verification on a screen: the answer first, then what it rests on, then what to do."""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from offload.clearance.words import counted, safe
from offload.cli.amounts import size
from offload.cli.styled_lines import Line
from offload.cli.verify_screen import INDENT, Pen
from offload.jobs.descent_report import DESCENTS_TOLERATED
from offload.jobs.recording import SIGNERS_NAME
from offload.jobs.verify_place import roll_of
from offload.jobs.verify_result import (
    TOLERATED,
    Answer,
    ClearanceState,
    Coverage,
    FileReport,
    FileState,
    SignatureReport,
    SignatureState,
    Verification,
)
from offload.jobs.verify_sentences import (
    HEADLINES,
    Advice,
    headline,
    of_clearance,
    of_descent,
    of_files,
    of_finding,
    of_sayings,
    of_signature,
    of_signer,
)
from offload.record.expected import Arrival
from offload.record.find import RecordKind
from offload.record.mhl.naming import CHAIN_NAME
from offload.record.receipt import ReceiptOutcome
from offload.values.findings import Finding
from offload.values.paths import join, name, parent, to_text

FILES_SHOWN = 8
ROWS_SHOWN = 40
"""Of one kind; a drive may hold ten thousand records. All of them are in ``--json``."""

_DEEP = " " * 8
_STYLES = {
    Answer.AS_RECORDED: "bold green",
    Answer.DIFFERS: "bold red",
    Answer.NOTHING_VERIFIED: "bold red",
}
_CLEARANCES_IN_ROWS = frozenset(
    {
        ClearanceState.PROVES_THIS_COPY,
        ClearanceState.UNKNOWN_KEY,
        ClearanceState.EARLIER,
        ClearanceState.WITHDRAWN,
        ClearanceState.COPY_DIFFERS,
    }
)
_ORDER = (
    FileState.DIFFERS,
    FileState.MISSING,
    FileState.UNREADABLE,
    FileState.CHANGED,
    FileState.NOT_VERIFIABLE,
    FileState.RENAMED,
    FileState.NOT_READ,
    FileState.CACHED,
)


def verification_lines(found: Verification, pen: Pen) -> list[Line]:
    """The whole screen."""
    title = to_text(roll_of(name(found.folder)) or found.folder)
    when = found.ended_at.astimezone().strftime("%a %d %b %Y, %H:%M:%S")
    lines = pen.head(f"{title}  {HEADLINES[found.answer]}", when, _STYLES[found.answer])
    lines += pen.text(headline(found))
    if not found.coverage:
        lines += pen.act("if this is a card, ask what stands on other drives", _check(found))
    lines += _reasons(found, pen)
    return lines + found_lines(found, pen)


def found_lines(found: Verification, pen: Pen, *, is_delivery: bool = False) -> list[Line]:
    """What an answer rests on: records, signatures, and what else was met.

    Args:
        is_delivery: what was said of cards is nothing to do with it.
    """
    clearances = [] if is_delivery else _clearances(found, pen)
    rest = [*clearances, *_descents(found, pen), *_notes(found, pen)]
    return [*_records(found, pen), *_signatures(found, pen), *rest]


def _check(found: Verification) -> tuple[bytes, ...]:
    return (b"check", found.folder)


def _reasons(found: Verification, pen: Pen) -> Iterator[Line]:
    def advise(state: FileState, count: int) -> Advice:
        return of_files(state, count, found.folder, is_written_down=bool(found.appended))

    for number, (text, body) in enumerate(each_reason(found, pen, advise), 1):
        yield from pen.text(text, f"{number:>3} ", INDENT, "bold")
        yield from body


def each_reason(
    found: Verification, pen: Pen, advise: Callable[[FileState, int], Advice]
) -> Iterator[tuple[str, list[Line]]]:
    """Every reason why something is not as recorded, and the lines below it.

    Args:
        advise: what is said of so many files in one state, and what to do.
    """
    for signature in (*found.signatures, *found.expected_signatures):
        if signature.state not in TOLERATED:
            do = "ask the one who signed for the record as it was"
            code = f"signature-{signature.state.value}"
            yield f"{code}: {of_signature(signature)}.", list(pen.act(do, ()))
    yield from _record_faults(found.faults, pen)
    for state in _ORDER:
        count = found.count(state)
        if count:
            yield from _of_state(found, state, count, pen, advise(state, count))
    for half in found.half_done:
        if half.code != "kept-aside":
            yield f"{half.code}: {of_finding(half)}.", []
    for clearance in found.clearances:
        if clearance.state not in _CLEARANCES_IN_ROWS:
            code = f"clearance-{clearance.state.value}"
            yield f"{code}: {of_clearance(clearance)}.", []
    for descent in found.descents:
        if descent.state not in DESCENTS_TOLERATED:
            yield f"descent-{descent.state.value}: {of_descent(descent)}.", []
    yield from _arrival_reasons(found.arrivals, pen)
    if "receipt-differs" in found.reasons:
        yield f"receipt-differs: {_receipt_reason(found)}", []
    if found.not_appended:
        yield f"not-appended: {found.not_appended}.", []


def _record_faults(faults: Sequence[Finding], pen: Pen) -> Iterator[tuple[str, list[Line]]]:
    for fault in faults[:ROWS_SHOWN]:
        yield f"{fault.code}: {of_finding(fault)}.", []
    if len(faults) > ROWS_SHOWN:
        yield f"{len(faults) - ROWS_SHOWN:,} more of this kind: see --json.", []


def _of_state(
    found: Verification, state: FileState, count: int, pen: Pen, advice: Advice
) -> Iterator[tuple[str, list[Line]]]:
    body: list[Line] = []
    reports = [each for each in found.reports if each.state is state]
    for report in reports[:FILES_SHOWN]:
        body += _file(report, pen)
    if reports and count > FILES_SHOWN:
        body += pen.text(f"and {count - FILES_SHOWN:,} more: see --json")
    body += pen.act(advice.remedy, advice.command)
    yield f"{state.word}: {advice.text}", body


def _file(report: FileReport, pen: Pen) -> Iterator[Line]:
    text = to_text(report.path)
    if report.state is FileState.RENAMED or (
        report.recorded_as and report.recorded_as != report.path
    ):
        text += f", recorded as {to_text(report.recorded_as)}"
    if report.why:
        text += f": {report.why}"
    yield from pen.text(text)
    for saying in of_sayings(report.sayings):
        yield from pen.text(saying, _DEEP, _DEEP)


def _arrival_reasons(arrivals: Sequence[Arrival], pen: Pen) -> Iterator[tuple[str, list[Line]]]:
    for arrival in arrivals:
        if arrival.has_arrived:
            continue
        path = to_text(arrival.manifest)
        if arrival.faults:
            yield (
                f"not-arrived: {of_finding(arrival.faults[0])}; nothing is known of what it lists.",
                [],
            )
        elif arrival.is_absent:
            files = counted(arrival.files, "file")
            yield f"not-arrived: nothing of {path} has come, {files} in all.", []
        else:
            gone = arrival.files - arrival.there
            body = [
                line for each in arrival.missing[:FILES_SHOWN] for line in pen.text(to_text(each))
            ]
            yield f"not-arrived: {counted(gone, 'file')} of {arrival.files:,} in {path}.", body


def _receipt_reason(found: Verification) -> str:
    outcomes = {each.match.outcome for each in found.comparisons}
    if not found.comparisons or outcomes == {ReceiptOutcome.NOTHING_TO_COMPARE}:
        return "there is no root hash in xxh128 to compare the receipt with."
    groups = min(
        (each.match.groups for each in found.comparisons if each.match.groups), key=len, default=()
    )
    if len(groups) == 1:
        return (
            f"group {groups[0]} of eight is another. Have it read out once "
            "more; one group is often a slip of the ear."
        )
    return "it is the receipt of other content."


def _records(found: Verification, pen: Pen) -> Iterator[Line]:
    for coverage in found.coverage[:ROWS_SHOWN]:
        yield from pen.row(coverage.kind.value, _coverage(coverage))
    if len(found.coverage) > ROWS_SHOWN:
        yield from pen.row("", f"{len(found.coverage) - ROWS_SHOWN:,} more records: see --json")
    read = f"{size(found.bytes_read)}, read back: {found.read_back.value}"
    yield from pen.row("read", read)


def _coverage(coverage: Coverage) -> str:
    if coverage.kind is RecordKind.COLLECTION:
        return f"{to_text(coverage.path)}: names packing lists"
    parts = [f"{coverage.good:,} of {counted(coverage.files, 'file')} as recorded"]
    for number, word in (
        (coverage.differing, "differing"),
        (coverage.missing, "missing"),
        (coverage.unread, "not read"),
    ):
        if number:
            parts.append(f"{number:,} {word}")
    text = f"{to_text(coverage.path)}: {', '.join(parts)}"
    if coverage.level:
        text += f"; the bag is {coverage.level}"
    if coverage.generations:
        newest = coverage.generations[-1]
        text += f"; {counted(len(coverage.generations), 'generation')}"
        text += f", the newest{_made(newest.head.creator.created_at)}"
        who = ", ".join(each.name for each in newest.head.creator.authors)
        text += f" by {safe(who or newest.head.creator.hostname)}"
    return text


def _made(moment: datetime | None) -> str:
    return f" of {moment:%d %b %Y %H:%M}" if moment else ""


def _signatures(found: Verification, pen: Pen) -> Iterator[Line]:
    shown = [each for each in found.signatures if each.state in TOLERATED]
    # A signature on a chain stands for all that the chain names, so it stands in front.
    shown.sort(key=lambda each: (name(each.about) != CHAIN_NAME, each.about))
    groups: dict[tuple[SignatureState, str], list[SignatureReport]] = {}
    for report in shown:
        groups.setdefault((report.state, report.fingerprint), []).append(report)
    for reports in list(groups.values())[:ROWS_SHOWN]:
        yield from pen.row("signature", of_signer(reports))
    unknown = [each for each in shown if each.state is SignatureState.UNKNOWN_KEY]
    if unknown:
        yield from _trusting(unknown[0], found, pen)


def _clearances(found: Verification, pen: Pen) -> Iterator[Line]:
    for clearance in found.clearances[:FILES_SHOWN]:
        if clearance.state in _CLEARANCES_IN_ROWS:
            yield from pen.row("clearance", of_clearance(clearance))


def _descents(found: Verification, pen: Pen) -> Iterator[Line]:
    for descent in found.descents[:FILES_SHOWN]:
        if descent.state in DESCENTS_TOLERATED:
            yield from pen.row("descent", of_descent(descent))


def _trusting(unknown: SignatureReport, found: Verification, pen: Pen) -> Iterator[Line]:
    """How a key becomes known; by what a person compares, never by the drive's word alone."""
    words = "compare the fingerprint with the sender by telephone; if it is theirs"
    file = b"FILE"
    if unknown.claimed:
        file = join(found.base, join(parent(unknown.path), SIGNERS_NAME))
    yield from pen.act(words, (b"key", b"trust", file, b"--as", b"NAME"))


def _notes(found: Verification, pen: Pen) -> Iterator[Line]:
    otherwise = found.count(FileState.SHOWN_OTHERWISE)
    if otherwise:
        first = next(each for each in found.reports if each.state is FileState.SHOWN_OTHERWISE)
        yield from pen.row(
            "note",
            f"case shown differently: {counted(otherwise, 'name')}, such as {to_text(first.path)} "
            f"for {to_text(first.recorded_as)}; the content is as recorded",
        )
    extra = found.count(FileState.NOT_RECORDED)
    if extra:
        # Additional files are listed (ASC MHL guidelines, section 2.7).
        names = ", ".join(to_text(path) for path in found.additional(FILES_SHOWN))
        more = f", and {extra - FILES_SHOWN:,} more: see --json" if extra > FILES_SHOWN else ""
        yield from pen.row("note", f"{counted(extra, 'file')} recorded by nobody: {names}{more}")
    for half in found.half_done:
        if half.code == "kept-aside":
            yield from pen.row("note", of_finding(half))
    for notice in found.notices[:FILES_SHOWN]:
        yield from pen.row("note", of_finding(notice))
    for signature in found.expected_signatures[:FILES_SHOWN]:
        if signature.state in TOLERATED:
            yield from pen.row("expected", of_signature(signature))
    if len(found.notices) > FILES_SHOWN:
        yield from pen.row("note", f"{len(found.notices) - FILES_SHOWN:,} more: see --json")
    for arrival in found.arrivals:
        if arrival.has_arrived:
            files = counted(arrival.files, "file")
            yield from pen.row("arrived", f"{to_text(arrival.manifest)}: {files}")
    for added in found.appended:
        yield from pen.row(
            "appended",
            f"{to_text(added.path)}: {added.verified:,} verified, {added.failed:,} failed, "
            f"{added.original:,} original",
        )
    yield from _receipts(found, pen)


def _receipts(found: Verification, pen: Pen) -> Iterator[Line]:
    for receipt in found.receipts:
        scope = to_text(receipt.scope or found.folder)
        if receipt.text:
            text = f"{receipt.text}   ({scope}, generation {receipt.generation})"
            yield from pen.row("receipt", text)
        else:
            yield from pen.row("receipt", f"none for {scope}: {receipt.why_not}")
    for comparison in found.comparisons:
        if comparison.match.outcome is ReceiptOutcome.EQUAL:
            which = "the newest" if comparison.is_newest else "not the newest"
            yield from pen.row(
                "receipt",
                f"equal to generation {comparison.generation} of "
                f"{to_text(comparison.scope or found.folder)}, {which}",
            )
