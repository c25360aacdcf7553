"""The clearances that lie beside a copy: what each is worth, looked at here alone.

A clearance is in force only together with the same file on the other drives that it names. Alone
it proves only the copy that it lies beside, and that only when a known key has signed it, when the
manifest that it names is the one that is there, and when the copy is as that manifest says.
"""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import replace

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


def judge_clearances(
    folder: SeenFolder,
    listing: Listing,
    records: Records,
    signatures: tuple[SignatureReport, ...],
    coverage: Mapping[bytes, Coverage],
) -> tuple[ClearanceReport, ...]:
    """Every ``clearance-NNNN.json`` beside a roll, by path.

    Args:
        folder, listing, records: of the place.
        signatures: judged already.
        coverage: what became of the files of each record.
    """
    by_about = {report.about: report for report in signatures if report.path}
    found = []
    for path, roll in _clearances(listing):
        report = _read(folder, path)
        if isinstance(report, Statement):
            signature = by_about.get(path)
            history = records.claims.custody.histories.get(roll)
            report = _judged(path, report, signature, history)
            is_whole = _is_whole(roll, records, coverage)
            if report.state is ClearanceState.PROVES_THIS_COPY and not is_whole:
                report = replace(report, state=ClearanceState.COPY_DIFFERS)
            report = _unless_withdrawn(report, folder, listing)
        found.append(report)
    return tuple(found)


def _clearances(listing: Listing) -> Iterator[tuple[bytes, bytes]]:
    for number in range(len(listing.entries)):
        path = listing.entries.path(number)
        if not path.endswith(SUFFIX) or not name(path).startswith(STEM):
            continue
        roll = listing.records_folders.get(parent(path))
        if roll is not None:
            yield path, roll


def _read(folder: SeenFolder, path: bytes) -> Statement | ClearanceReport:
    try:
        with folder.open(path) as stream:
            return from_bytes(stream.read(LIMIT_BYTES + 1))
    except OSError as error:
        return ClearanceReport(path, ClearanceState.MALFORMED, why=reason(error))
    except StatementError as error:
        return ClearanceReport(path, ClearanceState.MALFORMED, why=str(error))


def _unless_withdrawn(
    report: ClearanceReport, folder: SeenFolder, listing: Listing
) -> ClearanceReport:
    """A withdrawal counts whoever signed it, and when it cannot be read: it only ever keeps."""
    path = withdrawal_of(report.path)
    if not listing.has(path):
        return report
    why = "when and why cannot be read"
    try:
        with folder.open(path) as stream:
            found = withdrawal_from(stream.read(WITHDRAWAL_BYTES + 1))
        with folder.open(report.path) as stream:
            c4 = digest_text("c4", hashlib.sha512(stream.read(LIMIT_BYTES + 1)).digest())
        if found.clearance != c4:
            return report
        why = f"{found.at:%Y-%m-%d %H:%M %z}: {', '.join(found.because[:5])}"
    except (OSError, StatementError):
        pass  # it is there, and that is enough
    return replace(report, state=ClearanceState.WITHDRAWN, why=shown(why))


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
