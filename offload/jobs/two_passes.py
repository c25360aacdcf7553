"""The two passes of one run, and what follows from them.

Copying fills every drive from one reading of the card; proving reads all of it back. Between them a
drive that was too slow for the others gets the rest from a further reading, and after them what an
earlier run had left wrong is written anew. Whatever was written is proven after its last byte.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from offload.checksum import COMPARE
from offload.events import DriveReadBack
from offload.jobs.choosing import rewrites, still_missing
from offload.jobs.noting import Notes
from offload.jobs.opening import HeldCard
from offload.jobs.passes import PassColumns, run_copying, run_proving
from offload.jobs.placing import Place
from offload.jobs.preparing import Drives
from offload.jobs.shared_copies import mark_shared
from offload.jobs.tools import StoppedError, Tools
from offload.jobs.wishes import Wish
from offload.ledger import offloads
from offload.ledger.copies import is_proven
from offload.transfer.plan import Item
from offload.values.entries import Entries, Kind
from offload.values.facts import CardState, CopyState
from offload.values.findings import Finding

_SOUND = frozenset({CardState.READ_EQUAL, CardState.CACHED})


class TwoPasses:
    """Both passes over one card.

    Attributes:
        columns: what is known of every entry.
        is_read: entries that the copying pass has read.
        fed_apart: names of drives that left the others, in the order of leaving.
    """

    def __init__(
        self,
        wish: Wish,
        tools: Tools,
        card: HeldCard,
        drives: Drives,
        notes: Notes,
        entries: Entries,
        columns: PassColumns,
        notice: Callable[[Finding], None],
    ) -> None:
        self._wish = wish
        self._tools = tools
        self._card = card
        self._drives = drives
        self._notes = notes
        self._entries = entries
        self._notice = notice
        self._contradicted: set[int] = set()
        self.columns = columns
        self.is_read: set[int] = set()
        self.fed_apart: list[str] = []

    def copy(self, items: Sequence[Item]) -> None:
        """The copying pass.

        Raises:
            StoppedError: the user wanted to stop.
        """
        self.is_read = {item.number for item in items}
        self._read_and_write(items)

    def prove(self) -> None:
        """The proving pass, and what it finds wrong of an earlier run's written anew.

        Raises:
            StoppedError: the user wanted to stop.
        """
        if self.columns.copied.left:
            self._feed_apart()
        self._notes.step(offloads.State.PROVING)
        self._prove(self._card_numbers())
        wrong = {
            place.name: {
                number
                for number in self._wrong_on(place)
                if place.is_half_done(number) and self._is_card_sound(number)
            }
            for place in self._active
            if not self._wish.only_prove
        }
        items = rewrites(self._entries, self._active, wrong)
        if items:
            self._write_anew(items, wrong)

    def prove_copies(self) -> None:
        """Read every copy once more, and not the card."""
        self._prove([])

    def _wrong_on(self, place: Place) -> set[int]:
        """Files there whose bytes differ, or could not be read back."""
        states = self.columns.drive_states[place.name]
        unreadable = {
            number
            for number, state in enumerate(states)
            if state == CopyState.UNREADABLE and self._entries.kind(number) is Kind.FILE
        }
        return unreadable | self.columns.differing.get(place.name, set())

    def _is_card_sound(self, number: int) -> bool:
        """Whether the card gives what would be written; else the copy may be all there is."""
        return self.columns.card_states[number] in _SOUND

    @property
    def is_reused_wrong(self) -> bool:
        """Whether a file that was not read in the copying pass is not what an earlier run read."""
        return any(
            state == CardState.DIFFERS and number not in self.is_read
            for number, state in enumerate(self.columns.card_states)
        )

    def stop_if_asked(self) -> None:
        """
        Raises:
            StoppedError: the user wants to stop.
        """
        if not self._tools.is_stopped():
            return
        self._notes.step(offloads.State.STOPPED)
        what = "delivery" if self._wish.is_delivery else "card"
        raise StoppedError(
            f"stopped. Nothing is proven yet; keep the {what}",
            path=self._card.path,
            meaning="What is on the drives so far is marked as incomplete.",
            remedy="The same command goes on from there.",
        )

    @property
    def _active(self) -> list[Place]:
        return self._drives.active

    def _feed_apart(self) -> None:
        """Drives that left the others: those are read back first, then the slow one gets its own.

        All is proven again in the end: a further reading of the card may say something else.
        """
        while left := self.columns.copied.left:
            self.fed_apart += left
            slow = [place for place in self._active if place.name in self.fed_apart]
            fast = [place for place in self._active if place.name not in self.fed_apart]
            for place in slow:
                if place.name in left:
                    text = "slower than the others by far; it gets the rest by itself, after them"
                    self._notice(Finding("drive-fed-apart", text, b"", place.name))
            self._notes.step(offloads.State.PROVING)
            self._prove([], fast)
            self.columns.copied.left = []
            self._notes.step(offloads.State.COPYING)
            self._tools.progress.step = "copying"
            states = self.columns.copied.drive_states
            self._read_and_write(still_missing(self._entries, slow, states))
        self._tools.progress.step = "proving"

    def _read_and_write(self, items: Sequence[Item]) -> None:
        digests = self.columns.copied.digests
        before = {item.number: digests.get(COMPARE, item.number) for item in items}
        run_copying(
            self._card,
            self._drives.places,
            items,
            self.columns,
            self._wish.policy,
            self._tools.progress,
            self._tools.surroundings,
            self._tools.is_stopped,
            lambda number, size: self._notes.read(number, size, self.columns),
            self._drives.silence_of,
        )
        # Two readings of this card that differ are its fault, whatever a third one says.
        self._contradicted |= {
            number
            for number, digest in before.items()
            if digest is not None and digest != digests.get(COMPARE, number)
        }
        self._notes.flush(self.columns)
        self._note_failures()
        self.stop_if_asked()

    def _note_failures(self) -> None:
        copied = self.columns.copied
        for name, why in copied.failures.items():
            thread = copied.hanging.get(name)
            if thread is not None:
                self._drives.give_up(name, thread, why)
            self._drives.fail(name, why)

    def _write_anew(self, items: list[Item], wrong: Mapping[str, set[int]]) -> None:
        """What an earlier run left behind was wrong: write it anew, then prove all of it again."""
        for place in self._active:
            for number in sorted(wrong.get(place.name, ())):
                path = place.path_of(number, self._entries.path(number))
                self._drives.guarded(place, partial(place.drive.root.remove_file, path))
                place.note_removed(number)
                place.is_mounted_anew = False
                is_differing = number in self.columns.differing.get(place.name, ())
                how = "was wrong" if is_differing else "could not be read back"
                text = f"what an earlier run had left {how}, and was written anew"
                self._notice(Finding("existing-was-wrong", text, path, place.name))
        self._read_and_write(items)
        self._prove(self._card_numbers())

    def _prove(self, card_numbers: list[int], places: Sequence[Place] | None = None) -> None:
        places = self._active if places is None else places
        run_proving(
            self._card,
            places,
            self._entries,
            self.columns,
            self._tools.progress,
            self._tools.surroundings,
            self._tools.is_stopped,
            card_numbers,
            self._drives.silence_of,
        )
        for number in self._contradicted:
            self.columns.card_states[number] = CardState.DIFFERS
        self._note_failures()
        there = [place for place in places if place.name not in self._drives.failures]
        mark_shared(there, self._entries, self.columns)
        for place in places:
            self._tell(place)
        self.stop_if_asked()

    def _tell(self, place: Place) -> None:
        states = self.columns.drive_states[place.name]
        numbers = [at for at in range(len(self._entries)) if self._entries.kind(at).is_copied]
        equal = sum(1 for at in numbers if is_proven(states[at]))
        self._tools.sink(DriveReadBack(place.name, len(numbers), equal))

    def _card_numbers(self) -> list[int]:
        """Entries of the card that the proving pass has to read: all, or those not read yet."""
        states = self.columns.card_states
        is_twice = self._wish.policy.card_reads != 1
        return [
            number
            for number in range(len(self._entries))
            if self._entries.kind(number).is_copied
            and (
                states[number] == CardState.NOT_READ
                or (is_twice and states[number] == CardState.READ_EQUAL)
            )
        ]
