"""What a run writes into the ledger as it happens; nothing is cleared that is not written down.

A ledger that fails does not stop the copying: bytes on drives are worth more than a row. It keeps
the card, since the word is only given for what is recorded.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from offload.errors import LedgerError
from offload.jobs.opening import HeldCard, HeldDrive
from offload.jobs.passes import PassColumns
from offload.jobs.placing import Place, Standing
from offload.jobs.surroundings import Surroundings
from offload.jobs.wishes import Wish
from offload.ledger import (
    card_rolls,
    cards,
    clearances,
    copies,
    decisions,
    drives,
    files,
    findings,
    inventories,
    offloads,
    recognition,
    rolls,
)
from offload.ledger.cards import CardHints
from offload.ledger.columns import NO_FACTS
from offload.ledger.database import Ledger
from offload.values.entries import Entries
from offload.values.facts import CardState, Decision
from offload.values.findings import Finding
from offload.values.inventory import Inventory
from offload.values.paths import to_text
from offload.values.verdict import Answer, Verdict

_BATCH_FILES = 1000
_BATCH_BYTES = 2 << 30
_COPY_ROWS = 20_000


@dataclass(slots=True)
class Notes:
    """One run's rows.

    Attributes:
        ledger: nothing where the user asked for none, or it could not be opened.
        failure: what the ledger said when it failed; nothing while it is well.
        key: of the run, kept by one that goes on with it.
        card, offload, roll: numbers in the ledger; 0 before they are known.
        copy_numbers, drive_numbers: by drive name.
    """

    ledger: Ledger
    surroundings: Surroundings
    failure: LedgerError | None = None
    key: str = ""
    card: int = 0
    offload: int = 0
    roll: int = 0
    copy_numbers: dict[str, int] = field(default_factory=dict)
    drive_numbers: dict[str, int] = field(default_factory=dict)
    _pending: list[int] = field(default_factory=list)
    _pending_bytes: int = 0
    _noted: bytearray = field(default_factory=bytearray)
    _state: offloads.State = offloads.State.LISTED

    @property
    def is_written(self) -> bool:
        """Whether everything so far is in the ledger."""
        return self.failure is None

    def begin(self, held: HeldCard, listed: Inventory, inventory: Inventory, wish: Wish) -> None:
        """The card is listed and the run begins; it goes on with an unfinished one of this card.

        A twin may be listed alike, and its run may be working at this moment: only what is known
        to be this very card's is gone on with.
        """
        now = self.surroundings.now_ns()
        self.key = self.surroundings.random_number()
        # Asked before the transaction: a dead share must not keep the ledger locked.
        mounted = self.surroundings.mounted_keys()

        def write() -> None:
            with self.ledger.writing():
                self.card = number_of(self.ledger, held, listed, mounted, now)
                cards.arrived(self.ledger, self.card, held.mounting, held.path, now)
                whole = inventories.keep(self.ledger, listed)
                is_part = wish.only_paths is not None
                kept = inventories.keep(self.ledger, inventory) if is_part else whole
                cards.tell_listing(
                    self.ledger,
                    self.card,
                    listed.digest,
                    now,
                    mounting=held.mounting,
                    inventory=whole,
                )
                self._start(held, kept, inventory, wish, now)

        self._try(write)

    def begin_received(
        self, held: HeldCard, hints: CardHints, inventory: Inventory, wish: Wish
    ) -> None:
        """A roll of a delivery is listed and its copying begins, or goes on.

        It has a row among the cards, since there the material is; it is never mounted as one, has
        no code of its own, and no list of cards names it (:mod:`offload.ledger.standing`).

        Args:
            held: what is read.
            hints: tell this roll of this delivery, listed like this, from all else.
            inventory: what is on it.
            wish: of the run.
        """
        now = self.surroundings.now_ns()
        self.key = self.surroundings.random_number()

        def write() -> None:
            with self.ledger.writing():
                known = cards.find_by_hints(self.ledger, hints)
                self.card = known[0].card if known else cards.add(self.ledger, hints, now)
                self._start(held, inventories.keep(self.ledger, inventory), inventory, wish, now)

        self._try(write)

    def take_drive(self, drive: HeldDrive, place: Place) -> None:
        """A drive takes part."""
        now = self.surroundings.now_ns()

        def write() -> None:
            with self.ledger.writing():
                number = drives.use(self.ledger, drive_hints(drive), now)
                self.drive_numbers[drive.name] = number
                if drive.name in self.copy_numbers:
                    # The roll has become a further part: the same copy, in another folder.
                    known = self.copy_numbers[drive.name]
                    moved = copies.CopyResult(copies.Stage.GROWING, place.absolute)
                    copies.tell(self.ledger, known, moved, now)
                    return
                new = copies.NewCopy(
                    self.offload,
                    number,
                    place.absolute,
                    drive.physical.devices,
                    drive.mounting,
                    now,
                )
                self.copy_numbers[drive.name] = copies.start(self.ledger, new)

        self._try(write)

    def step(self, state: offloads.State) -> None:
        """The next step begins; a step that is gone through once more is none."""
        if offloads.comes_after(state, self._state):
            self._state = state
            now = self.surroundings.now_ns()
            self._try(lambda: offloads.move(self.ledger, self.offload, state, now))

    def read(self, number: int, size_bytes: int, columns: PassColumns) -> None:
        """A file of the card has been read; written down in batches once its checksums are in."""
        self._pending.append(number)
        self._pending_bytes += size_bytes
        if len(self._pending) >= _BATCH_FILES or self._pending_bytes >= _BATCH_BYTES:
            self.flush(columns)

    def flush(self, columns: PassColumns) -> None:
        """Write down the checksums of all files read so far that are ready."""
        digests = columns.copied.digests
        ready = [number for number in self._pending if digests.has_all(number)]
        if not ready:
            return
        done = set(ready)
        self._pending = [number for number in self._pending if number not in done]
        self._pending_bytes = 0
        self._add_files(ready, columns, columns.copied.card_states)

    def card_states(self, columns: PassColumns, entries: Entries) -> None:
        """The card's states after the passes, and the checksums that an earlier run had read.

        A decision binds to them and is about the last run, whoever read the file first.
        """
        digests = columns.copied.digests
        for numbers in _chunks(range(len(entries)), _COPY_ROWS):
            states = bytes(columns.card_states[at] for at in numbers)
            self._try(
                lambda n=numbers, s=states: files.add(self.ledger, self.offload, n, s, {})  # type: ignore[misc]
            )
            proven = (at for at in numbers if columns.card_states[at] == CardState.READ_EQUAL)
            reused = [at for at in proven if digests.has_all(at) and not self._has_noted(at)]
            if reused:
                self._add_files(reused, columns, columns.card_states)

    def copy_states(self, place: Place, columns: PassColumns, entries: Entries) -> None:
        """One drive's states and the facts of its files."""
        states = columns.drive_states[place.name]
        marks = columns.drive_marks.get(place.name)
        copy = self.copy_numbers.get(place.name)
        if copy is None:
            return
        for numbers in _chunks(range(len(entries)), _COPY_ROWS):
            facts = []
            for at in numbers:
                times = marks.times(at) if marks is not None else None
                if marks is None or times is None:
                    facts.append(NO_FACTS)
                else:
                    inode, modified, changed = times
                    facts.append((marks.device, inode, entries.size_bytes(at), modified, changed))
            batch = bytes(states[at] for at in numbers)
            self._try(
                lambda n=numbers, b=batch, f=facts: copies.add_files(self.ledger, copy, n, b, f)  # type: ignore[misc]
            )

    def copy_result(self, name: str, result: copies.CopyResult) -> None:
        """How a drive came out."""
        copy = self.copy_numbers.get(name)
        if copy is not None:
            self._try(lambda: copies.tell(self.ledger, copy, result, self.surroundings.now_ns()))

    def fault(self, name: str, text: str) -> None:
        """A drive failed."""
        number = self.drive_numbers.get(name)
        if number is not None:
            new = drives.Fault(number, self.offload, text, self.surroundings.now_ns())
            self._try(lambda: drives.add_fault(self.ledger, new))

    def coded(self, code: str, roll: rolls.NewRoll, *, is_card: bool = True) -> None:
        """The card has been read once: code, roll and content root are known."""

        def write() -> None:
            with self.ledger.writing():
                if is_card:
                    cards.tell_code(self.ledger, self.card, code)
                self.roll = self._number_of_roll(roll)
                offloads.give_roll(self.ledger, self.offload, self.roll)

        self._try(write)

    def keep_rolls(self, code: str, found: Sequence[tuple[int, rolls.NewRoll, Inventory]]) -> None:
        """The rolls of a recorder's card, the oldest first; the newest is the offload's own.

        Args:
            code: of the whole card.
            found: number of a roll that is known, or 0; the roll; what it is made of.
        """

        def write() -> None:
            with self.ledger.writing():
                cards.tell_code(self.ledger, self.card, code)
                kept = [
                    card_rolls.KeptRoll(
                        number or self._number_of_roll(roll),
                        inventories.keep(self.ledger, inventory),
                    )
                    for number, roll, inventory in found
                ]
                card_rolls.keep(self.ledger, self.offload, kept)
                self.roll = kept[-1].roll
                offloads.give_roll(self.ledger, self.offload, self.roll)

        self._try(write)

    def roll_folders(self, place: Place) -> None:
        """Where the rolls of a recorder's card lie on one drive."""
        copy = self.copy_numbers.get(place.name)
        folders = [
            card_rolls.RollFolder(position, roll.absolute, roll.standing is Standing.DONE)
            for position, roll in enumerate(reversed(place.rolls))
        ]
        if copy is not None:
            self._try(lambda: card_rolls.keep_folders(self.ledger, copy, folders))

    def found(self, found: Iterable[Finding]) -> None:
        """Findings, bounded."""
        now = self.surroundings.now_ns()
        self._try(lambda: findings.add(self.ledger, self.offload, found, now))

    def decisions(self) -> tuple[Decision, ...]:
        """What persons have settled for this card."""
        try:
            return decisions.settled(self.ledger, self.card) if self.card else ()
        except LedgerError as error:
            self.failure = self.failure or error
            return ()

    def roll_before(self, digest: str) -> str:
        """The name of the roll that a card listed like this was given last; empty if none."""
        for offload in offloads.of_digest(self.ledger, digest):
            # What somebody else called a roll is no word on this card.
            if offload.roll is not None and offload.work is not offloads.Work.RECEIVE:
                return rolls.get(self.ledger, offload.roll).name
        return ""

    def end(self, verdict: Verdict, result: Mapping[str, Any], card_moment: str) -> None:
        """The verdict is reached and about to be said.

        Args:
            verdict: see there.
            result: as it goes out.
            card_moment: of the last look's walk; empty where the card could not be listed.
        """
        now = self.surroundings.now_ns()

        def write() -> None:
            answer = verdict.answer
            offloads.end(self.ledger, self.offload, answer, result, now, card_moment=card_moment)

        self._try(write)

    def mountings_before(self, drive: str) -> set[str]:
        """In which mountings of a drive earlier runs of this card worked on it."""
        if self.failure is not None or not self.card:
            return set()
        try:
            return {
                copy.mounting
                for offload in offloads.of_card(self.ledger, self.card)
                if offload.offload != self.offload
                for copy in copies.of_offload(self.ledger, offload.offload)
                if copy.drive_name == drive
            }
        except LedgerError as error:
            self.failure = error
            return set()

    def bases(self, roll: str) -> dict[str, bytes]:
        """See :func:`bases_of_card`; nothing where the ledger does not answer."""
        if self.failure is not None:
            return {}
        try:
            return bases_of_card(self.ledger, self.card, roll)
        except LedgerError as error:
            self.failure = error
            return {}

    def void_clearance(self) -> None:
        """The card is held now: whatever cleared it before holds no longer."""

        def write() -> None:
            given = clearances.last_of_card(self.ledger, self.card)
            if given is not None and given.voided_ns is None:
                because = "a later run holds the card"
                clearances.void(self.ledger, given.clearance, because, self.surroundings.now_ns())

        self._try(write)

    def end_received(self, result: Mapping[str, Any]) -> None:
        """A delivery is received. No card words apply to it: nothing is ever cleared by it."""
        now = self.surroundings.now_ns()
        self._try(lambda: offloads.end(self.ledger, self.offload, Answer.HELD, result, now))

    def write(self, action: Callable[[], None]) -> None:
        """Anything else, guarded in the same way."""
        self._try(action)

    def _start(self, held: HeldCard, kept: int, inventory: Inventory, wish: Wish, now: int) -> None:
        before = next(iter(offloads.unfinished(self.ledger, self.card)), None)
        if before is not None:
            self.key = before.key
        self.offload = offloads.start(
            self.ledger,
            offloads.NewOffload(
                self.key,
                self.card,
                kept,
                inventory.digest,
                wish.policy,
                wish.checksums,
                held.mounting,
                self.surroundings.host,
                self.surroundings.pid,
                now,
                continues=before.offload if before is not None else None,
                work=_work_of(wish),
            ),
        )

    def _number_of_roll(self, roll: rolls.NewRoll) -> int:
        known = [
            each
            for each in rolls.of_card(self.ledger, self.card)
            if each.code == roll.code and each.name == roll.name
        ]
        return known[0].roll if known else rolls.add(self.ledger, roll)

    def _has_noted(self, number: int) -> bool:
        return number < len(self._noted) and bool(self._noted[number])

    def _add_files(
        self, numbers: Sequence[int], columns: PassColumns, known: Sequence[int]
    ) -> None:
        digests = columns.copied.digests
        states = bytes(known[at] for at in numbers)
        self._noted.extend(bytes(len(known) - len(self._noted)))
        for at in numbers:
            self._noted[at] = 1
        packed = {
            name: b"".join(digests.get(name, at) or b"" for at in numbers) for name in digests.names
        }
        self._try(lambda: files.add(self.ledger, self.offload, numbers, states, packed))

    def _try(self, action: Callable[[], object]) -> None:
        if self.failure is not None:
            return
        try:
            action()
        except LedgerError as error:
            self.failure = error


def _work_of(wish: Wish) -> offloads.Work:
    if wish.is_delivery:
        return offloads.Work.RECEIVE
    return offloads.Work.COPY if wish.only_paths is None else offloads.Work.PART


def number_of(
    ledger: Ledger, held: HeldCard, inventory: Inventory, mounted: frozenset[str], now: int
) -> int:
    """The card's number in the ledger: that of a card seen before, by its content, or a new one.

    Args:
        held: the card.
        inventory: what is on it now.
        mounted: keys of what is mounted; all other mountings are over.
        now: nanoseconds since 1970.
    """
    if not held.is_folder:
        cards.still_mounted(ledger, mounted | {held.mounting}, now)
    known = known_number(ledger, held, inventory, mounted)
    return known if known is not None else cards.add(ledger, hints_of(held), now)


def known_number(
    ledger: Ledger, held: HeldCard, inventory: Inventory, mounted: frozenset[str]
) -> int | None:
    """The number of a card seen before, by its content; None for a new one. Writes nothing.

    Args:
        held: the card.
        inventory: what is on it now.
        mounted: keys of what is mounted.
    """
    if held.is_folder:
        # Many folders of one volume may stand for cards: their one mounting tells none of them.
        return recognition.recognise(ledger, hints_of(held), inventory, "")
    return recognition.recognise(ledger, hints_of(held), inventory, held.mounting, mounted)


def bases_of_card(ledger: Ledger, card: int, roll: str) -> dict[str, bytes]:
    """Where earlier copies of a card's roll lie: drive name -> folder above the roll, absolute.

    A run that goes on the next day, and a card that comes back, find their copies where they are
    and not in today's folder.
    """
    bases: dict[str, bytes] = {}
    for offload in offloads.of_card(ledger, card):
        for copy in copies.of_offload(ledger, offload.offload):
            folder, _, last = copy.result.path.rpartition(b"/")
            if _is_of_roll(last, roll):
                bases.setdefault(copy.drive_name, folder)
    return bases


def _is_of_roll(folder: bytes, roll: str) -> bool:
    """Whether a folder is the roll's, a further part of it, or one of them unfinished."""
    raw = roll.encode("utf-8", "surrogateescape")
    for suffix in (b".incomplete", b".partial"):
        folder = folder.removesuffix(suffix)
    stem, dash, part = folder.rpartition(b"-")
    return folder == raw or (stem == raw and bool(dash) and part.isdigit())


def hints_of(card: HeldCard) -> CardHints:
    """What a card says about itself; a folder that stands for one is told by its path."""
    volume = card.volume
    if card.is_folder:
        return CardHints("", to_text(card.path), 0, volume.fs_type)
    return CardHints(volume.volume_id, volume.label, volume.capacity_bytes or 0, volume.fs_type)


def drive_card_hints(drive: HeldDrive) -> CardHints:
    """What the ledger would know this volume by, had it been a card."""
    volume = drive.volume
    return CardHints(volume.volume_id, volume.label, volume.capacity_bytes or 0, volume.fs_type)


def drive_hints(drive: HeldDrive) -> drives.DriveHints:
    """What a drive says about itself now."""
    volume = drive.volume
    return drives.DriveHints(
        drive.name,
        volume.volume_id,
        drive.marker,
        drive.root.path,
        volume.fs_type,
        drive.physical.devices,
        volume.capacity_bytes or 0,
        volume.free_bytes or 0,
    )


def _chunks(numbers: range, size: int) -> Iterator[range]:
    for start in range(0, len(numbers), size):
        yield numbers[start : start + size]
