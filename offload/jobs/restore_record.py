"""One roll's record as it lies on one drive, read for a ledger that does not know it.

Only what is written down is read, and no file of the copy: what comes of it was recorded and is not
proven. What contradicts itself is told and nothing is taken from it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import chain, pairwise

from offload.checksum import COMPARE, digest_size
from offload.clearance.statement import Statement
from offload.clearance.words import counted
from offload.errors import RecordError, reason
from offload.jobs.lease import read_run
from offload.jobs.placing import INCOMPLETE, NAMES_NAME
from offload.jobs.verify_clearances import FoundClearance, find_clearances
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_place import HeldPlace, Listing
from offload.jobs.verify_records import Records
from offload.jobs.verify_result import ClearanceState, SignatureReport, SignatureState
from offload.jobs.verify_sentences import of_clearance, of_signature
from offload.jobs.verify_signatures import Trust, judge_signatures
from offload.ledger.rebuild import RecordedClearance
from offload.record.claims import Claims
from offload.record.find import Finds, FoundRecord, RecordKind
from offload.record.mhl.custody import Custody
from offload.record.mhl.history import History, has_history
from offload.record.mhl.known import Generation
from offload.record.mhl.model import HashRecord
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.transfer.preflight.name_map import LARGEST_BYTES, NameMap
from offload.values.entries import Entries, Entry, Kind
from offload.values.findings import Finding
from offload.values.inventory import Inventory, card_code
from offload.values.paths import is_within, join, name, parent, to_text

LARGEST_RECORD_BYTES = 4 << 30
"""No record larger than this is read: that of ten million files takes less."""

_CONTRADICTING = frozenset(
    {
        SignatureState.CHANGED,
        SignatureState.OTHER_MANIFEST,
        SignatureState.LEAVES_OUT,
        SignatureState.TAKEN_AWAY,
    }
)
_NOTICES = frozenset({ClearanceState.EARLIER})
_TOLD = 20


@dataclass(frozen=True, slots=True)
class RecordPlace:
    """Where one roll and its record lie, below the folder that is held.

    Attributes:
        records: path of ``records/ROLL``.
        roll: path of the roll's folder.
    """

    records: bytes
    roll: bytes


@dataclass(frozen=True, slots=True)
class GoodClearance:
    """A clearance that counts, and what it says."""

    recorded: RecordedClearance
    statement: Statement


@dataclass(frozen=True, slots=True)
class RollRecord:
    """What one roll's record says.

    Attributes:
        code: card code.
        content_root: raw xxh128 root hash.
        inventory: of the card, as far as manifests tell: links are in none.
        digests: by checksum, raw, for each entry one after the other, zeros for what has none.
        made_at: when the material was recorded, with zone; None where nobody says.
        host: the station that wrote it; raw.
        clearances: those that count, the oldest first.
    """

    code: str
    content_root: bytes
    inventory: Inventory
    digests: Mapping[str, bytes]
    made_at: datetime | None
    host: str
    clearances: tuple[GoodClearance, ...]


class OneRoll:
    """One roll under way.

    Attributes:
        findings: what cannot be read or does not fit.
        notices: what is no fault and yet not written back.
        unknown_keys: fingerprints of keys that signed clearances and are not known here, each with
            the path of the clearance.
    """

    def __init__(
        self, place: HeldPlace, folder: SeenFolder, listing: Listing, at: RecordPlace, trust: Trust
    ) -> None:
        self._place = place
        self._folder = folder
        self._listing = listing.of_roll(at.records)
        self._at = at
        self._trust = trust
        self.findings: list[Finding] = []
        self.notices: list[Finding] = []
        self.unknown_keys: list[tuple[str, bytes]] = []

    def read(self) -> RollRecord | None:
        """All of it; nothing where it does not hold together, which the findings tell."""
        try:
            return self._read()
        except RecordError as error:
            self._tell("record-unreadable", error.what, error.path or self._at.records)
        except OSError as error:
            self._tell("record-unreadable", reason(error), self._at.records)
        return None

    def _read(self) -> RollRecord | None:
        roll = self._at.roll
        if roll.endswith(INCOMPLETE):
            self._tell("incomplete", "is a copy that was never finished: no roll yet", roll)
            return None
        if not has_history(self._folder, roll):
            self._tell("no-history", "has no manifest, so nothing says what is in it", roll)
            return None
        if self._record_bytes() > LARGEST_RECORD_BYTES:
            self._tell("record-too-large", "has a larger record than any roll, not read", roll)
            return None
        found = FoundRecord(RecordKind.HISTORY, join(roll, HISTORY_FOLDER), roll)
        claims = Claims(self._folder, Finds((found,)), now=self._trust.at)
        records = Records((found,), claims, (), ())
        signatures = judge_signatures(self._folder, self._listing, records, self._trust)
        if not self._holds(claims, signatures):
            return None
        history = claims.custody.histories[roll]
        generation = self._generation(history)
        if generation is None:
            self._tell("no-card-code", "has no xxh128 root hash, from which the code is made", roll)
            return None
        inventory, digests = self._inventory(claims.custody)
        if not inventory.file_count:
            self._tell("no-file", "records no file at all", roll)
            return None
        self._look_for_files(claims.custody)
        good = self._clearances(records, signatures, inventory)
        root = _root(generation)
        creator = generation.head.creator
        return RollRecord(
            card_code(root), root, inventory, digests, creator.created_at, creator.hostname, good
        )

    def _record_bytes(self) -> int:
        """What all manifests within the roll, and all that lies in its records folder, have."""
        entries, roll = self._listing.entries, self._listing.below(self._at.roll)
        numbers = [at for at in roll if name(parent(entries.path(at))) == HISTORY_FOLDER]
        numbers += self._listing.below(self._at.records)
        return sum(entries[number].size_bytes for number in numbers)

    def _holds(self, claims: Claims, signatures: tuple[SignatureReport, ...]) -> bool:
        """Whether manifests and names are those that the chain names and that were signed."""
        faults = [each for each in claims.faults if is_within(each.path, self._at.roll)]
        for fault in faults[:_TOLD]:
            self._tell(fault.code, fault.text, fault.path)
        chained = join(self._at.roll, HISTORY_FOLDER)
        names = join(self._at.records, NAMES_NAME)
        bad = [
            each
            for each in signatures
            if each.state in _CONTRADICTING
            and (parent(each.about) == chained or each.about == names)
        ]
        for each in bad[:_TOLD]:
            text = _without(each.about, of_signature(each))
            self._tell(f"signature-{each.state.value}", text, each.about)
        return not faults and not bad

    def _generation(self, history: History) -> Generation | None:
        """The generation by which the roll is known: the one of its card code, else the newest.

        One that was copied again, or verified and gone on with, has the same root hash in each.
        """
        rooted = [each for each in history.generations if _root(each)]
        run = read_run(self._place.root, self._at.records)
        if run is not None:
            for each in rooted:
                if card_code(_root(each)) == run.code:
                    return each
        return rooted[-1] if rooted else None

    def _inventory(self, custody: Custody) -> tuple[Inventory, dict[str, bytes]]:
        """The card's listing, under the names that it had there, and the digests in its order."""
        names = self._names()
        top = len(self._at.roll) + 1
        entries: list[Entry] = []
        columns: dict[str, bytearray] = {}
        for path, record in self._recorded(custody):
            known = custody.lookup(path)
            for algorithm, said in (known.usable() if known else {}).items():
                column = columns.setdefault(algorithm, bytearray())
                # Those before it had none of this kind.
                column += bytes(len(entries) * digest_size(algorithm) - len(column))
                column += said.hash.digest
            size, modified = record.size_bytes or 0, record.mtime_ns or 0
            entries.append(Entry(names.on_card(path[top:]), Kind.FILE, size, modified))
        for path in self._empty_folders(custody):
            entries.append(Entry(names.on_card(path[top:]), Kind.FOLDER))
        order = sorted(range(len(entries)), key=lambda number: entries[number].path)
        if any(entries[one].path == entries[other].path for one, other in pairwise(order)):
            raise RecordError("two of its files have one name on the card", path=self._at.records)
        digests = {}
        for algorithm, column in columns.items():
            size = digest_size(algorithm)
            column += bytes(len(entries) * size - len(column))
            digests[algorithm] = b"".join(
                [column[number * size : (number + 1) * size] for number in order]
            )
        return Inventory(Entries(entries)), digests

    def _recorded(self, custody: Custody) -> Iterator[tuple[bytes, HashRecord]]:
        for path, record in custody.current():
            if is_within(path, self._at.roll):
                yield path, record

    def _empty_folders(self, custody: Custody) -> list[bytes]:
        """Folders in which nothing is: the others are told by what is in them."""
        folders = [
            join(scope, record.path)
            for scope, history in custody.histories.items()
            if is_within(scope, self._at.roll)
            for record in history.folders()
            if record.path
        ]
        used: set[bytes] = set()
        for path in chain(folders, (path for path, _ in self._recorded(custody))):
            above = parent(path)
            while above and above not in used:
                used.add(above)
                above = parent(above)
        return sorted(set(folders) - used)

    def _names(self) -> NameMap:
        path = join(self._at.records, NAMES_NAME)
        try:
            return NameMap.from_json(self._place.root.read_small(path, LARGEST_BYTES))
        except FileNotFoundError:
            return NameMap()

    def _look_for_files(self, custody: Custody) -> None:
        """Tell what is recorded and not there by name and size; nothing is read."""
        entries = self._listing.entries
        lacking: list[bytes] = []
        for path, record in self._recorded(custody):
            number = self._listing.number(path)
            size = entries[number].size_bytes if number is not None else None
            if size is None or record.size_bytes not in (None, size):
                lacking.append(path)
        if lacking:
            first = to_text(lacking[0][len(self._at.roll) + 1 :])
            more = f" and {len(lacking) - 1:,} more" if len(lacking) > 1 else ""
            what = f"lacks {counted(len(lacking), 'recorded file')}, or has them in another size"
            self._tell("files-missing", f"{what}: {first}{more}", self._at.roll)

    def _clearances(
        self, records: Records, signatures: tuple[SignatureReport, ...], inventory: Inventory
    ) -> tuple[GoodClearance, ...]:
        keys = {each.about: each.fingerprint for each in signatures if each.path}
        good = []
        for found in find_clearances(self._folder, self._listing, records, signatures):
            report = found.report
            if report.state is ClearanceState.UNKNOWN_KEY:
                self.unknown_keys.append((keys.get(report.path, ""), report.path))
            elif report.state is not ClearanceState.PROVES_THIS_COPY or found.statement is None:
                self._tell_clearance(found)
            elif found.statement.rolls:
                what = "is about a card of several rolls and is not written back"
                self.notices.append(Finding("clearance-of-several-rolls", what, report.path))
            elif found.statement.contents.links:
                what = (
                    "is about a card with links, which no manifest lists, and is not written back"
                )
                self.notices.append(Finding("clearance-of-links", what, report.path))
            elif found.statement.contents.digest != inventory.digest:
                what = "is about another listing of the card than the manifest gives"
                self._tell("clearance-of-other-listing", what, report.path)
            else:
                recorded = self._recorded_clearance(found, keys[report.path])
                good.append(GoodClearance(recorded, found.statement))
        return tuple(good)

    def _recorded_clearance(self, found: FoundClearance, key: str) -> RecordedClearance:
        statement = found.statement
        if statement is None:
            raise RuntimeError("only a clearance that was read counts")
        withdrawn_ns = None
        if found.withdrawn is not None:
            withdrawn_ns = moment_ns(found.withdrawn.at, self._trust.at)
        return RecordedClearance(
            found.c4,
            key,
            statement.headline,
            moment_ns(statement.written, self._trust.at),
            # No mounting: in none that there is has this ledger seen a byte of the card read.
            withdrawn_ns=withdrawn_ns,
        )

    def _tell_clearance(self, found: FoundClearance) -> None:
        state = found.report.state
        path = found.report.path
        text = _without(path, of_clearance(found.report))
        finding = Finding(f"clearance-{state.value}", text, path)
        (self.notices if state in _NOTICES else self.findings).append(finding)

    def _tell(self, code: str, text: str, path: bytes) -> None:
        self.findings.append(Finding(code, text, path))


def _without(path: bytes, phrase: str) -> str:
    """A phrase that begins with the path that it is about, without it."""
    return phrase.removeprefix(f"{to_text(path)} ")


def moment_ns(moment: datetime | None, now: datetime) -> int:
    """Nanoseconds since 1970, never before that and never after ``now``, which None stands for."""
    latest = int(now.timestamp())
    try:
        at = int(moment.timestamp()) if moment is not None else latest
    except (ValueError, OverflowError):
        # A year that no clock has.
        at = latest
    return max(0, min(at, latest)) * 10**9


def _root(generation: Generation) -> bytes:
    """The raw xxh128 root hash of a generation's content; empty where it has none."""
    root = generation.head.root
    found = {each.algorithm: each.digest for each in root.content} if root else {}
    return found.get(COMPARE, b"")
