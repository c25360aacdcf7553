"""Reading every file once, past the cache, and judging it by all that is recorded of it."""

import os
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from offload.events import Found, Sink
from offload.jobs.surroundings import Surroundings
from offload.jobs.verify_place import HeldPlace, Listing
from offload.jobs.verify_plan import Plan
from offload.jobs.verify_records import Records
from offload.jobs.verify_result import GOOD, Coverage, FileReport, FileState
from offload.jobs.verify_sayings import sayings_of
from offload.record.claims import Claim, FileJudgement, FileOutcome, algorithms_of, match_moved
from offload.record.find import FoundRecord, RecordKind
from offload.record.mhl.known import Generation
from offload.transfer.counters import Lane, Pass
from offload.transfer.plan import IsStopped
from offload.transfer.proving import prove_all
from offload.transfer.readings import Outcome, Reading, ReadingResult
from offload.transfer.results import Digests, Marks
from offload.values.facts import ReadBack
from offload.values.findings import Finding

REPORTS_KEPT = 10_000
"""Of each state; the counts are always whole."""

_STATES = {
    FileOutcome.AS_RECORDED: FileState.AS_RECORDED,
    FileOutcome.DIFFERS: FileState.DIFFERS,
    FileOutcome.NOT_VERIFIABLE: FileState.NOT_VERIFIABLE,
    FileOutcome.NOT_RECORDED: FileState.NOT_VERIFIABLE,
}
_WORST_FIRST = (
    FileOutcome.DIFFERS,
    FileOutcome.NOT_VERIFIABLE,
    FileOutcome.NOT_RECORDED,
    FileOutcome.AS_RECORDED,
)
_UNREAD = {
    Outcome.NOT_READ: FileState.NOT_READ,
    Outcome.MISSING: FileState.CHANGED,
    Outcome.CHANGED: FileState.CHANGED,
    Outcome.DIFFERS: FileState.CHANGED,
}

Seen = set[tuple[str, bytes]]
_Said = Sequence[tuple[bytes, Sequence[Claim]]]


def _none_further(_path: bytes) -> tuple[str, ...]:
    return ()


def _not_anyway(_path: bytes) -> bool:
    return False


def _is_no_folder(_number: int) -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Also:
    """What a reading is used for beside judging.

    Attributes:
        algorithms: further checksums of a path, recorded or not.
        looked_for: (algorithm, digest) pairs of which the ones met are to be told.
        keeps_digests: algorithms whose digests of every file read are kept.
        is_read_anyway: files that are read although nobody has recorded them.
        tells_strangers: what keeps one of these from being read whole, and from the drive, is told
            of it as of any other file.
    """

    algorithms: Callable[[bytes], Iterable[str]] = _none_further
    looked_for: frozenset[tuple[str, bytes]] = frozenset()
    keeps_digests: tuple[str, ...] = ()
    is_read_anyway: Callable[[bytes], bool] = _not_anyway
    tells_strangers: bool = False


@dataclass(slots=True)
class Checked:
    """What came of it.

    Attributes:
        states: by entry.
        recorded_as: number -> recorded path, for names shown otherwise and renamed files.
        missing: recorded, not there and not found under another name -> what stands there.
        reports: by number, bounded for each state; of missing ones see ``missing``.
        coverage: by path of the record.
        seen: those looked for that were met.
        digests: of those algorithms that are kept.
        marks: facts of each file at its reading; the first entry has the number ``first`` there.
        read_back: how the files were read.
        bytes_read: of files read whole.
    """

    states: bytearray
    recorded_as: dict[int, bytes]
    missing: dict[bytes, str]
    coverage: dict[bytes, Coverage]
    digests: Digests
    marks: Marks
    reports: dict[int, FileReport] = field(default_factory=dict)
    seen: Seen = field(default_factory=set)
    read_back: ReadBack = ReadBack.NONE
    bytes_read: int = 0
    first: int = 0

    def is_still(self, number: int, facts: os.stat_result, size_bytes: int) -> bool:
        """Whether a file that was read is still as it was then."""
        return self.marks.holds(self.first + number, facts, size_bytes)


class Checker:
    """One place under check: what to read of it, and what to make of each file that was read."""

    def __init__(
        self,
        key: str,
        place: HeldPlace,
        listing: Listing,
        records: Records,
        plan: Plan,
        also: Also,
        sink: Sink,
    ) -> None:
        self.key = key
        self._place = place
        self._listing = listing
        self._claims = records.claims
        self._plan = plan
        self._also = also
        self._sink = sink
        self._strangers = frozenset(plan.strangers)
        self._contents: dict[int, Mapping[str, bytes]] = {}
        # Of the files that are under way: asking the records takes longer than a small file does.
        self._said: dict[int, _Said] = {}
        self._kept: Counter[FileState] = Counter()
        self.checked = Checked(
            plan.states,
            dict(plan.recorded_as),
            dict(plan.missing),
            {record.path: _coverage(record, records) for record in records.found},
            Digests(also.keeps_digests, len(listing.entries)),
            Marks(len(listing.entries), place.root.device),
        )

    @property
    def count(self) -> int:
        """Entries of the listing."""
        return len(self._listing.entries)

    @property
    def total_bytes(self) -> int:
        """What is to be read."""
        return sum(self._listing.entries.size_bytes(number) for number in self._plan.to_read)

    def size_of(self, number: int) -> int:
        """Bytes, as listed."""
        return self._listing.entries.size_bytes(number)

    @property
    def plan(self) -> Plan:
        """What is to be read."""
        return self._plan

    def to_read(self) -> list[int]:
        """Entries that are read, in the order of the listing."""
        return self._plan.to_read

    def recorded_numbers(self) -> list[int]:
        """Entries that a record speaks of."""
        return self._plan.recorded

    def names_of(self, number: int) -> tuple[bytes, ...]:
        """Every path under which an entry is recorded."""
        return self._plan.names_of(number, self._listing)

    def differs(self, number: int, digests: Mapping[str, bytes]) -> bool:
        """Whether a record speaks against a file that was read so; nothing is settled by it."""
        judged = self._judged(number, digests)
        return judged.outcome is FileOutcome.DIFFERS

    def carry(self, number: int, digests: Mapping[str, bytes]) -> None:
        """Judge a file by an earlier reading; it is not read again.

        Args:
            number: of an entry that a record speaks of.
            digests: of that reading; the file has not changed since.
        """
        self._plan.carried.add(number)
        self.take(number, digests)

    def pass_over(self, names: Iterable[bytes]) -> None:
        """Note that a recorded file is not to be read: no record that speaks of it is whole.

        Args:
            names: every path under which it is recorded.
        """
        self._tally_all(names, "unread")

    def reading(self, first: int) -> Reading:
        """What the pass reads.

        Args:
            first: number of this place's first entry in the pass.
        """
        return Reading(
            self.key,
            self._place.root,
            self._place.medium,
            lambda number: self._listing.entries.path(number - first),
            [first + number for number in self._plan.to_read],
            _is_no_folder,
            may_share=True,
            algorithms=lambda number: self._algorithms(number - first),
            take=lambda number, digests: self.take(number - first, digests),
        )

    def take(self, number: int, digests: Mapping[str, bytes]) -> None:
        """Judge a file that was read whole."""
        self.checked.bytes_read += self._listing.entries.size_bytes(number)
        self._keep(number, digests)
        if number in self._strangers:
            if any(each in self._plan.wanted for each in digests.items()):
                self._contents[number] = digests
            return
        judged = self._judged(number, digests)
        state = _STATES[judged.outcome]
        self._tally(judged.agreeing, judged.differing)
        if state is FileState.AS_RECORDED:
            is_other = number in self._plan.recorded_as
            state = FileState.SHOWN_OTHERWISE if is_other else state
        self.checked.states[number] = state
        if state is not FileState.AS_RECORDED:
            sayings = sayings_of(judged.differing, judged.agreeing, digests)
            recorded = self._plan.path_for(number, self._listing)
            self._report(number, FileReport(self._path(number), state, recorded, "", sayings))

    def end(self, result: ReadingResult, first: int) -> None:
        """Take in what the pass says as a whole.

        Args:
            result: of this place's reading.
            first: as for :meth:`reading`.
        """
        self._said.clear()
        whys = {finding.path: finding.text for finding in result.findings}
        self.checked.read_back = result.read_back
        for number in self._plan.to_read:
            outcome = result.outcomes[first + number]
            if outcome not in (Outcome.EQUAL, Outcome.EQUAL_CACHED):
                self._not_read(number, outcome, whys)
            elif outcome == Outcome.EQUAL_CACHED or result.read_back is ReadBack.CACHED:
                self._from_cache(number)
        if FileState.CACHED in self.checked.states:
            self.checked.read_back = ReadBack.CACHED
        self._count_missing()
        self._find_renamed()

    def _judged(self, number: int, digests: Mapping[str, bytes]) -> FileJudgement:
        """By all names under which it is recorded; one record that differs outweighs all."""
        said = self._said.pop(number, None) or self._asked(number)
        first, *further = [self._claims.judge(path, digests, of) for path, of in said]
        for other in further:
            outcome = min(first.outcome, other.outcome, key=_WORST_FIRST.index)
            agreeing = (*first.agreeing, *other.agreeing)
            first = FileJudgement(outcome, agreeing, (*first.differing, *other.differing))
        return first

    def _algorithms(self, number: int) -> set[str]:
        wanted = set(self._also.algorithms(self._listing.entries.path(number)))
        if number in self._strangers:
            return wanted | {algorithm for algorithm, _ in self._plan.wanted}
        said = self._said[number] = self._asked(number)
        return wanted.union(*(algorithms_of(claims) for _, claims in said))

    def _asked(self, number: int) -> _Said:
        return [(path, self._claims.of(path)) for path in self.names_of(number)]

    def _keep(self, number: int, digests: Mapping[str, bytes]) -> None:
        for algorithm in self._also.keeps_digests:
            digest = digests.get(algorithm)
            if digest is not None:
                self.checked.digests.put(algorithm, number, digest)
        for pair in digests.items():
            if pair in self._also.looked_for:
                self.checked.seen.add(pair)

    def _tally(self, agreeing: Iterable[Claim], differing: Iterable[Claim]) -> None:
        differ = {claim.source.path for claim in differing}
        agree = {claim.source.path for claim in agreeing} - differ
        for paths, column in ((differ, "differing"), (agree, "good")):
            for path in paths:
                found = self.checked.coverage.get(path)
                if found is not None:
                    found.files += 1
                    setattr(found, column, getattr(found, column) + 1)

    def _tally_all(self, paths: Iterable[bytes], column: str) -> None:
        """Note a file as missing or unread with every record that speaks of it."""
        for record in {claim.source.path for path in paths for claim in self._claims.of(path)}:
            found = self.checked.coverage.get(record)
            if found is not None:
                found.files += 1
                setattr(found, column, getattr(found, column) + 1)

    def _not_read(self, number: int, outcome: int, whys: Mapping[bytes, str]) -> None:
        if number in self._strangers and not self._also.tells_strangers:
            return
        state = _UNREAD.get(outcome, FileState.UNREADABLE)
        self.checked.states[number] = state
        self._tally_all(self.names_of(number), "unread")
        if state is not FileState.NOT_READ:
            path = self._path(number)
            why = whys.get(path, "")
            recorded = self._plan.path_for(number, self._listing)
            self._report(number, FileReport(path, state, recorded, why))

    def _from_cache(self, number: int) -> None:
        is_told = number in self._strangers and self._also.tells_strangers
        if is_told or self.checked.states[number] in GOOD:
            self.checked.states[number] = FileState.CACHED

    def _count_missing(self) -> None:
        for path in self.checked.missing:
            self._tally_all([path], "missing")

    def _find_renamed(self) -> None:
        """Missing files whose content lies under a name that nobody has recorded."""
        missing = {path: self._claims.of(path) for path in self.checked.missing}
        contents = {self._path(number): found for number, found in self._contents.items()}
        for path, recorded in match_moved(missing, contents).items():
            number = self._listing.entries.index(path)
            self.checked.states[number] = FileState.RENAMED
            self.checked.recorded_as[number] = recorded
            del self.checked.missing[recorded]
            report = FileReport(path, FileState.RENAMED, recorded)
            self._report(number, report)

    def _report(self, number: int, report: FileReport) -> None:
        if report.state not in GOOD:
            code = report.state.word
            self._sink(Found(Finding(code, report.why or _TOLD[report.state], report.path)))
        if self._kept[report.state] < REPORTS_KEPT:
            self._kept[report.state] += 1
            self.checked.reports[number] = report

    def _path(self, number: int) -> bytes:
        return self._listing.entries.path(number)


_TOLD = {
    FileState.DIFFERS: "is not as recorded",
    FileState.UNREADABLE: "could not be read",
    FileState.CHANGED: "changed while it was read",
    FileState.NOT_VERIFIABLE: "is recorded, but in no form that can be checked",
    FileState.RENAMED: "has the content of a file that is missing under its recorded name",
}


def read_places(
    checkers: Sequence[Checker],
    counters: Pass,
    surroundings: Surroundings,
    is_stopped: IsStopped,
) -> None:
    """Read several places at once, each by a reader of its own, and settle what was found."""
    firsts = [0]
    for checker in checkers:
        firsts.append(firsts[-1] + checker.count)
        lane = counters.drives.setdefault(checker.key, Lane(checker.key))
        lane.total_bytes += checker.total_bytes
    owner = [(first, checker) for first, checker in zip(firsts, checkers, strict=False)]

    def size_of(number: int) -> int:
        first, checker = next(each for each in reversed(owner) if each[0] <= number)
        return checker.size_of(number - first)

    results = prove_all(
        [checker.reading(first) for first, checker in owner],
        _Unknown(),
        size_of,
        counters,
        firsts[-1],
        read_counter=surroundings.read_counter,
        is_stopped=is_stopped,
    )
    for first, checker in owner:
        checker.checked.marks = results[checker.key].marks
        checker.checked.first = first
        checker.end(results[checker.key], first)


class _Unknown:
    """No digest is expected: files are read first and judged then."""

    def get(self, _name: str, _number: int, /) -> bytes | None:
        return None


def _coverage(record: FoundRecord, records: Records) -> Coverage:
    generations: tuple[Generation, ...] = ()
    if record.kind is RecordKind.HISTORY:
        history = records.claims.custody.histories.get(record.scope)
        generations = history.generations if history else ()
    return Coverage(record.kind, record.path, record.scope, generations)
