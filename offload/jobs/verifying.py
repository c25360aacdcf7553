"""A copy, a delivery or any folder, against everything that is written down about it.

Without the ledger: what is there, what its records say, one reading of every file past the cache.
Nothing is called verified that was not read, and nothing is written unless asked for.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice

from offload.errors import BusyError, DriveError, RecordError, reason
from offload.events import Found, Sink, StepFinished, StepStarted, no_sink
from offload.jobs.card_volumes import is_card_volume, refuse_card
from offload.jobs.descent_report import DescentReport
from offload.jobs.surroundings import Surroundings
from offload.jobs.tools import StoppedError
from offload.jobs.verify_appending import Signing, append_all, records_folder_of, unnamable
from offload.jobs.verify_arrivals import Expected
from offload.jobs.verify_bags import judge_bags
from offload.jobs.verify_clearances import judge_clearances
from offload.jobs.verify_descents import judge_descents
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_locks import records_made, rolls_locked
from offload.jobs.verify_place import (
    HeldPlace,
    Listing,
    folder_of,
    is_unfinished,
    list_place,
    open_place,
)
from offload.jobs.verify_plan import Plan, is_in_history, make_plan, take_lists_in
from offload.jobs.verify_reading import Also, Checked, Checker, read_places
from offload.jobs.verify_reasons import Expectation, answer_of, reasons_of, why_not_appended
from offload.jobs.verify_receipts import compare_receipt, receipts_of, refuse_malformed
from offload.jobs.verify_records import Records, load_records
from offload.jobs.verify_result import (
    Appended,
    ClearanceReport,
    FileReport,
    FileState,
    Receipt,
    ReceiptComparison,
    SignatureReport,
    Verification,
)
from offload.jobs.verify_signatures import Trust, judge_signatures
from offload.record.expected import Arrival
from offload.record.keys import SigningKey
from offload.record.mhl.history import has_history
from offload.record.mhl.model import FORMATS
from offload.record.signers import Signers
from offload.transfer.counters import Progress
from offload.transfer.plan import IsStopped
from offload.values.entries import Kind
from offload.values.findings import Finding
from offload.values.paths import is_within
from offload.volumes.volume import Volume

_NOT_FILES_TOLD = 1000
_NAMES_TOLD = 1000
BEGUN_MEANWHILE = "somebody else has begun a history here while the files were read"


def _never() -> bool:
    return False


@dataclass(frozen=True, slots=True)
class VerifyTools:
    """What a verification works with.

    Attributes:
        signers: whose keys are known and revoked.
        surroundings: the machine.
        progress: counters for faces; the reading is its proving pass.
        sink: takes the events.
        is_stopped: whether the user wants to stop.
        is_card: whether nothing may be written on a volume.
    """

    signers: Signers = field(default_factory=Signers)
    surroundings: Surroundings = field(default_factory=Surroundings)
    progress: Progress = field(default_factory=Progress)
    sink: Sink = no_sink
    is_stopped: IsStopped = _never
    is_card: Callable[[Volume], bool] = is_card_volume


@dataclass(frozen=True, slots=True)
class Appending:
    """That the next generation is to be appended, and by whom.

    Attributes:
        key: signs.
        identity: as in a line of ``allowed_signers``.
        checksums: worked out for every file, beside those that the records ask for.
        begins: the named folder has no history yet, and gets its first generation.
    """

    key: SigningKey
    identity: str
    checksums: tuple[str, ...]
    begins: bool = False


@dataclass(frozen=True, slots=True)
class VerifyWish:
    """What is asked for.

    Attributes:
        folder: to be verified.
        appending: None for looking only.
        expect: path of a collection or packing list; empty for none.
        with_receipt: give the root hashes of the newest generations.
        against_receipt: a value that was read out; empty for none.
    """

    folder: bytes
    appending: Appending | None = None
    expect: bytes = b""
    with_receipt: bool = False
    against_receipt: str = ""


def verify_folder(wish: VerifyWish, tools: VerifyTools) -> Verification:
    """Verify one folder.

    Raises:
        DriveError: it cannot be opened or listed.
        UsageError: it is no folder for this command, or what is expected cannot be read.
        StoppedError: the user wanted to stop.
    """
    if wish.against_receipt:
        refuse_malformed(wish.against_receipt)
    with ExitStack() as stack:
        expected = None
        if wish.expect:
            expected = Expected(wish.expect)
            stack.callback(expected.close)
        verifying = begin_verifying(wish.folder, tools, expected=expected)
        stack.callback(verifying.close)
        verifying.plan(wish.appending)
        verifying.read()
        appended, why_not = verifying.append(wish.appending)
        return verifying.result(wish, appended, why_not)


def begin_verifying(
    folder: bytes,
    tools: VerifyTools,
    *,
    name: str = "folder",
    expected: Expected | None = None,
) -> "Verifying":
    """Open a folder, list it and load its records; nothing of the footage is read yet.

    Args:
        folder: path.
        tools: see there.
        name: of its lane in the counters.
        expected: what ought to have come.

    Raises:
        DriveError, UsageError: as for :func:`verify_folder`.
    """
    place = open_place(folder, tools.surroundings)
    try:
        return Verifying(place, tools, name, expected)
    except OSError as error:
        place.root.close()
        raise DriveError(
            f"the folder cannot be looked through: {reason(error)}",
            path=place.given,
            meaning="Nothing was read, so nothing is known of what lies there.",
            remedy="Check the drive's cable, plug it in anew, then the same command.",
        ) from error
    except BaseException:
        place.root.close()
        raise


class Verifying:
    """One verification under way: opened, then planned, then read, then told.

    Attributes:
        place, listing, folder, records: what is looked at.
        signatures, clearances, descents, faults: judged when everything has been read.
    """

    def __init__(
        self, place: HeldPlace, tools: VerifyTools, name: str, expected: Expected | None
    ) -> None:
        self.place = place
        self._tools = tools
        self._name = name
        self._expected = expected
        self._checker: Checker | None = None
        self.started_at = tools.surroundings.now()
        with self._step("listing"):
            self.listing: Listing = list_place(place, tools.surroundings)
            self.folder: SeenFolder = folder_of(place, self.listing)
            self.records: Records = load_records(self.folder, self.listing, self.started_at)
        self.signatures: tuple[SignatureReport, ...] = ()
        self.clearances: tuple[ClearanceReport, ...] = ()
        self.descents: tuple[DescentReport, ...] = ()
        self.faults: tuple[Finding, ...] = ()

    def plan(self, appending: Appending | None = None, keeps_digests: tuple[str, ...] = ()) -> None:
        """Choose what is to be read.

        Args:
            appending: what a further generation has to hold is worked out as well.
            keeps_digests: algorithms that are worked out and kept for every file that is read.

        Raises:
            UsageError: something is to be appended, and it is on a card.
        """
        if appending is not None and self._tools.is_card(self.place.volume):
            refuse_card(
                self.place.given,
                self.place.volume,
                "Without --append it is verified; to go on with its history, copy it",
            )
        also = self._uses(appending, keeps_digests)
        plan: Plan = make_plan(self.listing, self.records, also.is_read_anyway)
        for scope in self._beginning(appending):
            take_lists_in(plan, self.listing, self.records, scope)
        self._checker = Checker(
            self._name, self.place, self.listing, self.records, plan, also, self._tools.sink
        )

    @property
    def checker(self) -> Checker:
        """What reads and judges; there once it is planned."""
        if self._checker is None:
            raise RuntimeError("a verification is planned before it is read")
        return self._checker

    @property
    def checked(self) -> Checked:
        """What the reading found."""
        return self.checker.checked

    def close(self) -> None:
        """Let go of the folder."""
        self.place.root.close()

    def read(self) -> None:
        """Read every file once and judge it, then the records by what was found.

        Raises:
            StoppedError: the user wanted to stop.
        """
        read_all([self], self._tools)

    def settle(self) -> None:
        """Judge what takes more than one file: bags, signatures, clearances."""
        bags = tuple(judge_bags(self.folder, self.listing, self.records, self.checked))
        records = self.records
        contradicting = tuple(records.claims.contradictions())
        own = (*self.listing.faults, *records.claims.faults, *records.faults)
        self.faults = (*own, *contradicting, *bags)
        self.signatures = judge_signatures(self.folder, self.listing, records, self._trust)
        self.clearances = judge_clearances(
            self.folder, self.listing, records, self.signatures, self.checked.coverage
        )
        self.descents = judge_descents(self.folder, self.listing, records, self.signatures)
        for fault in self.faults:
            self._tools.sink(Found(fault))

    @property
    def _trust(self) -> Trust:
        return Trust(self._tools.signers, self._tools.surroundings.now())

    def append(
        self,
        appending: Appending | None,
        *,
        comment: str = "verified",
        patterns: tuple[str, ...] = (),
        has_folders: bool = True,
    ) -> tuple[tuple[Appended, ...], str]:
        """Append the next generation, if it is asked for and may be.

        Returns:
            What was added, and else why nothing was.
        """
        if appending is None:
            return (), ""
        begin = self._beginning(appending)
        why_not = why_not_appended(self.place, self.records, self.checked, self, begin)
        if why_not:
            return (), why_not
        now = self._tools.surroundings.now().astimezone()
        signing = Signing(
            appending.key,
            appending.identity,
            self._tools.surroundings.host,
            self.started_at,
            now,
            comment,
            patterns,
            has_folders=has_folders,
            begin=begin,
        )
        root, folders = self.place.root, list(self.listing.records_folders)
        with self._step("record"):
            try:
                made = [records_folder_of(scope) for scope in begin if scope]
                with (
                    records_made(root, made),
                    rolls_locked(root, {*folders, *made}, self.place.shown),
                ):
                    if any(has_history(self.folder, scope) for scope in begin):
                        return (), BEGUN_MEANWHILE
                    added = append_all(
                        self.place, self.folder, self.listing, self.records, self.checked, signing
                    )
            except BusyError as error:
                return (), f"{error.what}; try again when it has ended"
            except OSError as error:
                return (), f"the drive would not take it: {reason(error)}"
            except RecordError as error:
                return (), str(error)
        self._tell_unnamable(begin)
        return added, "" if added else "there is nothing to write down"

    def _beginning(self, appending: Appending | None) -> tuple[bytes, ...]:
        return (self.place.top,) if appending is not None and appending.begins else ()

    def _tell_unnamable(self, begin: tuple[bytes, ...]) -> None:
        found = unnamable(self.listing, self.records, self.checked, begin)
        what = "has a name that no manifest can hold: the new generation leaves it out"
        told = [Finding("name-not-recordable", what, path) for path in islice(found, _NAMES_TOLD)]
        self.faults = (*self.faults, *told)
        for fault in told:
            self._tools.sink(Found(fault))

    def result(
        self, wish: VerifyWish, appended: Sequence[Appended] = (), why_not: str = ""
    ) -> Verification:
        """All that was found, in one value."""
        checked = self.checked
        counts = self._counts()
        arrivals: tuple[Arrival, ...] = ()
        expected_signatures: tuple[SignatureReport, ...] = ()
        if self._expected is not None:
            arrivals = self._expected.arrived(checked.seen)
            expected_signatures = self._expected.signatures(self._trust)
        comparisons: tuple[ReceiptComparison, ...] | None = None
        if wish.against_receipt:
            comparisons = compare_receipt(wish.against_receipt, self.records)
        receipts: tuple[Receipt, ...] = ()
        if wish.with_receipt:
            receipts = receipts_of(self.folder, self.records, checked, appended)
        reasons = reasons_of(
            counts,
            self,
            Expectation(arrivals, expected_signatures),
            comparisons,
            is_append_refused=bool(why_not),
        )
        return Verification(
            folder=self.place.given,
            base=self.place.root.path,
            answer=answer_of(counts, reasons, self.records),
            reasons=reasons,
            counts=counts,
            bytes_read=checked.bytes_read,
            read_back=checked.read_back,
            reports=self._reports(),
            coverage=tuple(checked.coverage[path] for path in sorted(checked.coverage)),
            signatures=self.signatures,
            clearances=self.clearances,
            faults=self.faults,
            notices=self._notices(),
            half_done=self.listing.half_done,
            entries=self.listing.entries,
            states=bytes(checked.states),
            missing=tuple(sorted(checked.missing)),
            started_at=self.started_at,
            ended_at=self._tools.surroundings.now(),
            recorded_as=checked.recorded_as,
            appended=tuple(appended),
            not_appended=why_not,
            receipts=receipts,
            comparisons=comparisons or (),
            arrivals=arrivals,
            descents=self.descents,
            expected_signatures=expected_signatures,
        )

    def _uses(self, appending: Appending | None, keeps_digests: tuple[str, ...]) -> Also:
        claims = self.records.claims
        further = frozenset(appending.checksums) if appending else frozenset()
        expected = self._expected.algorithms if self._expected else frozenset()
        always = expected.union(keeps_digests)
        begin = self._beginning(appending)

        def is_to_record(path: bytes) -> bool:
            return is_in_history(claims, path) or any(is_within(path, scope) for scope in begin)

        def algorithms(path: bytes) -> frozenset[str]:
            return further | always if is_to_record(path) else always

        def is_read_anyway(path: bytes) -> bool:
            # A further generation records new files too; what is expected is known by content.
            return bool(expected) or (bool(further) and is_to_record(path))

        keeps = tuple({*keeps_digests, *(FORMATS if appending else ())})
        pairs = self._expected.pairs if self._expected else frozenset()
        return Also(algorithms, pairs, keeps, is_read_anyway, tells_strangers=bool(begin))

    def _counts(self) -> dict[FileState, int]:
        """Files by state; whatever is no file is in the notices."""
        is_file = ord(Kind.FILE.value)
        kinds = self.listing.entries.kinds
        found = Counter(
            FileState(state)
            for state, kind in zip(self.checked.states, kinds, strict=True)
            if kind == is_file
        )
        if self.checked.missing:
            found[FileState.MISSING] = len(self.checked.missing)
        return dict(found)

    def _reports(self) -> tuple[FileReport, ...]:
        missing = (
            FileReport(path, FileState.MISSING, path, why)
            for path, why in sorted(self.checked.missing.items())[:10_000]
        )
        return tuple(sorted([*self.checked.reports.values(), *missing], key=lambda each: each.path))

    def _notices(self) -> tuple[Finding, ...]:
        told = (Kind.LINK, Kind.PIPE, Kind.SOCKET, Kind.DEVICE)
        others = [
            Finding("not-a-file", f"is a {kind.name.lower()}: no record covers it", path)
            for number, letter in enumerate(self.listing.entries.kinds)
            if (kind := Kind(chr(letter))) in told
            for path in [self.listing.entries.path(number)]
        ]
        others += [
            Finding("unfinished-write", "was never finished, and nothing in it counts", path)
            for number, state in enumerate(self.checked.states)
            if state == FileState.LEFT_OUT
            for path in [self.listing.entries.path(number)]
            if is_unfinished(path)
        ]
        expected = self._expected.notices if self._expected else ()
        return (
            *self.records.claims.notices,
            *self.records.notices,
            *expected,
            *others[:_NOT_FILES_TOLD],
        )

    @contextmanager
    def _step(self, step: str) -> Iterator[None]:
        with told_step(step, self._tools):
            yield


def read_all(verifyings: Sequence[Verifying], tools: VerifyTools) -> None:
    """Read several folders at once.

    Raises:
        DriveError: one is gone.
        StoppedError: the user wanted to stop.
    """
    with told_step("reading", tools):
        checkers = [each.checker for each in verifyings]
        try:
            read_places(checkers, tools.progress.proving, tools.surroundings, tools.is_stopped)
        except OSError as error:
            raise DriveError(
                f"the drive does not answer any more: {reason(error)}",
                path=verifyings[0].place.given,
                meaning="Nothing is said of what was not read; nothing was written.",
                remedy="Check its cable, plug it in anew, then the same command.",
            ) from error
    if tools.is_stopped():
        raise StoppedError(
            "stopped before everything was read",
            path=verifyings[0].place.given,
            meaning="Nothing is said of what was not read; nothing was written.",
            remedy="The same command begins anew.",
        )
    for verifying in verifyings:
        verifying.settle()


@contextmanager
def told_step(step: str, tools: VerifyTools) -> Iterator[None]:
    """Tell that a step begins and ends."""
    started: datetime = tools.surroundings.now()
    tools.progress.step = step
    tools.sink(StepStarted(step))
    yield
    elapsed = (tools.surroundings.now() - started).total_seconds()
    tools.sink(StepFinished(step, elapsed))
