"""From what was found to the answer: what keeps a folder from being as recorded, worst first."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from offload.jobs.descent_report import DESCENTS_TOLERATED, DescentReport
from offload.jobs.verify_place import HeldPlace, Listing
from offload.jobs.verify_reading import Checked
from offload.jobs.verify_records import Records, in_scope
from offload.jobs.verify_result import (
    CLEARANCES_TOLERATED,
    QUIET,
    TOLERATED,
    Answer,
    ClearanceReport,
    ClearanceState,
    FileState,
    ReceiptComparison,
    SignatureReport,
)
from offload.record.expected import Arrival
from offload.record.mhl.custody import nearest_scope
from offload.record.mhl.text import holds_name
from offload.record.receipt import ReceiptOutcome
from offload.values.facts import ReadBack
from offload.values.findings import Finding
from offload.values.paths import parent

_BAD_STATES = (
    FileState.DIFFERS,
    FileState.MISSING,
    FileState.UNREADABLE,
    FileState.CHANGED,
    FileState.NOT_VERIFIABLE,
    FileState.RENAMED,
    FileState.NOT_READ,
    FileState.CACHED,
)
_READ = frozenset(
    {
        FileState.AS_RECORDED,
        FileState.SHOWN_OTHERWISE,
        FileState.DIFFERS,
        FileState.MISSING,
        FileState.RENAMED,
        FileState.CACHED,
        FileState.NOT_VERIFIABLE,
    }
)
"""States that are an answer: something was read, or is known to be gone."""


class Judged(Protocol):
    """What else was judged of a place."""

    listing: Listing
    signatures: tuple[SignatureReport, ...]
    clearances: tuple[ClearanceReport, ...]
    descents: tuple[DescentReport, ...]
    faults: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Expectation:
    """What became of a collection or packing list; nothing where none was given.

    Attributes:
        arrivals: of its cards.
        signatures: on it.
    """

    arrivals: Sequence[Arrival] = ()
    signatures: Sequence[SignatureReport] = ()


def reasons_of(
    counts: Mapping[FileState, int],
    judged: Judged,
    expected: Expectation,
    comparisons: Sequence[ReceiptComparison] | None,
    *,
    is_append_refused: bool,
) -> tuple[str, ...]:
    """Codes of everything that is not as it should be, each once, in the order to look at them.

    Args:
        counts: files by state.
        judged: what else was judged.
        expected: what became of what was expected.
        comparisons: with a receipt; None where none was given.
        is_append_refused: a generation was asked for and not added.
    """
    return tuple(dict.fromkeys(_reasons(counts, judged, expected, comparisons, is_append_refused)))


def answer_of(counts: Mapping[FileState, int], reasons: Sequence[str], records: Records) -> Answer:
    """The first words."""
    recorded = sum(count for state, count in counts.items() if state not in QUIET)
    read = sum(count for state, count in counts.items() if state in _READ)
    if not records.found or (recorded and not read):
        return Answer.NOTHING_VERIFIED
    if not recorded and not records.claims.faults:
        return Answer.NOTHING_VERIFIED
    return Answer.DIFFERS if reasons else Answer.AS_RECORDED


def why_not_appended(
    place: HeldPlace,
    records: Records,
    checked: Checked,
    judged: Judged,
    begin: Collection[bytes] = (),
) -> str:
    """Why no generation may be appended; empty where it may.

    A further generation stands for all before it. So nothing is added to a history that is broken
    or was changed after it was signed, nor by what was not shown to be read from the drive.

    Args:
        place, records, checked, judged: what was found.
        begin: scopes that get their first generation.
    """
    scopes = {*records.claims.custody.histories, *begin}
    if place.volume.is_read_only:
        return "the drive is mounted read-only, so no generation can be written on it"
    if not scopes:
        return "there is no history in this folder to add a generation to"
    if any(_is_unnamable(scope, scopes) for scope in scopes):
        return "a history lies in a folder whose name no manifest can hold; give it another name"
    if records.claims.custody.faults:
        return "the history is broken, so none was written that would seem to vouch for it"
    if any(report.state not in TOLERATED for report in judged.signatures):
        return "a signature does not hold, so none was written that would seem to vouch for it"
    if checked.read_back not in (ReadBack.DEVICE, ReadBack.SERVER):
        return (
            "the files were not shown to have been read from the drive, so nothing was written down"
        )
    return ""


def _is_unnamable(scope: bytes, scopes: Collection[bytes]) -> bool:
    """Whether an enclosing history could not refer to this one."""
    outer = nearest_scope(scopes, parent(scope)) if scope else None
    return outer is not None and not holds_name(in_scope(outer, scope))


def _reasons(
    counts: Mapping[FileState, int],
    judged: Judged,
    expected: Expectation,
    comparisons: Sequence[ReceiptComparison] | None,
    is_append_refused: bool,
) -> Iterator[str]:
    for report in (*judged.signatures, *expected.signatures):
        if report.state not in TOLERATED:
            yield f"signature-{report.state.value}"
    yield from (fault.code for fault in judged.faults)
    yield from (state.word for state in _BAD_STATES if counts.get(state))
    for found in judged.listing.half_done:
        if found.code != "kept-aside":
            yield found.code
    for clearance in judged.clearances:
        is_told = clearance.state is ClearanceState.COPY_DIFFERS
        if clearance.state not in CLEARANCES_TOLERATED and not is_told:
            yield f"clearance-{clearance.state.value}"
    for descent in judged.descents:
        if descent.state not in DESCENTS_TOLERATED:
            yield f"descent-{descent.state.value}"
    if any(not arrival.has_arrived for arrival in expected.arrivals):
        yield "not-arrived"
    if comparisons is not None and not any(
        each.match.outcome is ReceiptOutcome.EQUAL for each in comparisons
    ):
        yield "receipt-differs"
    if is_append_refused:
        yield "not-appended"
