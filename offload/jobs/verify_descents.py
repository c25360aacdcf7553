"""The statements beside a copy that say what it, and what it was made from, were made from.

They prove nothing of the bytes. What is asked is whether each is as it was signed, by whom, and
whether the copy that it speaks of has a manifest in the history that lies beside it.
"""

from collections.abc import Iterator

from offload.checksum import digest_text
from offload.clearance.descent import LIMIT_BYTES, Descent, from_bytes
from offload.clearance.origin import ManifestName
from offload.clearance.taken import StatementError
from offload.errors import RecordError, reason
from offload.jobs.clearing import SUFFIX
from offload.jobs.descent_report import DescentReport, DescentState
from offload.jobs.descents import STEM
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_place import Listing
from offload.jobs.verify_records import Records
from offload.jobs.verify_result import SignatureReport, SignatureState
from offload.record.mhl.history import History
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.record.public_key import read_public_line
from offload.values.paths import join, name, parent, to_text

_STATES = {
    SignatureState.GOOD: DescentState.SIGNED,
    SignatureState.UNKNOWN_KEY: DescentState.UNKNOWN_KEY,
    SignatureState.ABSENT: DescentState.NOT_SIGNED,
}


def judge_descents(
    folder: SeenFolder,
    listing: Listing,
    records: Records,
    signatures: tuple[SignatureReport, ...],
) -> tuple[DescentReport, ...]:
    """Every ``descent-NNNN.json`` beside a roll, by path.

    Args:
        folder, listing, records: of the place.
        signatures: judged already.
    """
    by_about = {report.about: report for report in signatures if report.path}
    histories = records.claims.custody.histories
    return tuple(
        _judged(folder, path, by_about.get(path), histories.get(roll))
        for path, roll in _descents(listing)
    )


def _descents(listing: Listing) -> Iterator[tuple[bytes, bytes]]:
    for number in range(len(listing.entries)):
        path = listing.entries.path(number)
        if path.endswith(SUFFIX) and name(path).startswith(STEM):
            roll = listing.records_folders.get(parent(path))
            if roll is not None:
                yield path, roll


def _judged(
    folder: SeenFolder, path: bytes, signature: SignatureReport | None, history: History | None
) -> DescentReport:
    try:
        with folder.open(path) as stream:
            descent = from_bytes(stream.read(LIMIT_BYTES + 1))
    except OSError as error:
        return DescentReport(path, DescentState.MALFORMED, why=reason(error))
    except StatementError as error:
        return DescentReport(path, DescentState.MALFORMED, why=str(error))
    state = _signed(signature, descent)
    if state in (DescentState.SIGNED, DescentState.UNKNOWN_KEY):
        manifest = descent.copy.manifest
        if manifest not in _manifests(history):
            why = to_text(manifest.path)
            return DescentReport(path, DescentState.OTHER_COPY, descent, why)
    return DescentReport(path, state, descent)


def _signed(signature: SignatureReport | None, descent: Descent) -> DescentState:
    if signature is None:
        return DescentState.NOT_SIGNED
    state = _STATES.get(signature.state, DescentState.BAD_SIGNATURE)
    try:
        named = read_public_line(descent.key)[0].fingerprint
    except RecordError:
        return DescentState.OTHER_KEY
    is_known = state in (DescentState.SIGNED, DescentState.UNKNOWN_KEY)
    return DescentState.OTHER_KEY if is_known and named != signature.fingerprint else state


def _manifests(history: History | None) -> frozenset[ManifestName]:
    return frozenset(
        ManifestName(join(HISTORY_FOLDER, one.name), digest_text("c4", one.c4))
        for one in (history.generations if history else ())
    )
