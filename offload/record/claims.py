"""All that the records below a folder say of each file, together.

Histories are asked through their custody. Stand-alone manifests, checksum lists and bags are read
whole, packed, and asked by path. Nothing is read from the footage here: a caller reads each file
once, with all the algorithms that :meth:`Claims.algorithms_for` names, and has it judged.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from offload.errors import RecordError, reason
from offload.record.find import Finds, FoundRecord, RecordKind
from offload.record.folder import Folder
from offload.record.mhl.custody import Custody, load_custody
from offload.record.mhl.known import Generation
from offload.record.mhl.model import Action, HashRecord
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.record.mhl.read import ManifestReader
from offload.record.packed import PackedRows
from offload.record.sums import UnreadSum, read_sums
from offload.record.tagfiles import payload_of, read_bag
from offload.values.findings import Finding
from offload.values.paths import join, parent

_UNREAD_TOLD = 1000
_CONTRADICTIONS_TOLD = 1000
_LINE_BYTES = 5

_Said = tuple[tuple[str, ...], bytes]
_Form = tuple[tuple[tuple[str, ...], int], ...]


@dataclass(frozen=True, slots=True)
class Claim:
    """What one record says of one file.

    Attributes:
        source: the record.
        algorithms: what the digest can be; the file is as claimed if any of them gives it.
        digest: raw.
        generation: for a history, the one that said so: when, by whom; for a stand-alone manifest,
            itself.
        line: in a list, from 1.
    """

    source: FoundRecord
    algorithms: tuple[str, ...]
    digest: bytes
    generation: Generation | None = None
    line: int = 0

    def agrees(self, digests: Mapping[str, bytes]) -> bool | None:
        """Whether digests worked out now bear it out; None where none of its formats is there."""
        found = [digests[name] for name in self.algorithms if name in digests]
        return self.digest in found if found else None


class FileOutcome(Enum):
    """What all records together say of a file that was read."""

    AS_RECORDED = "as-recorded"
    DIFFERS = "differs"
    """From at least one record, whatever others say."""
    NOT_VERIFIABLE = "not-verifiable"
    """Recorded, but by nothing that could be checked; that is no success."""
    NOT_RECORDED = "not-recorded"


@dataclass(frozen=True, slots=True)
class FileJudgement:
    """The outcome for one file, and which claims made it."""

    outcome: FileOutcome
    agreeing: tuple[Claim, ...] = ()
    differing: tuple[Claim, ...] = ()


class Claims:
    """Everything that is recorded below one folder.

    Attributes:
        custody: of all histories.
        faults: of all records; also ``list-line-unreadable``, ``list-path-unsafe``,
            ``list-checksum-unsupported`` and ``record-unreadable``.
        notices: likewise.
    """

    def __init__(self, folder: Folder, finds: Finds, *, now: datetime | None = None) -> None:
        """Load all that was found.

        Args:
            folder: what is read from.
            finds: what :func:`~offload.record.find.find_records` found in it.
            now: for telling dates in the future, with zone.
        """
        self._folder = folder
        self._sources: list[FoundRecord] = []
        self._manifests: dict[int, Generation] = {}
        self._rows: PackedRows[_Form] = PackedRows()
        self._faults = [*finds.faults]
        self._notices = [*finds.notices]
        histories = finds.of_kind(RecordKind.HISTORY)
        self._histories = {record.scope: record for record in histories}
        scopes = [record.scope for record in histories]
        self.custody: Custody = load_custody(folder, b"", scopes, now=now)
        for record in finds.records:
            self._load(record)
        self._rows.seal()

    @property
    def faults(self) -> tuple[Finding, ...]:
        """What is broken in any record."""
        return (*self.custody.faults, *self._faults)

    @property
    def notices(self) -> tuple[Finding, ...]:
        """What is unusual in any record and does not matter."""
        return (*self.custody.notices, *self._notices)

    def of(self, path: bytes) -> tuple[Claim, ...]:
        """Every claim about a file, histories first."""
        claims = list(self._of_histories(path))
        for place in self._rows.places(path):
            number = self._rows.number(place)
            form, facts = self._rows.row(place)
            line = int.from_bytes(facts[:_LINE_BYTES], "big")
            at = _LINE_BYTES
            for names, size in form:
                digest = facts[at : at + size]
                at += size
                source, manifest = self._sources[number], self._manifests.get(number)
                claims.append(Claim(source, names, digest, manifest, line))
        return tuple(claims)

    def is_recorded(self, path: bytes) -> bool:
        """Whether any record speaks of a file, be it in no format that can be checked."""
        return bool(self._rows.places(path)) or self.custody.lookup(path) is not None

    def algorithms_for(self, path: bytes) -> frozenset[str]:
        """The checksums that one reading of a file has to work out."""
        return algorithms_of(self.of(path))

    def judge(
        self, path: bytes, digests: Mapping[str, bytes], claims: Sequence[Claim] | None = None
    ) -> FileJudgement:
        """Compare raw digests by algorithm, worked out now, with all that is recorded.

        Args:
            path: of the file.
            digests: raw, by algorithm.
            claims: what :meth:`of` said of it, where the caller has asked already.
        """
        agreeing: list[Claim] = []
        differing: list[Claim] = []
        for claim in self.of(path) if claims is None else claims:
            verdict = claim.agrees(digests)
            if verdict is not None:
                (agreeing if verdict else differing).append(claim)
        if differing:
            outcome = FileOutcome.DIFFERS
        elif agreeing:
            outcome = FileOutcome.AS_RECORDED
        elif self.is_recorded(path):
            outcome = FileOutcome.NOT_VERIFIABLE
        else:
            outcome = FileOutcome.NOT_RECORDED
        return FileJudgement(outcome, tuple(agreeing), tuple(differing))

    def expected(self) -> Iterator[bytes]:
        """Every file that any record says is there, each once; ignored ones are left out."""
        for path, _ in self.custody.current():
            yield path
        for at in range(len(self._rows)):
            if self._rows.is_last(at):
                path = self._rows.path(at)
                if not self.custody.ignores(path) and not self._is_current(path):
                    yield path

    def contradictions(self) -> Iterator[Finding]:
        """Files for which a history has two values in one format, and neither of them failed.

        The earliest counts, as ever; but whoever wrote the other saw another file.
        """
        histories = self.custody.histories.values()
        if all(len(history.generations) < 2 for history in histories):
            return
        told = 0
        for path, _ in self.custody.current():
            known = self.custody.lookup(path)
            formats = known.contradictions() if known and len(known.sightings) > 1 else ()
            if formats:
                told += 1
                values = f"has different values of {', '.join(formats)} in its history"
                what = f"{values}, none of them marked as failed"
                yield Finding("history-contradicts", what, path)
            if told == _CONTRADICTIONS_TOLD:
                return

    def _is_current(self, path: bytes) -> bool:
        scope = self.custody.scope_of(parent(path))
        return scope is not None and self.custody.lookup(path) is not None

    def _of_histories(self, path: bytes) -> Iterator[Claim]:
        known = self.custody.lookup(path)
        if known is None:
            return
        scope = path[: len(path) - len(known.path)].rstrip(b"/")
        for name, said in sorted(known.usable().items()):
            yield Claim(self._history(scope), (name,), said.hash.digest, said.generation)

    def _history(self, scope: bytes) -> FoundRecord:
        # One that is referred to may lie outside what was looked through.
        found = FoundRecord(RecordKind.HISTORY, join(scope, HISTORY_FOLDER), scope)
        return self._histories.get(scope, found)

    def _load(self, record: FoundRecord) -> None:
        loaders = {
            RecordKind.MANIFEST: self._load_manifest,
            RecordKind.LIST: self._load_list,
            RecordKind.BAG: self._load_bag,
        }
        loader = loaders.get(record.kind)
        if loader is None:
            return
        before = len(self._rows)
        self._sources.append(record)
        try:
            loader(record)
        except (RecordError, OSError) as error:
            self._rows.cut(before)
            what = reason(error) if isinstance(error, OSError) else _text(error)
            self._faults.append(Finding("record-unreadable", what, record.path))

    def _add(
        self, record: FoundRecord, path: bytes, hashes: tuple[_Said, ...], line: int = 0
    ) -> None:
        form = tuple([(names, len(digest)) for names, digest in hashes])
        facts = b"".join([line.to_bytes(_LINE_BYTES, "big"), *(digest for _, digest in hashes)])
        self._rows.add(len(self._sources) - 1, join(record.scope, path), form, facts)

    def _load_manifest(self, record: FoundRecord) -> None:
        count = 0
        with self._folder.open(record.path) as stream:
            reader = ManifestReader(stream, record.path)
            for each in reader:
                count += 1
                if isinstance(each, HashRecord):
                    self._add(record, each.path, _checkable(each))
        self._notices += [Finding(one.code, one.text, record.path) for one in reader.notices]
        self._manifests[len(self._sources) - 1] = Generation(
            0, record.path, reader.head, reader.references, reader.c4, count
        )

    def _load_list(self, record: FoundRecord) -> None:
        unread = 0
        with self._folder.open(record.path) as stream:
            for line in read_sums(stream, record.path):
                if isinstance(line, UnreadSum):
                    unread += 1
                    self._tell_unread(record, line, unread)
                else:
                    hashes = ((line.algorithms, line.digest),)
                    self._add(record, line.path, hashes, line.line)

    def _tell_unread(self, record: FoundRecord, line: UnreadSum, count: int) -> None:
        if count > _UNREAD_TOLD:
            return
        more = "; further ones are not told" if count == _UNREAD_TOLD else ""
        text = f"line {line.line} proves nothing{more}"
        self._faults.append(Finding(line.code, text, record.path))

    def _load_bag(self, record: FoundRecord) -> None:
        bag = read_bag(self._folder, record.path)
        located = bag.locate(payload_of(self._folder, record.path))
        self._faults += bag.faults
        self._notices += [*bag.notices, *located.notices]
        files = [(path, file.digests) for path, file in located.files.items()]
        files += [(file.path, file.digests) for file in bag.files.values() if file.is_tag]
        files += [(path, bag.files[path].digests) for path in located.missing]
        for path, digests in files:
            self._add(record, path, tuple(((name,), digests[name]) for name in sorted(digests)))


def algorithms_of(claims: Iterable[Claim]) -> frozenset[str]:
    """The checksums that claims can be compared by."""
    return frozenset([name for claim in claims for name in claim.algorithms])


def match_moved(
    missing: Mapping[bytes, tuple[Claim, ...]], extra: Mapping[bytes, Mapping[str, bytes]]
) -> dict[bytes, bytes]:
    """Files that are recorded under another name, found by content.

    Args:
        missing: paths that are recorded and not there, with their claims.
        extra: files that are there and recorded by nobody, with the digests worked out.

    Returns:
        By path now, the path recorded; each recorded path at most once.
    """
    by_digest: dict[tuple[str, bytes], list[bytes]] = {}
    for path in sorted(missing, reverse=True):
        for claim in missing[path]:
            for name in claim.algorithms:
                by_digest.setdefault((name, claim.digest), []).append(path)
    found: dict[bytes, bytes] = {}
    taken: set[bytes] = set()
    for path in sorted(extra):
        for name, digest in sorted(extra[path].items()):
            free = [old for old in by_digest.get((name, digest), ()) if old not in taken]
            if free:
                found[path] = free[-1]
                taken.add(free[-1])
                break
    return found


def _checkable(record: HashRecord) -> tuple[_Said, ...]:
    return tuple(
        ((found.algorithm,), found.digest)
        for found in record.hashes
        if found.action in (Action.ORIGINAL, Action.VERIFIED)
    )


def _text(error: RecordError) -> str:
    return f"{error.what} (line {error.line})" if error.line else error.what
