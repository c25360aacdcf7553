"""A folder against its records by names alone: what is recorded and not there, and the other way.

The "diff" of a managed data set (ASC MHL 1.0, section 5.6): no file is read and no generation is
written, so nothing is said of what is in the files, and nothing here is ever called verified.
"""

from dataclasses import dataclass
from datetime import datetime

from offload.jobs.verify_plan import Plan
from offload.jobs.verify_result import TOLERATED, FileState, SignatureReport
from offload.jobs.verify_signatures import Trust, judge_signatures
from offload.jobs.verifying import Verifying, VerifyTools, begin_verifying
from offload.values.entries import Entries, Kind
from offload.values.findings import Finding


@dataclass(frozen=True, slots=True)
class NameComparison:
    """What a comparison by names found.

    Attributes:
        folder: as named, absolute.
        records: how many records were found.
        entries, states: everything below, a state each: ``NOT_READ`` for a recorded file that is
            there, ``NOT_RECORDED`` for one of which no record speaks.
        recorded_as: number -> recorded path, where a name is shown otherwise.
        missing: recorded and not there -> what stands in its place, else empty; by path.
        signatures: those that do not hold. By them a record may be one that leaves files out.
        faults: what is broken in a record, or could not be looked into.
        half_done: folders of unfinished copies.
        notices: what is unusual and does not matter.
        at: when, with zone.
    """

    folder: bytes
    records: int
    entries: Entries
    states: bytes
    recorded_as: dict[int, bytes]
    missing: dict[bytes, str]
    signatures: tuple[SignatureReport, ...]
    faults: tuple[Finding, ...]
    half_done: tuple[Finding, ...]
    notices: tuple[Finding, ...]
    at: datetime

    @property
    def there(self) -> int:
        """Recorded files that are there by name."""
        return self.states.count(FileState.NOT_READ)

    @property
    def recorded(self) -> int:
        """Files that any record speaks of."""
        return self.there + len(self.missing)

    @property
    def unknown(self) -> list[bytes]:
        """Files that no record speaks of and that no record leaves out."""
        return [
            self.entries.path(number)
            for number, state in enumerate(self.states)
            if state == FileState.NOT_RECORDED and self.entries.kind(number) is Kind.FILE
        ]

    @property
    def reasons(self) -> tuple[str, ...]:
        """Codes of all that keeps the names from being those recorded, each once."""
        found = [f"signature-{report.state.value}" for report in self.signatures]
        found += [fault.code for fault in self.faults]
        if self.missing:
            found.append(FileState.MISSING.word)
        found += [half.code for half in self.half_done]
        return tuple(dict.fromkeys(found))

    @property
    def exit_code(self) -> int:
        """0: every recorded file is there by name; 1: not so; 3: nothing is recorded here."""
        if self.reasons:
            return 1
        return 0 if self.recorded else 3


def compare_names(folder: bytes, tools: VerifyTools) -> NameComparison:
    """Compare names; the records are read, and no other file.

    Args:
        folder: path.
        tools: see there.

    Raises:
        DriveError: it cannot be opened or listed.
        UsageError: it is no folder for this command.
    """
    verifying = begin_verifying(folder, tools)
    try:
        verifying.plan()
        return _comparison(verifying, verifying.checker.plan, tools)
    finally:
        verifying.close()


def _comparison(verifying: Verifying, plan: Plan, tools: VerifyTools) -> NameComparison:
    listing, records = verifying.listing, verifying.records
    now = tools.surroundings.now()
    signatures = judge_signatures(verifying.folder, listing, records, Trust(tools.signers, now))
    return NameComparison(
        folder=verifying.place.given,
        records=len(records.found),
        entries=listing.entries,
        states=bytes(plan.states),
        recorded_as=dict(plan.recorded_as),
        missing={path: plan.missing[path] for path in sorted(plan.missing)},
        signatures=tuple(each for each in signatures if each.state not in TOLERATED),
        faults=(*listing.faults, *records.claims.faults, *records.faults),
        half_done=tuple(each for each in listing.half_done if each.code != "kept-aside"),
        notices=(*records.claims.notices, *records.notices),
        at=now,
    )
