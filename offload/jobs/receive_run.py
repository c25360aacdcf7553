"""One roll of a delivery copied to the station's drives: read once, proven, and written down.

The steps are those of a card's run, with three differences. The roll is read once, since its
sender's record is the second opinion. Its history comes along and goes on. And nothing is cleared:
no word about erasing is ever said of a delivery.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from offload.card.folder import shooting_day
from offload.card.inventory import Walk
from offload.checksum import COMPARE
from offload.clearance.case import Case
from offload.clearance.origin import CopyName
from offload.events import CardListed
from offload.jobs.copied import Copied, Occasion, Recorded
from offload.jobs.descents import (
    DescentSigner,
    descends_from,
    remove_half_descent,
    write_descent,
)
from offload.jobs.last_look import LastLook
from offload.jobs.lease import Run, read_run, write_run
from offload.jobs.noting import bases_of_card
from offload.jobs.offloading import CardRun
from offload.jobs.opening import HeldCard, is_still_mounted
from offload.jobs.placing import Place, Standing
from offload.jobs.preparing import lease_of
from offload.jobs.receive_parts import Part
from offload.jobs.receive_record import (
    Read,
    Signer,
    append_received,
    carry_record,
    has_history,
    is_other_roll,
)
from offload.jobs.receive_result import ReceivedCopy, ReceivedRoll
from offload.jobs.recording import (
    Completeness,
    completeness_of,
    content_roots,
    take_final_name,
    write_names,
    write_record,
)
from offload.jobs.sent_lists import Sent
from offload.jobs.spread_places import RollPart
from offload.jobs.tools import StoppedError, Tools
from offload.jobs.verify_result import Appended
from offload.jobs.wishes import Wish
from offload.ledger import offloads, rolls
from offload.ledger.cards import DELIVERY, CardHints
from offload.ledger.database import Ledger
from offload.ledger.rolls import NewRoll
from offload.storage.root import Root
from offload.transfer.readings import Outcome
from offload.values.entries import Entries, Kind
from offload.values.facts import CardState, CopyState, ReadBack
from offload.values.findings import Finding
from offload.values.inventory import card_code
from offload.values.paths import name, to_text

_READ = {
    CardState.READ_EQUAL: Outcome.EQUAL,
    CardState.CACHED: Outcome.EQUAL_CACHED,
    CardState.DIFFERS: Outcome.CHANGED,
    CardState.CHANGED: Outcome.CHANGED,
    CardState.UNREADABLE: Outcome.UNREADABLE,
}
_PROVEN = frozenset({CopyState.PROVEN_DEVICE, CopyState.PROVEN_SERVER})
_WHY_NOT = {
    "drive-is-card": "it is, or once was, a card",
    "drive-on-card": "it is on the delivery's own device",
    "shared-drive": "it is on the delivery's own device",
    "ram-drive": "it is in this computer's memory",
    "drive-unknown": "nothing shows on what device it is",
    "too-few-copies": "it failed",
    "drive-away": "it is not there now",
    "drive-suspect": "it gave back wrong bytes",
    "record-not-written": "not all of it could be read back and written down",
}


@dataclass(frozen=True, slots=True)
class Delivery:
    """What all runs of one delivery share.

    Attributes:
        root: held; paths of the listing are relative to it.
        entries: the listing.
        key: tells this delivery from all others, wherever it is mounted: volume or path.
        name: what it is called.
        algorithms: further checksums that its records ask for.
        differs: whether a record speaks against what was read, by number in the listing.
        signer: who adds generations.
        is_further: a copy of the station's own, to be copied to a further drive.
    """

    root: Root
    entries: Entries
    key: str
    name: str
    algorithms: tuple[str, ...]
    differs: Callable[[int, Mapping[str, bytes]], bool]
    signer: Signer
    is_further: bool = False


class DeliveryRun(CardRun):
    """One roll under way.

    Args:
        wish: drives and policy; ``is_delivery``.
        tools: see there.
        card: the roll's folder in the delivery, held.
        delivery: see there.
        part: the roll.
        source: the roll as a copy that others are made from; nothing where it has no history.
    """

    def __init__(
        self,
        wish: Wish,
        tools: Tools,
        card: HeldCard,
        delivery: Delivery,
        part: Part,
        source: CopyName | None = None,
    ) -> None:
        super().__init__(replace(wish, roll=part.roll), tools, card)
        self._source = source
        self._descends_from: dict[str, CopyName] = {}
        self._delivery = delivery
        self._part = part
        self._sent = Sent(delivery.algorithms)
        self._appended: dict[str, tuple[Appended, ...]] = {}
        self._not_recorded: dict[str, str] = {}
        self._was_there: set[str] = set()

    def receive(self) -> ReceivedRoll:
        """Copy, prove and write down one roll; every step in order.

        Raises:
            StoppedError: the user wanted to stop.
            OffloadError: nothing can be said of it.
        """
        self._walk = self._listed = Walk(self._part.inventory(self._delivery.entries))
        inventory = self._walk.inventory
        self._tools.sink(CardListed(inventory.file_count, inventory.total_bytes, inventory.digest))
        self._name_roll()
        self._begin_notes()
        with self._step("preflight"):
            self._drives.open_all()
            self._place()
        self._copy_and_prove()
        if self._passes.is_reused_wrong:
            self._trusts_earlier = False
            self._drives.note_written(self._columns.copied.drive_states)
            self._copy_and_prove()
        if not is_still_mounted(self._card, self._surroundings):
            self._notes.step(offloads.State.STOPPED)
            raise left_error(self._card.path)
        with self._step("record"):
            self._notes.step(offloads.State.RECORDING)
            self._record()
        with self._step("last-look"):
            look = self._last_look()
        return self._received(look)

    def read_of(self, path: bytes) -> Read:
        """How a file of the delivery was read; asked for what this part copies.

        Args:
            path: below the part's top.
        """
        number = self._entries.index(path)
        return self._outcome(number), self._digests(number)

    @property
    def findings(self) -> list[Finding]:
        """What the passes had to say of the delivery's own files, by their paths below its top."""
        top = self._part.folder
        return [
            Finding(each.code, each.text, top + b"/" + each.path if top else each.path)
            for each in self._columns.findings
            if not each.drive
        ]

    def end(self, result: Mapping[str, object]) -> bool:
        """Write down what was said in the end; whether all of it stands in the ledger."""
        self._notes.end_received(result)
        return self._notes.is_written

    # --- where a delivery is another thing than a card

    def _begin_notes(self) -> None:
        digest = self._walk.inventory.digest
        label = f"{self._delivery.key} {to_text(self._part.folder)} {digest[:16]}"
        hints = CardHints("", label, 0, DELIVERY)
        self._notes.begin_received(self._card, hints, self._walk.inventory, self._wish)
        self._tools.progress.offload = self._notes.offload
        self._bases = self._notes.bases(self._roll_by_rule)
        for drive, base in self._bases_of_alike(digest).items():
            self._bases.setdefault(drive, base)

    def _bases_of_alike(self, digest: str) -> dict[str, bytes]:
        """Where a roll of this name, listed alike, lies already; nothing is copied twice."""
        found: dict[str, bytes] = {}

        def look() -> None:
            found.update(_bases_of(self._tools.ledger, self._roll_by_rule, digest))

        self._notes.write(look)
        return found

    def _lease(self, roll: str) -> Run:
        return Run(
            self._notes.key,
            self._walk.inventory.digest,
            self._card_of_copy() or self._delivery.key,
            self._surroundings.host,
            self._code,
            roll or self._roll_by_rule,
        )

    def _card_of_copy(self) -> str:
        """The card that a copy of ours is of: a further copy is known by it when the card is back.

        Else the card's next run would take the further copy for another card's.
        """
        if not (self._delivery.is_further and self._part.record):
            return ""
        run = read_run(self._delivery.root, self._part.record)
        is_alike = run is not None and run.inventory == self._walk.inventory.digest
        return run.volume_id if run is not None and is_alike else ""

    def _copy(self) -> None:
        super()._copy()
        done = [place.name for place in self._active if place.standing is Standing.DONE]
        self._was_there = set(done)

    def _contradicts(self, part: RollPart) -> bool:
        is_there = part.place.standing is not Standing.FREE
        return is_there and is_other_roll(part.place, part.entries, part.digests)

    def _note_code(self) -> None:
        self._roots = content_roots(self._entries, self._columns.copied.digests)
        root = self._roots.get(COMPARE)
        self._code = card_code(root) if root is not None else ""

    def _note_roll(self) -> None:
        if not self._code:
            return
        day = shooting_day(self._started_at.astimezone(), self._wish.day_starts)
        roll = NewRoll(
            self._roll,
            self._notes.card,
            self._code,
            self._roots[COMPARE],
            self._wish.production,
            day.isoformat(),
            self._surroundings.now_ns(),
        )
        self._notes.coded(self._code, roll, is_card=False)

    def _comment(self) -> str:
        return f"received from {self._delivery.name}"

    def _look_once(self) -> LastLook:
        return self._look_at_drives()

    # --- the record

    def _record_on(self, place: Place, occasion: Occasion) -> Callable[[], None]:
        states = self._columns.drive_states[place.name]
        completeness = completeness_of(self._entries, self._columns.card_states, states)
        if completeness is Completeness.UNPROVEN:
            return lambda: None
        if self._part.history:
            recorded = self._go_on(place, states)
        else:
            sound = self._without_damage(states)
            copied = Copied(place, self._entries, sound, self._columns.copied.digests)
            recorded = write_record(copied, self._tools.key, occasion)
        take_final_name(place, is_whole=completeness is Completeness.WHOLE)
        if place.lock is not None:
            write_run(place.drive.root, place.records, lease_of(place, self._lease))
        return lambda: self._recorded.update({place.name: recorded})

    def _without_damage(self, states: bytearray) -> bytearray:
        """States in which a file that its sender's list speaks against vouches for nothing."""
        sound = bytearray(states)
        for at, number in enumerate(self._part.numbers):
            if sound[at] in _PROVEN and self._delivery.differs(number, self._digests(at)):
                sound[at] = CopyState.DIFFERS
        return sound

    def _go_on(self, place: Place, states: bytearray) -> Recorded:
        """The sender's record beside the copy, and the next generation of it."""
        if not has_history(place):
            carry_record(self._delivery.root, self._delivery.entries, self._part, place)
        if place.name not in self._was_there:
            # Before the next generation, which no signature may stand against.
            remove_half_descent(place)
        there = {place.path_in_copy(path): path for path in self._paths()}

        def read(path: bytes) -> Read:
            number = self._entries.index(there.get(path, path))
            if states[number] not in _PROVEN:
                return Outcome.UNREADABLE, {}
            return Outcome.EQUAL, self._digests(number)

        read_back = self._columns.read_back.get(place.name, ReadBack.NONE)
        added, why_not = append_received(
            place, read, read_back, self._delivery.signer, self._surroundings
        )
        write_names(place, self._tools.key)
        self._note_descent(place, is_written_down=bool(added))
        self._appended[place.name] = added
        self._not_recorded[place.name] = why_not
        newest = added[-1].path if added else b""
        return Recorded(place.absolute, name(newest), "", "", None)

    def _note_descent(self, place: Place, *, is_written_down: bool) -> None:
        """A copy that was there before this run is another's, or was made from something else."""
        key = self._tools.key
        is_new = place.name not in self._was_there
        if self._source is not None and is_new and is_written_down:
            signer = DescentSigner(key, self._tools.identity)
            now = self._surroundings.now().astimezone()
            write_descent(place, self._source, signer, now)
        source = descends_from(place, key)
        if source is not None:
            self._descends_from[place.name] = source

    def _paths(self) -> list[bytes]:
        return [self._entries.path(number) for number in range(len(self._entries))]

    def _digests(self, number: int) -> Mapping[str, bytes]:
        columns = self._columns.copied.digests
        found = {each: columns.get(each, number) for each in columns.names}
        return {each: digest for each, digest in found.items() if digest is not None}

    def _outcome(self, number: int) -> int:
        state = CardState(self._columns.card_states[number])
        return _READ.get(state, Outcome.NOT_READ)

    # --- what came of it

    def _received(self, look: LastLook) -> ReceivedRoll:
        ending = self._ending()
        ending.write_states()
        case = Case.of(ending.facts(look))
        needed = [group for group in case.groups.all if group.needs_copies]
        inventory = self._walk.inventory
        return ReceivedRoll(
            self._part.folder,
            self._roll,
            inventory.file_count,
            inventory.total_bytes,
            min((case.copies(group) for group in needed), default=0),
            case.needed,
            tuple(self._copy_on(case, at) for at in range(len(case.facts.drives))),
            not self._part.folder and not self._part.history,
            notices=(*self._drives.notices, *self._notices, *self._findings),
        )

    def _copy_on(self, case: Case, at: int) -> ReceivedCopy:
        drive, code = case.facts.drives[at], case.exclusions[at]
        states = self._columns.drive_states.get(drive.name, bytearray())
        proven = sum(
            state in _PROVEN
            for number, state in enumerate(states)
            if self._entries.kind(number) is Kind.FILE
        )
        counts = any(case.proven_on(g) >> at & 1 for g in case.groups.all if g.needs_copies)
        why_not = "" if counts else _WHY_NOT.get(code, "nothing on it is proven")
        if code == "too-few-copies" and drive.failure:
            why_not = drive.failure
        added = self._appended.get(drive.name, ())
        newest = added[-1] if added else None
        return ReceivedCopy(
            drive.name,
            drive.path,
            proven,
            self._walk.inventory.file_count,
            drive.read_back,
            counts,
            why_not,
            drive.name in self._was_there,
            newest.number if newest else int(self._is_first(drive.name)),
            sum(each.verified for each in added),
            sum(each.failed for each in added),
            sum(each.original for each in added),
            self._not_recorded.get(drive.name, ""),
            self._descends_from.get(drive.name),
        )

    def _is_first(self, drive: str) -> bool:
        """Whether this run's record begins the history of a copy that came without one."""
        return drive in self._recorded and not self._part.history


def left_error(path: bytes) -> StoppedError:
    """The delivery was taken out."""
    return LeftError(
        "the delivery was taken out before all of it was copied and proven",
        path=path,
        meaning="What is on the drives so far is marked as incomplete, and nothing is lost.",
        remedy="Put it back, then the same command: it goes on from there.",
    )


class LeftError(StoppedError):
    """The delivery is not there any more; by a person, its cable or the drive."""

    code = "delivery-left"
    exit_code = 3


def _bases_of(ledger: Ledger, roll: str, digest: str) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    for known in rolls.find(ledger, roll):
        runs = offloads.of_card(ledger, known.card)
        if any(run.digest == digest for run in runs):
            for drive, base in bases_of_card(ledger, known.card, roll).items():
                found.setdefault(drive, base)
    return found
