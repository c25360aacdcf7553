"""A verdict put together: answer, headline, holds, notices, copies, all in reading order."""

from collections import Counter
from collections.abc import Iterator, Sequence

from offload.clearance import decisions
from offload.clearance.case import Case, Reason
from offload.clearance.context import Context
from offload.clearance.counting import is_proven
from offload.clearance.declarations import Declaration, declarations
from offload.clearance.sentences import hold
from offload.clearance.words import counted, grouped, path_text, phrase, safe
from offload.values.entries import Kind
from offload.values.facts import CopyState, ReadBack
from offload.values.verdict import Answer, CopySummary, Notice, Verdict

_WHY_NOT = {
    "drive-is-card": "it is, or once was, a card",
    "drive-on-card": "it is on the card's own device",
    "ram-drive": "it is in this computer's memory",
    "drive-unknown": "nothing shows on what device it is",
    "too-few-copies": "it failed",
    "shared-drive": "it is on the device of the card's folder",
    "drive-away": "it is not there now",
    "drive-suspect": "it gave back wrong bytes",
    "record-not-written": "the record is not on it",
}


def verdict(case: Case, reasons: Sequence[Reason], context: Context) -> Verdict:
    """The verdict that these reasons, or their absence, come to."""
    declared = tuple(declarations(case))
    files_safe = _files_safe(case)
    return Verdict(
        answer=Answer.HELD if reasons else Answer.CLEARED,
        headline=_held(case, reasons, files_safe) if reasons else _cleared(case, declared),
        holds=tuple(hold(reason, case, context) for reason in reasons),
        notices=tuple(_notices(case, is_cleared=not reasons)),
        declarations=tuple(each.text for each in declared),
        copies=tuple(_copy(case, at) for at in range(len(case.facts.drives))),
        copies_counted=_copies_counted(case),
        settled=tuple(_settled(each) for each in decisions.settled(case.facts)),
        files=case.files,
        files_safe=files_safe,
        files_on=_files_on(case),
    )


def _held(case: Case, reasons: Sequence[Reason], files_safe: int) -> str:
    many = len(reasons)
    order = "1 reason" if many == 1 else f"{many:,} reasons, in the order to mend them"
    drives = counted(case.needed, "drive")
    is_ = "is" if files_safe == 1 else "are"
    return f"{order}. {files_safe:,} of {counted(case.files, 'file')} {is_} proven on {drives}."


def _cleared(case: Case, declared: Sequence[Declaration]) -> str:
    copies = _copies_counted(case)
    drives = sum(_counts(case, at) for at in range(len(case.facts.drives)))
    separate = "" if case.facts.policy.separate_drives is False or copies == 1 else "separate "
    least = "" if drives == copies else "at least "
    where = f"{least}{counted(copies, f'{separate}drive')}"
    back = {1: "it", 2: "both"}.get(drives, f"all {drives:,}")
    parts = [f"Every byte is on {where} and was read back from {back}"]
    return "; ".join(parts + [each.short for each in declared]) + "."


def _files_safe(case: Case) -> int:
    safe_groups = (
        each for each in case.groups.all if each.kind is Kind.FILE and case.is_safe(each)
    )
    return sum(each.count for each in safe_groups)


def _files_on(case: Case) -> tuple[tuple[int, int], ...]:
    found: Counter[int] = Counter()
    for group in case.groups.all:
        if group.kind is Kind.FILE:
            found[case.copies(group)] += group.count
    return tuple(sorted(found.items(), reverse=True))


def _copies_counted(case: Case) -> int:
    return min((case.copies(each) for each in case.groups.all if each.needs_copies), default=0)


def _counts(case: Case, at: int) -> bool:
    return any(case.proven_on(each) >> at & 1 for each in case.groups.all if each.needs_copies)


def _copy(case: Case, at: int) -> CopySummary:
    drive = case.facts.drives[at]
    counts = _counts(case, at)
    return CopySummary(
        drive=drive.name,
        path=drive.path,
        proven=_proven(case, at),
        files=case.files,
        read_back=_read_back(case, at) if counts else drive.read_back,
        counts=counts,
        names_read=drive.names_read is True,
        why_not=_why_not(case, at),
    )


def _proven(case: Case, at: int) -> int:
    drive = case.facts.drives[at]
    return sum(
        each.count
        for each in case.groups.all
        if each.kind is Kind.FILE and is_proven(each.copies[at], drive)
    )


def _read_back(case: Case, at: int) -> ReadBack:
    """The weakest way among the copies that count; a server's word is weaker than a device."""
    by_word = any(each.copies[at] is CopyState.PROVEN_SERVER for each in case.groups.all)
    return ReadBack.SERVER if by_word else ReadBack.DEVICE


def _why_not(case: Case, at: int) -> str:
    drive, code = case.facts.drives[at], case.exclusions[at]
    if drive.failure and code == "too-few-copies":
        return phrase(drive.failure)
    if code:
        return _WHY_NOT[code]
    return "" if _counts(case, at) else "nothing on it is proven"


def _notices(case: Case, *, is_cleared: bool) -> Iterator[Notice]:
    if is_cleared:
        yield from _drives_that_lack(case)
    for decision in decisions.lapsed(case.facts):
        who, what = safe(decision.by) or "somebody", safe(decision.code)
        text = f"{path_text(decision.path)}: what {who} decided ({what}) was for other content"
        yield Notice("decision-lapsed", text, (decision.path,))
    yield from _found(case)


def _drives_that_lack(case: Case) -> Iterator[Notice]:
    """The card may go, but not everything that was wanted is done."""
    for at, drive in enumerate(case.facts.drives):
        name, why = safe(drive.name), _why_not(case, at)
        proven = _proven(case, at)
        if why:
            yield Notice("drive-not-counted", f"{name} does not count: {why}", (), (drive.name,))
        elif proven < case.files:
            text = f"{name} has {proven:,} of {counted(case.files, 'file')}"
            yield Notice("drive-incomplete", text, (), (drive.name,))


def _found(case: Case) -> Iterator[Notice]:
    """What the steps found, one notice for all paths that have the same fault."""
    together: dict[tuple[str, str], tuple[dict[bytes, None], dict[str, None]]] = {}
    for finding in case.facts.notices:
        paths, drives = together.setdefault((finding.code, finding.text), ({}, {}))
        if finding.path:
            paths[finding.path] = None
        if finding.drive:
            drives[finding.drive] = None
    for (code, text), (paths, drives) in together.items():
        where = f"{grouped(tuple(paths))}: " if paths else ""
        yield Notice(phrase(code), f"{where}{phrase(text)}", tuple(paths), tuple(drives))


def _settled(each: decisions.Settled) -> str:
    where = path_text(each.finding.path)
    decision = each.decision
    return (
        f"{where}: {each.finding.code} was settled by {safe(decision.by)}: {safe(decision.because)}"
    )
