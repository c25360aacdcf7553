"""The clearances that lie beside a copy: what each is worth, looked at here alone.

A clearance is in force only together with the same file on the other drives that it names. Alone
it proves only the copy that it lies beside, and that only when a known key has signed it, when the
manifest that it names is the one that is there, and when the copy is as that manifest says.
"""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from offload.checksum import digest_text
from offload.clearance.origin import ManifestName
from offload.clearance.statement import Statement
from offload.clearance.statement_json import LIMIT_BYTES, from_bytes
from offload.clearance.taken import StatementError
from offload.clearance.withdrawal import LIMIT_BYTES as WITHDRAWAL_BYTES
from offload.clearance.withdrawal import from_bytes as withdrawal_from
from offload.errors import RecordError, reason
from offload.jobs.clearing import STEM, SUFFIX, withdrawal_of
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_place import Listing
from offload.jobs.verify_records import Records
from offload.jobs.verify_result import (
    ClearanceReport,
    ClearanceState,
    Coverage,
    SignatureReport,
    SignatureState,
)
from offload.record.mhl.history import History
from offload.record.mhl.known import Generation
from offload.record.mhl.model import Process
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.record.mhl.roots import is_same_root
from offload.record.public_key import read_public_line
from offload.values.paths import is_within, join, name, parent, shown, to_text

_UNSIGNED = {
    SignatureState.ABSENT: ClearanceState.NOT_SIGNED,
    SignatureState.UNKNOWN_KEY: ClearanceState.UNKNOWN_KEY,
}


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """That a withdrawal lies beside a clearance, whoever signed it.

    Attributes:
        at: since when, with zone; None where that cannot be read.
        why: for people; escaped.
    """

    at: datetime | None
    why: str


@dataclass(frozen=True, slots=True)
class FoundClearance:
    """One clearance beside a roll, held against its signature and the record there alone.

    Attributes:
        roll: path of the roll.
        report: never that the copy differs or that it was withdrawn: no file was looked at.
        statement: None where it cannot be read.
        c4: C4 ID of its bytes; empty likewise.
        withdrawn: None where no withdrawal lies there.
    """

    roll: bytes
    report: ClearanceReport
    statement: Statement | None = None
    c4: str = ""
    withdrawn: Withdrawn | None = None


def find_clearances(
    folder: SeenFolder,
    listing: Listing,
    records: Records,
    signatures: tuple[SignatureReport, ...],
) -> Iterator[FoundClearance]:
    """Every ``clearance-NNNN.json`` beside a roll, by path.

    Args:
        folder, listing, records: of the place.
        signatures: judged already.
    """
    by_about = {report.about: report for report in signatures if report.path}
    for path, roll in _clearances(listing):
        read = _read(folder, path)
        if isinstance(read, ClearanceReport):
            yield FoundClearance(roll, read)
            continue
        statement, c4 = read
        history = records.claims.custody.histories.get(roll)
        report = _judged(path, statement, by_about.get(path), history)
        yield FoundClearance(roll, report, statement, c4, _withdrawn(path, c4, folder, listing))


def judge_clearances(
    folder: SeenFolder,
    listing: Listing,
    records: Records,
    signatures: tuple[SignatureReport, ...],
    coverage: Mapping[bytes, Coverage],
) -> tuple[ClearanceReport, ...]:
    """Every ``clearance-NNNN.json`` beside a roll, by path.

    Args:
        folder, listing, records, signatures: as for :func:`find_clearances`.
        coverage: what became of the files of each record.
    """
    judged = []
    for found in find_clearances(folder, listing, records, signatures):
        report = found.report
        is_good = report.state is ClearanceState.PROVES_THIS_COPY
        if is_good and not _is_whole(found.roll, records, coverage):
            report = replace(report, state=ClearanceState.COPY_DIFFERS)
        if found.withdrawn is not None:
            report = replace(report, state=ClearanceState.WITHDRAWN, why=found.withdrawn.why)
        judged.append(report)
    return tuple(judged)


def _clearances(listing: Listing) -> Iterator[tuple[bytes, bytes]]:
    for place, roll in sorted(listing.records_folders.items()):
        for number in listing.below(place):
            path = listing.entries.path(number)
            is_here = parent(path) == place and path.endswith(SUFFIX)
            if is_here and name(path).startswith(STEM):
                yield path, roll


def _read(folder: SeenFolder, path: bytes) -> tuple[Statement, str] | ClearanceReport:
    """A statement and the C4 ID of its bytes; else what is wrong with it."""
    try:
        with folder.open(path) as stream:
            content = stream.read(LIMIT_BYTES + 1)
        return from_bytes(content), digest_text("c4", hashlib.sha512(content).digest())
    except OSError as error:
        return ClearanceReport(path, ClearanceState.MALFORMED, why=reason(error))
    except StatementError as error:
        return ClearanceReport(path, ClearanceState.MALFORMED, why=str(error))


def _withdrawn(clearance: bytes, c4: str, folder: SeenFolder, listing: Listing) -> Withdrawn | None:
    """A withdrawal counts whoever signed it, and when it cannot be read: it only ever keeps."""
    path = withdrawal_of(clearance)
    if not listing.has(path):
        return None
    try:
        with folder.open(path) as stream:
            found = withdrawal_from(stream.read(WITHDRAWAL_BYTES + 1))
    except (OSError, StatementError):
        # It is there, and that is enough.
        return Withdrawn(None, "when and why cannot be read")
    if found.clearance != c4:
        return None
    why = f"{found.at:%Y-%m-%d %H:%M %z}: {', '.join(found.because[:5])}"
    return Withdrawn(found.at, shown(why))


def _judged(
    path: bytes, statement: Statement, signature: SignatureReport | None, history: History | None
) -> ClearanceReport:
    drives = tuple(copy.drive for copy in statement.copies)
    state = _signature_state(signature, statement)
    if state in (ClearanceState.PROVES_THIS_COPY, ClearanceState.UNKNOWN_KEY):
        other, why = _against_history(statement, history)
        if other is not None:
            return ClearanceReport(path, other, drives, why)
    copies = statement.copies
    descents = tuple((each.drive, each.descends_from) for each in copies if each.descends_from)
    return ClearanceReport(path, state, drives, descents=descents)


def _signature_state(signature: SignatureReport | None, statement: Statement) -> ClearanceState:
    if signature is None:
        return ClearanceState.NOT_SIGNED
    if signature.state is not SignatureState.GOOD:
        return _UNSIGNED.get(signature.state, ClearanceState.BAD_SIGNATURE)
    try:
        named = read_public_line(statement.key)[0].fingerprint
    except RecordError:
        return ClearanceState.OTHER_KEY
    if named != signature.fingerprint:
        return ClearanceState.OTHER_KEY
    return ClearanceState.PROVES_THIS_COPY


def _against_history(
    statement: Statement, history: History | None
) -> tuple[ClearanceState | None, str]:
    """How a statement contradicts the record beside it; nothing where it does not."""
    named = _named(statement)
    if history is None:
        return ClearanceState.MANIFEST_MISSING, "there is no history beside it"
    there = {
        join(HISTORY_FOLDER, one.name): (digest_text("c4", one.c4), one)
        for one in history.generations
    }
    for manifest, content in named.items():
        c4, generation = there.get(manifest.path, ("", None))
        if c4 == manifest.c4 and generation is not None:
            state, why = _against_content(content, generation)
            later = _later_from_card(history, generation)
            if state is None and later is not None:
                return ClearanceState.EARLIER, later.name.decode("utf-8", "replace")
            return state, why
    for manifest in named:
        if manifest.path in there:
            return ClearanceState.OTHER_MANIFEST, to_text(manifest.path)
    paths = sorted(to_text(manifest.path) for manifest in named)
    return ClearanceState.MANIFEST_MISSING, ", ".join(paths[:3])


def _named(statement: Statement) -> dict[ManifestName, tuple[tuple[str, str], ...]]:
    """The manifests that a statement rests on, and the content that each of them has to tell.

    Each roll of a recorder's card has its own; the statement lies beside every one of them.
    """
    if statement.rolls:
        return {copy.manifest: roll.content for roll in statement.rolls for copy in roll.copies}
    return {
        copy.manifest: statement.content for copy in statement.copies if copy.manifest is not None
    }


def _later_from_card(history: History, named: Generation) -> Generation | None:
    """The newest generation, if more came from the card after this one.

    Verifying adds others, and so does a copy of the copy, which holds the same.
    """
    copied = [each for each in history.generations if each.head.process is Process.TRANSFER]
    later = copied[-1] if copied and copied[-1].number > named.number else None
    if later is None or later.head.root is None or named.head.root is None:
        return later
    return None if is_same_root(later.head.root, named.head.root) else later


def _against_content(
    content: tuple[tuple[str, str], ...], generation: Generation
) -> tuple[ClearanceState | None, str]:
    root = generation.head.root
    recorded = {each.algorithm: each.digest for each in root.content} if root else {}
    for algorithm, text in content:
        digest = recorded.get(algorithm)
        if digest is not None and digest_text(algorithm, digest) != text:
            return ClearanceState.OTHER_CONTENT, algorithm
    return None, ""


def _is_whole(roll: bytes, records: Records, coverage: Mapping[bytes, Coverage]) -> bool:
    """Whether a roll's files are as its history says, and those nested in it, which are whole."""
    custody = records.claims.custody
    own = custody.histories.get(roll)
    within = [scope for scope in custody.histories if is_within(scope, roll)]
    found = [coverage.get(join(scope, HISTORY_FOLDER)) for scope in within]
    is_good = all(each is not None and each.is_whole for each in found)
    is_any = any(each.files for each in found if each is not None)
    faults = [fault for fault in custody.faults if is_within(fault.path, roll)]
    # Of its own history it is enough that the manifest is there that the clearance names.
    is_nested_whole = own is not None and all(fault in own.faults for fault in faults)
    return is_good and is_any and is_nested_whole
