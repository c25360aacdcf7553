"""The drives of a run, from their opening to the moment before the first byte, and who drops out.

Nothing of the card is on any drive before everything that stands in the way has been said. A drive
that cannot be used is dropped with its reason; the others go on.
"""

import os
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from threading import Thread
from typing import TypeVar

from offload.errors import BusyError, DriveError, OffloadError, reason
from offload.events import DriveDropped, DriveRoom, Found
from offload.jobs.joining import remove_empty
from offload.jobs.keeping_aside import move_aside
from offload.jobs.lease import RUN_NAME, Lock, Run, read_run, write_run
from offload.jobs.leftovers import finish_files
from offload.jobs.noting import Notes
from offload.jobs.opening import (
    DriveAwayError,
    HeldCard,
    HeldDrive,
    open_drive,
    silent_error,
    write_marker,
)
from offload.jobs.placing import ASIDE, Place, Standing, place_all, rename_roll
from offload.jobs.preflighting import may_be_tried, preflight, was_card
from offload.jobs.taking_turns import in_turn
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish, Wish
from offload.transfer.preflight.check import Preflight
from offload.transfer.preflight.problems import Consequence
from offload.values.entries import Entries, Kind
from offload.values.facts import CopyState
from offload.values.findings import Finding
from offload.values.paths import join, to_text
from offload.volumes.bounded import NotAnsweringError
from offload.volumes.hanging_files import let_go_of_files
from offload.volumes.silence import FellSilentError, Silence, while_answering

T = TypeVar("T")

BaseOf = Callable[[HeldDrive], bytes]


@dataclass(slots=True)
class Drives:
    """The drives of one run.

    Attributes:
        wish, tools, card, notes: of the run.
        held: those that could be opened.
        places: those that take part, by bit.
        failures: drive name -> why it was dropped or refused.
        away: names of those that are not there.
        notices: what preflight found that keeps nothing.
        part: 1 for the roll's own name, 2 for ``ROLL-2`` and so on.
    """

    wish: Wish
    tools: Tools
    card: HeldCard
    notes: Notes
    held: list[HeldDrive] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)
    failures: dict[str, str] = field(default_factory=dict)
    away: set[str] = field(default_factory=set)
    notices: list[Finding] = field(default_factory=list)
    part: int = 1
    hanging: dict[str, list[Thread]] = field(default_factory=dict)
    """Drive name -> threads that hang in calls to it; it has fallen silent."""
    silent: dict[str, str] = field(default_factory=dict)
    """Drive name -> what is said of its silence."""
    _prepared: list[Place] = field(default_factory=list)
    """Every roll's place that was ever made ready, and may hold a lock: also on a drive that was
    dropped in the middle of it, and under a name that was another card's."""

    @property
    def active(self) -> list[Place]:
        """Those that take part and have not been dropped since."""
        return [place for place in self.places if place.name not in self.failures]

    def open_all(self) -> None:
        """Open every drive; one that cannot be opened is dropped."""
        for wish in self.wish.drives:
            drive = self._opened(wish)
            if drive is not None:
                self.held.append(drive)

    def place(self, base_of: BaseOf, lease: Callable[[str], Run], entries: Entries) -> None:
        """Find where the roll goes on every drive, look ahead, and make the places ready.

        Args:
            base_of: folder that holds the roll, relative, for each drive.
            lease: what goes into ``run.json``, for a roll's name; the name by rule for "".
            entries: of the card.

        Raises:
            PreflightError: something stops the run; nothing was written.
        """
        drives = [drive for drive in self.held if drive.name not in self.failures]
        drives = [drive for drive in drives if self._is_answering(drive)]
        with in_turn(drive.root for drive in drives):
            places = self._found_and_made_ready(drives, base_of, lease, entries)
        self.places = [place for place in places if place.name not in self.failures]
        for bit, place in enumerate(self.places):
            place.bit = bit
            place.is_mounted_anew = self._is_mounted_anew(place, entries)

    def step_back(
        self, entries: Entries, states: Mapping[str, bytearray], others: Collection[int]
    ) -> None:
        """Leave another card's material as it was before this run wrote beside it.

        Args:
            entries: of the card.
            states: by drive name, the copying pass's own.
            others: which of the card's rolls it is; a card with one roll has but that.
        """

        def leave(place: Place) -> None:
            for number in range(len(entries)):
                is_file = entries.kind(number) is Kind.FILE and place.is_in(number, others)
                if is_file and states[place.name][number] == CopyState.WRITTEN:
                    place.drive.root.remove_file(place.path_of(number, entries.path(number)))
            for at, roll in enumerate(reversed(place.rolls)):
                if at in others and not place.drive.volume.is_read_only:
                    _give_up_name(roll)

        for place in self.active:
            self.guarded(place, partial(leave, place))

    def note_written(self, states: Mapping[str, bytearray]) -> None:
        """What this run has written is there: copied once more, it would be in its own way.

        Args:
            states: by drive name, the copying pass's own.
        """
        for place in self.active:
            for number, state in enumerate(states[place.name]):
                if state == CopyState.WRITTEN:
                    place.note_written(number)

    def name_anew(self, roll: bytes) -> None:
        """Give the roll its name by card code, on every drive where it is growing."""
        for place in self.active:
            if place.standing is not Standing.DONE:
                self.guarded(place, partial(rename_roll, place, roll))

    def drop(self, name: str, error: OffloadError) -> None:
        """A drive takes no more part."""
        self.failures[name] = str(error)
        if isinstance(error, DriveAwayError):
            self.away.add(name)
        self.tools.sink(DriveDropped(name, str(error)))

    def fail(self, name: str, why: str) -> None:
        """A drive failed at work: that is also written down as its fault."""
        if name not in self.failures:
            self.failures[name] = why
            self.tools.sink(DriveDropped(name, why))
            self.notes.fault(name, why)

    def guarded(self, place: Place, step: Callable[[], None]) -> None:
        """A step on one drive, whose system errors drop it; so does its silence."""
        try:
            self.answered(place.drive, step)
        except OSError as error:
            self.fail(place.name, reason(error))

    def silence_of(self, name: str) -> Silence:
        """Listens to one of the drives that are held."""
        drive = next(drive for drive in self.held if drive.name == name)
        surroundings, root = self.tools.surroundings, drive.root

        def moved() -> object:
            return [surroundings.moved_counter(each) for each in drive.physical.counters]

        return Silence(lambda: os.fstatvfs(root.fd), surroundings.drive_answer_s, moved)

    def answered(self, drive: HeldDrive, step: Callable[[], T], /) -> T:
        """A step on one drive, waited for as long as the drive answers anything.

        What it sets beside its result may still be set when nobody waits any more.

        Args:
            drive: held.
            step: calls to it, in a thread of its own; nothing of the ledger.

        Raises:
            NotAnsweringError: the drive is silent, and is to be dropped.
        """
        try:
            return while_answering(step, self.silence_of(drive.name))
        except FellSilentError as error:
            self.give_up(drive.name, error.thread, str(error))
            raise

    def give_up(self, name: str, thread: Thread, why: str) -> None:
        """Nobody waits for this drive any more; its descriptors stay until the thread is back."""
        drive = next(drive for drive in self.held if drive.name == name)
        drive.root.give_up()
        let_go_of_files(drive.root.fd)
        self.silent[name] = why
        self.hanging.setdefault(name, []).append(thread)

    def drop_silent(self) -> None:
        """Those that fell silent in the last look, or while another drive's step read from them."""
        for name, why in self.silent.items():
            self.fail(name, why)

    def _is_answering(self, drive: HeldDrive) -> bool:
        try:
            self.answered(drive, partial(drive.root.facts, b""))
        except NotAnsweringError as error:
            self.drop(drive.name, silent_error(drive.wish, str(error)))
            return False
        except OSError:
            return True  # what it says is told where it is asked for something
        return True

    def unlock(self) -> None:
        """Give the rolls on the drives back to other runs.

        Not on a drive that is silent: what hangs there may yet be carried out.
        """
        for place in self._prepared:
            if place.name not in self.hanging:
                _unlock(place)

    def take_next_part(self, others: Collection[int]) -> None:
        """The roll's name is another card's: the next one is ``ROLL-2``, ``ROLL-3`` and so on.

        Args:
            others: which of the card's rolls it is; a card with one roll has but that.
        """
        if 0 in others:
            self.part += 1

    def close(self) -> None:
        """Let go of everything."""
        self.unlock()
        for drive in self.held:
            threads = self.hanging.get(drive.name)
            if threads is None:
                drive.root.close()
                continue
            places = tuple(place for place in self._prepared if place.name == drive.name)
            let_go = partial(_let_go, drive, places, tuple(threads))
            Thread(target=let_go, name="drive-letting-go", daemon=True).start()

    def _found_and_made_ready(
        self,
        drives: Sequence[HeldDrive],
        base_of: BaseOf,
        lease: Callable[[str], Run],
        entries: Entries,
    ) -> list[Place]:
        places, refused, self.part = place_all(
            drives,
            base_of,
            lease(""),
            entries,
            self._may_be_tried,
            first_part=self.part,
            is_delivery=self.wish.is_delivery,
            answered=self.answered,
        )
        for name, error in refused.items():
            self.drop(name, error)
        self._look_ahead(places, entries)
        for place in places:
            if place.name not in self.failures:
                self._prepare(place, lease, entries)
        return places

    def _opened(self, wish: DriveWish) -> HeldDrive | None:
        try:
            return open_drive(wish, self.tools.surroundings)
        except OffloadError as error:
            self.drop(wish.name, error)
            return None

    def _may_be_tried(self, drive: HeldDrive) -> bool:
        """
        Raises:
            NotAnsweringError: the drive is silent.
        """
        if was_card(drive, self.tools.ledger):
            return False
        return self.answered(drive, partial(may_be_tried, self.card, drive, self.tools.layouts))

    def _look_ahead(self, places: Sequence[Place], entries: Entries) -> None:
        """Say everything that stands in the way before the first byte."""
        found = preflight(
            self.card, entries, places, self.failures, self.wish, self.tools, self.answered
        )
        for problem in found.problems:
            # What was dropped before is so for its own reason, and need not be away.
            is_new = problem.drive and problem.drive not in self.failures
            if problem.kind is Consequence.DROP_DRIVE and is_new:
                kind = DriveAwayError if problem.code == DriveAwayError.code else DriveError
                self.drop(problem.drive, kind(problem.text, remedy=problem.remedy))
        for place in places:
            self._tell_room(place, found)
        for finding in _to_be_told(found):
            self.tools.sink(Found(finding))
        self.notices += found.notices

    def _is_mounted_anew(self, place: Place, entries: Entries) -> bool:
        """Whether all of the copy was written in earlier mountings, and nothing of it read in this.

        Then names and folders, too, come from the device and not from a memory of the writing.
        """
        is_all_there = all(
            place.present[number] or not entries.kind(number).is_copied
            for number in range(len(entries))
        )
        before = self.notes.mountings_before(place.name)
        if not (is_all_there and before):
            return False
        # While an earlier mounting is still there, this one may be a second view of the same.
        return before.isdisjoint({place.drive.mounting, *self.tools.surroundings.mounted_keys()})

    def _tell_room(self, place: Place, found: Preflight) -> None:
        plan = next((each for each in found.plans if each.name == place.name), None)
        free = place.drive.volume.free_bytes
        if plan is not None and free is not None and place.name not in self.failures:
            room = free - plan.need.total_bytes + plan.need.reserve_bytes
            self.tools.sink(DriveRoom(place.name, max(0, room)))

    def _prepare(self, place: Place, lease: Callable[[str], Run], entries: Entries) -> None:
        self._prepared.append(place)
        try:
            self._make_ready(place, lease, entries)
        except NotAnsweringError as error:
            self.drop(place.name, silent_error(place.drive.wish, str(error)))
        except (OSError, OffloadError) as error:
            why = reason(error) if isinstance(error, OSError) else str(error)
            self.drop(place.name, DriveError(why, path=place.drive.root.path))
            _unlock(place)

    def _make_ready(self, place: Place, lease: Callable[[str], Run], entries: Entries) -> None:
        """Marker, folders, lease and lock, before anything of the card is there."""
        is_needed = not (self.wish.only_prove and place.standing is Standing.FREE)
        drive = place.drive
        if is_needed:
            place.drive = self.answered(
                drive, partial(write_marker, drive, self.tools.surroundings)
            )
        self.notes.take_drive(place.drive, place)
        if not is_needed or drive.volume.is_read_only:
            return
        run = lease_of(place, lease)
        make = partial(_make_folders, place, run, entries, only_prove=self.wish.only_prove)
        self.notices += self.answered(drive, make)


def _make_folders(place: Place, run: Run, entries: Entries, *, only_prove: bool) -> list[Finding]:
    """Folders, lease and lock; what there is to tell of what was found there."""
    root = place.drive.root
    root.make_folders(place.records)
    place.lock = Lock(root, place.records, place.name)
    if read_run(root, place.records) != place.earlier:
        raise BusyError(
            "another run has taken this roll's name there since it was looked at",
            path=join(root.path, place.records),
            meaning=f"Nothing was written to {place.name}; the other drives go on.",
            remedy="The same command again: it looks anew.",
        )
    write_run(root, place.records, run)
    if place.standing is not Standing.DONE and not only_prove:
        root.make_folders(place.grows_in)
    if only_prove:
        return []
    for path in place.existing.stale:
        root.remove_file(join(place.grows_in, path))
    notices: list[Finding] = []
    for path in place.existing.foreign:
        kept = move_aside(root, join(place.grows_in, path), join(place.final + ASIDE, path))
        text = f"was in the unfinished copy and is not on the card; it lies in {to_text(kept)}"
        notices.append(Finding("kept-aside", text, path, place.name))
    return [*notices, *finish_files(place, entries)]


def _unlock(place: Place) -> None:
    if place.lock is not None:
        place.lock.release()
        place.lock = None


def _let_go(drive: HeldDrive, places: Sequence[Place], threads: Sequence[Thread]) -> None:
    """Give everything back once nothing hangs in a call to the drive any more."""
    for thread in threads:
        thread.join()
    for place in places:
        _unlock(place)
    drive.root.close()


def _give_up_name(place: Place) -> None:
    """Leave nothing of a run under a name that is another card's, but what was there before."""
    root = place.drive.root
    if place.standing in (Standing.FREE, Standing.ADDING):
        remove_empty(place, place.grows_in)
    if place.earlier is not None:
        write_run(root, place.records, place.earlier)
        return
    with suppress(FileNotFoundError):
        root.remove_file(join(place.records, RUN_NAME))
    with suppress(OSError):  # what else lies there was there before
        root.remove_folder(place.records)


def lease_of(place: Place, lease: Callable[[str], Run]) -> Run:
    """What goes into ``run.json`` there: the key of earlier work on the same copy is kept."""
    run = lease(place.roll.decode("utf-8", "surrogateescape"))
    return replace(run, key=place.earlier.key) if place.earlier else run


def _to_be_told(found: Preflight) -> Iterator[Finding]:
    for problem in found.problems:
        if problem.kind is not Consequence.DROP_DRIVE:
            yield Finding(problem.code, problem.text, b"", problem.drive)
    yield from found.notices
