"""A recorder's card on the drives: several rolls, each in its own folder with its own record.

The passes, the last look and the verdict see one card with one state a file and drive, as ever;
only where a file lies depends on its roll. So whatever holds of a card holds of all its rolls
together: no roll is ever judged by itself.
"""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from offload.jobs.card_rolls import CardRoll
from offload.jobs.lease import Run
from offload.jobs.opening import HeldDrive
from offload.jobs.placing import Place, Standing, place_all, rename_roll
from offload.jobs.preparing import BaseOf, Drives
from offload.transfer.preflight.existing import Existing, Use
from offload.transfer.preflight.mapping import mapped_names
from offload.transfer.results import Digests
from offload.values.entries import Entries
from offload.values.inventory import Inventory
from offload.values.paths import join

_FINISHED = (Standing.DONE, Standing.ADDING)


@dataclass(frozen=True, slots=True)
class RollPart:
    """One roll on one drive, as its record is written.

    Attributes:
        position: of the roll among the card's, from 0.
        place: where it lies.
        entries: those of the card that belong to it.
        states: a ``CopyState`` each.
        card_states: a ``CardState`` each.
        digests: by entry.
        gone: paths that it holds and the card has no more.
    """

    position: int
    place: Place
    entries: Entries
    states: bytes
    card_states: bytes
    digests: Digests
    gone: frozenset[bytes] = frozenset()


@dataclass(slots=True)
class SpreadPlace(Place):
    """One drive's part in a run over a card with several rolls.

    Its own folder is that of the newest roll.

    Attributes:
        shelves: one place for each roll, the oldest first.
        numbers: the card's entries in each of them.
    """

    shelves: tuple[Place, ...] = ()
    numbers: tuple[tuple[int, ...], ...] = ()
    _where: list[tuple[Place, int]] = field(default_factory=list)
    _card_paths: tuple[bytes, ...] = ()

    def path_in_copy(self, card_path: bytes) -> bytes:
        raise RuntimeError(f"asked of a roll, not of a card: {card_path!r}")

    def path_of(self, number: int, card_path: bytes) -> bytes:
        shelf, its = self._where[number]
        return shelf.path_of(its, card_path)

    def has_joined(self, number: int) -> bool:
        shelf, its = self._where[number]
        return shelf.has_joined(its)

    def is_half_done(self, number: int) -> bool:
        shelf, its = self._where[number]
        return shelf.is_half_done(its)

    def note_joined(self, number: int) -> None:
        shelf, its = self._where[number]
        shelf.note_joined(its)
        self.present[number] = shelf.present[its]

    def note_removed(self, number: int) -> None:
        shelf, its = self._where[number]
        shelf.note_removed(its)
        self.present[number] = 0

    def note_written(self, number: int) -> None:
        shelf, its = self._where[number]
        shelf.note_written(its)
        self.present[number] = shelf.present[its]
        self.is_mounted_anew = False

    @property
    def rolls(self) -> Sequence[Place]:
        return tuple(reversed(self.shelves))

    def is_in(self, number: int, rolls: Collection[int]) -> bool:
        return any(self._where[number][0] is self.shelves[at] for at in rolls)

    def written_in(self) -> tuple[bytes, Mapping[bytes, bytes]]:
        return b"", {
            path: join(shelf.grows_in, shelf.path_in_copy(path))
            for (shelf, _), path in zip(self._where, self._card_paths, strict=True)
        }

    def paths(self, entries: Entries) -> Callable[[int], bytes]:
        return lambda number: self.path_of(number, entries.path(number))

    def note_standing(self) -> None:
        """What is true of every roll there is true of the card."""
        standings = {shelf.standing for shelf in self.shelves}
        self.roll = self.shelves[-1].roll
        if standings <= {Standing.DONE}:
            self.standing = Standing.DONE
        elif standings <= {Standing.DONE, Standing.PARTIAL}:
            self.standing = Standing.PARTIAL
        else:
            self.standing = Standing.GROWING


def spread_place(
    shelves: Sequence[Place], rolls: Sequence[CardRoll], entries: Entries
) -> SpreadPlace:
    """One drive's places for all rolls of a card, as one."""
    newest = shelves[-1]
    where: list[tuple[Place, int] | None] = [None] * len(entries)
    present = bytearray(len(entries))
    for shelf, roll in zip(shelves, rolls, strict=True):
        for its, number in enumerate(roll.numbers):
            where[number] = (shelf, its)
            present[number] = shelf.present[its]
    found = [each for each in where if each is not None]
    if len(found) != len(entries) or sum(len(roll.numbers) for roll in rolls) != len(entries):
        raise RuntimeError("an entry of the card is in no roll, or in two")
    there = bytes(min(1, state) for state in present)
    use = Use.PROVE if all(there) else Use.GO_ON if any(there) else Use.COPY_ALL
    place = SpreadPlace(
        newest.drive,
        newest.bit,
        newest.base,
        newest.roll,
        newest.rules,
        present,
        names=mapped_names(entries, newest.rules),
        existing=Existing(use, there),
        shelves=tuple(shelves),
        numbers=tuple(roll.numbers for roll in rolls),
        _where=found,
        _card_paths=tuple(entries.path(number) for number in range(len(entries))),
    )
    place.note_standing()
    return place


def parts_of(
    place: Place,
    rolls: Sequence[CardRoll],
    entries: Entries,
    states: Sequence[int],
    card_states: Sequence[int],
    digests: Digests,
) -> Iterator[RollPart]:
    """The rolls on one drive, the oldest first; a card with one roll has but that."""
    if not isinstance(place, SpreadPlace):
        yield RollPart(0, place, entries, bytes(states), bytes(card_states), digests)
        return
    for position, (shelf, numbers) in enumerate(zip(place.shelves, place.numbers, strict=True)):
        yield RollPart(
            position,
            shelf,
            Entries(entries[number] for number in numbers),
            bytes(states[number] for number in numbers),
            bytes(card_states[number] for number in numbers),
            digests_of(digests, numbers),
            rolls[position].gone,
        )


def digests_of(digests: Digests, numbers: Sequence[int]) -> Digests:
    """The digests of some entries, numbered anew."""
    chosen = Digests(digests.names, len(numbers))
    for its, number in enumerate(numbers):
        for name in digests.names:
            digest = digests.get(name, number)
            if digest is not None:
                chosen.put(name, its, digest)
    return chosen


@dataclass(slots=True)
class SpreadDrives(Drives):
    """The drives of a run over a card that may have several rolls.

    Attributes:
        rolls: of the card, the oldest first; none while it is one roll.
        base_of_roll: folder that holds a roll on a drive, relative.
        parts: for each roll 1 for its own name, 2 for ``ROLL-2`` and so on.
        codes: for each roll its card code, once it is known.
    """

    rolls: tuple[CardRoll, ...] = ()
    base_of_roll: Callable[[HeldDrive, CardRoll], bytes] | None = None
    parts: list[int] = field(default_factory=list)
    codes: list[str] = field(default_factory=list)

    def spread(
        self, rolls: Sequence[CardRoll], base_of_roll: Callable[[HeldDrive, CardRoll], bytes]
    ) -> None:
        """The card has several rolls."""
        self.rolls = tuple(rolls)
        self.base_of_roll = base_of_roll
        self.parts = [1] * len(rolls)
        self.codes = [roll.code for roll in rolls]

    def lease_for(self, position: int, lease: Callable[[str], Run]) -> Callable[[str], Run]:
        """What goes into the ``run.json`` of one of the rolls."""
        if not self.rolls:
            return lease
        roll = self.rolls[position]

        def its(name: str) -> Run:
            digest, code = roll.inventory.digest, self.codes[position]
            return replace(lease(name or roll.name), inventory=digest, code=code)

        return its

    def take_next_part(self, others: Collection[int]) -> None:
        if not self.rolls:
            Drives.take_next_part(self, others)
            return
        changed = list(self.rolls)
        for position in others:
            self.parts[position] += 1
            # What it was made of is not what the card has: this is a roll of its own from now on.
            roll = changed[position]
            here = (each for each in roll.inventory.entries if each.path not in roll.gone)
            changed[position] = replace(
                roll, inventory=Inventory(Entries(here)), roll=0, code="", gone=frozenset()
            )
            self.codes[position] = ""
        self.rolls = tuple(changed)

    def name_anew(self, roll: bytes) -> None:
        if not self.rolls:
            Drives.name_anew(self, roll)
            return
        for place in self.active:
            newest = place.rolls[0]
            if newest.standing not in _FINISHED:
                self.guarded(place, partial(rename_roll, newest, roll))
                place.roll = newest.roll

    def _found_and_made_ready(
        self,
        drives: Sequence[HeldDrive],
        base_of: BaseOf,
        lease: Callable[[str], Run],
        entries: Entries,
    ) -> list[Place]:
        if not self.rolls:
            return Drives._found_and_made_ready(self, drives, base_of, lease, entries)
        shelves: dict[str, list[Place]] = {drive.name: [] for drive in drives}
        for position in range(len(self.rolls)):
            self._find_roll(position, drives, lease, entries, shelves)
        places: list[Place] = [
            spread_place(its, self.rolls, entries)
            for name, its in shelves.items()
            if name not in self.failures
        ]
        self._look_ahead(places, entries)
        for place in places:
            if place.name not in self.failures:
                self._prepare_rolls(place, lease, entries)
        return places

    def _find_roll(
        self,
        position: int,
        drives: Sequence[HeldDrive],
        lease: Callable[[str], Run],
        entries: Entries,
        shelves: Mapping[str, list[Place]],
    ) -> None:
        roll = self.rolls[position]
        base_of = self.base_of_roll
        if base_of is None:
            raise RuntimeError("rolls without a place")
        found, refused, self.parts[position] = place_all(
            [drive for drive in drives if drive.name not in self.failures],
            lambda drive: base_of(drive, roll),
            self.lease_for(position, lease)(""),
            Entries(entries[number] for number in roll.numbers),
            self._may_be_tried,
            first_part=self.parts[position],
            gone=roll.gone,
            answered=self.answered,
        )
        for name, error in refused.items():
            self.drop(name, error)
        for place in found:
            shelves[place.name].append(place)

    def _prepare_rolls(self, place: Place, lease: Callable[[str], Run], entries: Entries) -> None:
        # The newest comes last: the ledger's row of this drive tells its folder.
        for position, shelf in enumerate(reversed(place.rolls)):
            numbers = self.rolls[position].numbers
            its = Entries(entries[number] for number in numbers)
            shelf.drive = place.drive
            self._prepare(shelf, self.lease_for(position, lease), its)
            place.drive = shelf.drive
            if place.name in self.failures:
                return
