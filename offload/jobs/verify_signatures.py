"""Every signature below a place: on what it is, whose, and what it is worth.

A signature ``X.sig`` lies beside ``X``; those on a roll's manifests and on its chain lie in
``records/ROLL``, since the standard keeps its own folder to itself. What nobody here has vouched
for vouches for nothing, whatever a drive says of itself.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import BinaryIO

from offload.checksum import Hasher
from offload.errors import RecordError, reason
from offload.jobs.recording import SIGNATURE, SIGNERS_NAME
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_place import Listing
from offload.jobs.verify_records import Records, history_path
from offload.jobs.verify_result import SignatureReport, SignatureState
from offload.record.find import RecordKind
from offload.record.mhl.chain import ChainEntry, chain_bytes
from offload.record.mhl.history import History
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER, MANIFEST_SUFFIX
from offload.record.signature import Judgement, Standing, judge
from offload.record.signers import Signers, read_signers
from offload.record.sshsig import (
    SIGNATURE_LIMIT_BYTES,
    Signature,
    SignatureFormError,
    read_signature,
)
from offload.values.entries import Kind
from offload.values.paths import join, name, parent, shown

_SIGNERS_LIMIT_BYTES = 1 << 20
_TRIES = 200
"""Of earlier or longer chains that a signature may be on."""

_STATES = {
    Standing.GOOD: SignatureState.GOOD,
    Standing.MALFORMED: SignatureState.MALFORMED,
    Standing.WRONG_NAMESPACE: SignatureState.WRONG_NAMESPACE,
    Standing.UNSUPPORTED: SignatureState.UNSUPPORTED,
    Standing.BAD: SignatureState.CHANGED,
    Standing.REVOKED: SignatureState.REVOKED,
    Standing.UNKNOWN_KEY: SignatureState.UNKNOWN_KEY,
    Standing.NOT_ALLOWED: SignatureState.NOT_ALLOWED,
    Standing.OUT_OF_TIME: SignatureState.OUT_OF_TIME,
}


@dataclass(frozen=True, slots=True)
class Trust:
    """Whom a verification believes, and for which moment."""

    signers: Signers
    at: datetime


def judge_signatures(
    folder: SeenFolder, listing: Listing, records: Records, trust: Trust
) -> tuple[SignatureReport, ...]:
    """All signatures, and the lack of one where a record should have it; sorted by path."""
    judging = _Judging(folder, listing, records, trust)
    found = [*judging.of_rolls(), *judging.beside_records()]
    found += judging.absent({report.about for report in found if report.path})
    return tuple(sorted(found, key=lambda report: (report.about, report.path)))


def judge_beside(folder: SeenFolder, about: bytes, trust: Trust) -> SignatureReport:
    """The signature that lies beside one file that is of no roll's record, or the lack of it."""
    path = about + SIGNATURE
    try:
        with folder.open(path) as stream:
            content = stream.read(SIGNATURE_LIMIT_BYTES + 1)
        with folder.open(about) as message:
            judged = judge(message, content, trust.signers, at=trust.at)
    except FileNotFoundError:
        return SignatureReport(b"", about, SignatureState.ABSENT)
    except OSError as error:
        return _unreadable(path, about, error)
    return _report(path, about, judged)


class _Judging:
    def __init__(
        self, folder: SeenFolder, listing: Listing, records: Records, trust: Trust
    ) -> None:
        self._folder = folder
        self._listing = listing
        self._records = records
        self._trust = trust
        self._histories = records.claims.custody.histories
        self._named: dict[bytes, frozenset[bytes]] = {}

    def of_rolls(self) -> Iterator[SignatureReport]:
        """What lies in ``records/ROLL``."""
        for place, roll in self._listing.records_folders.items():
            claimed = self._claimed(place)
            for path in self._signatures_in(place):
                about = self._about(path, place, roll)
                report = self._judged(path, about, self._histories.get(roll))
                yield replace(report, claimed=_claimed_name(report, claimed))

    def beside_records(self) -> Iterator[SignatureReport]:
        """What lies beside a list or manifest elsewhere."""
        for record in self._records.found:
            if record.kind in (RecordKind.HISTORY, RecordKind.BAG):
                continue
            path = record.path + SIGNATURE
            if parent(path) not in self._listing.records_folders and self._listing.has(path):
                yield self._judged(path, record.path, None)

    def absent(self, signed: set[bytes]) -> Iterator[SignatureReport]:
        """Chains without a signature, and parts of a record whose other parts are signed."""
        records = {roll: place for place, roll in self._listing.records_folders.items()}
        for scope in self._histories:
            chain = history_path(scope, CHAIN_NAME)
            if chain not in signed:
                yield self._lacking(chain, records.get(scope))
        for record in self._records.found:
            place = parent(record.path)
            is_list = record.kind is RecordKind.LIST and place in self._listing.records_folders
            if is_list and record.path not in signed:
                yield self._lacking(record.path, place)

    def _lacking(self, about: bytes, place: bytes | None) -> SignatureReport:
        has_others = place is not None and any(True for _ in self._signatures_in(place))
        state = SignatureState.TAKEN_AWAY if has_others else SignatureState.ABSENT
        return SignatureReport(b"", about, state)

    def _signatures_in(self, place: bytes) -> Iterator[bytes]:
        entries = self._listing.entries
        for number in self._listing.below(place):
            path = entries.path(number)
            is_here = parent(path) == place and entries.kind(number) is Kind.FILE
            if is_here and path.endswith(SIGNATURE) and path != join(place, SIGNATURE):
                yield path

    def _about(self, path: bytes, place: bytes, roll: bytes) -> bytes:
        beside = path.removesuffix(SIGNATURE)
        if self._listing.has(beside):
            return beside
        signed = name(beside)
        if signed == CHAIN_NAME or signed.endswith(MANIFEST_SUFFIX):
            return join(join(roll, HISTORY_FOLDER), signed)
        return join(place, signed)

    def _judged(self, path: bytes, about: bytes, history: History | None) -> SignatureReport:
        try:
            with self._folder.open(path) as stream:
                content = stream.read(SIGNATURE_LIMIT_BYTES + 1)
        except OSError as error:
            return _unreadable(path, about, error)
        try:
            with self._folder.open(about) as message:
                judged = self._judge(message, content)
        except FileNotFoundError:
            return SignatureReport(path, about, SignatureState.NOTHING_SIGNED)
        except OSError as error:
            return _unreadable(path, about, error)
        report = _report(path, about, judged)
        if judged.standing is Standing.BAD and history is not None:
            return self._explained(report, content, history)
        if report.state is SignatureState.GOOD and self._is_in_no_chain(about, history):
            return replace(report, state=SignatureState.NOTHING_SIGNED)
        return report

    def _judge(self, message: BinaryIO | bytes, content: bytes) -> Judgement:
        return judge(message, content, self._trust.signers, at=self._trust.at)

    def _is_in_no_chain(self, about: bytes, history: History | None) -> bool:
        """Whether this is a manifest in a history's folder that its chain does not name."""
        if history is None or parent(about) != join(history.scope, HISTORY_FOLDER):
            return False
        if history.scope not in self._named:
            # In any letters: a mount may show manifests in others than the chain names them in.
            entries = history.chain.entries
            self._named[history.scope] = frozenset(entry.path.lower() for entry in entries)
        manifest = name(about)
        return manifest != CHAIN_NAME and manifest.lower() not in self._named[history.scope]

    def _explained(
        self, report: SignatureReport, content: bytes, history: History
    ) -> SignatureReport:
        """What a signature that does not fit is on, where that can be found out."""
        try:
            signature = read_signature(content)
        except SignatureFormError:
            return report
        if name(report.about) == CHAIN_NAME:
            found = self._other_chain(signature, content, history)
            if found is not None:
                judged, state, manifest, count = found
                made = _report(report.path, report.about, judged)
                if made.state is not SignatureState.GOOD and state is SignatureState.GREW:
                    state = made.state
                return replace(made, state=state, fits=manifest, generations=count)
        for other in self._others(report.about, history):
            if self._is_on(signature, other):
                return replace(report, state=SignatureState.OTHER_MANIFEST, fits=other)
        return report

    def _other_chain(
        self, signature: Signature, content: bytes, history: History
    ) -> tuple[Judgement, SignatureState, bytes, int] | None:
        """The chain as it was when it was signed: shorter, or with a manifest more."""
        entries = history.chain.entries
        for count in range(len(entries) - 1, max(0, len(entries) - 1 - _TRIES), -1):
            earlier = chain_bytes(entries[:count])
            if _is_over(signature, earlier):
                return self._judge(earlier, content), SignatureState.GREW, b"", count
        for manifest, c4 in self._unlisted(history):
            for longer in _with_one_more(entries, name(manifest), c4):
                if _is_over(signature, longer):
                    judged = self._judge(longer, content)
                    return judged, SignatureState.LEAVES_OUT, manifest, 0
        return None

    def _unlisted(self, history: History) -> Iterator[tuple[bytes, bytes]]:
        """Manifests in the history's folder that the chain does not name, with their c4."""
        listed = {entry.path for entry in history.chain.entries}
        folder = join(history.scope, HISTORY_FOLDER)
        for number in list(self._listing.below(folder))[:_TRIES]:
            path = self._listing.entries.path(number)
            if name(path).endswith(MANIFEST_SUFFIX) and name(path) not in listed:
                c4 = self._c4(path)
                if c4 is not None:
                    yield path, c4

    def _others(self, about: bytes, history: History) -> Iterator[bytes]:
        folder = join(history.scope, HISTORY_FOLDER)
        for number in list(self._listing.below(folder))[:_TRIES]:
            path = self._listing.entries.path(number)
            if path != about:
                yield path
        for record in self._records.found:
            if record.kind is RecordKind.LIST and record.path != about:
                yield record.path

    def _is_on(self, signature: Signature, path: bytes) -> bool:
        try:
            with self._folder.open(path) as message:
                return _is_over(signature, message)
        except OSError:
            return False

    def _c4(self, path: bytes) -> bytes | None:
        hasher = Hasher("c4")
        try:
            with self._folder.open(path) as stream:
                while chunk := stream.read(1 << 20):
                    hasher.update(chunk)
        except OSError:
            return None
        return hasher.digest()

    def _claimed(self, place: bytes) -> Signers:
        """Whom the drive itself calls the owners of keys; nobody believes it."""
        try:
            with self._folder.open(join(place, SIGNERS_NAME)) as stream:
                return read_signers(stream.read(_SIGNERS_LIMIT_BYTES))
        except (OSError, RecordError):
            return Signers()


def _with_one_more(entries: tuple[ChainEntry, ...], manifest: bytes, c4: bytes) -> Iterator[bytes]:
    for at in range(len(entries), max(-1, len(entries) - _TRIES), -1):
        longer = (*entries[:at], ChainEntry(0, manifest, c4), *entries[at:])
        yield chain_bytes(replace(each, number=number) for number, each in enumerate(longer, 1))


def _is_over(signature: Signature, message: BinaryIO | bytes) -> bool:
    try:
        return signature.is_over(message)
    except RecordError:
        # A type of key that cannot be checked; its standing says so.
        return False


def _report(path: bytes, about: bytes, judged: Judgement) -> SignatureReport:
    return SignatureReport(
        path,
        about,
        _STATES[judged.standing],
        judged.standing,
        judged.signer,
        judged.key.fingerprint if judged.key else "",
        why=shown(judged.why),
    )


def _unreadable(path: bytes, about: bytes, error: OSError) -> SignatureReport:
    return SignatureReport(path, about, SignatureState.MALFORMED, why=reason(error))


def _claimed_name(report: SignatureReport, claimed: Signers) -> str:
    for entry in claimed.entries:
        if entry.key.fingerprint == report.fingerprint:
            return entry.principals
    return ""
