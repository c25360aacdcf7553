"""One card, start to finish: copy, read back, write down, judge, and only then give the word.

Order (design, decision 3): data synced, folders synced, proven, manifest synced, name taken, folder
synced, on every drive; a last look; the clearance under a temporary name on every drive that it
counts, then renamed on every one; the ledger committed; and only then the verdict is returned.
"""

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, datetime
from functools import partial

from offload.card.folder import shooting_day
from offload.card.inventory import Walk
from offload.card.layout import Layout, clip_paths, recognise
from offload.card.naming import UNNAMED, RollName, roll_name, unnamed_roll
from offload.card.rules import Medium
from offload.checksum import COMPARE
from offload.clearance.context import Context
from offload.errors import CardError, RecordError, reason
from offload.events import (
    CardCoded,
    CardListed,
    Found,
    RollNamed,
    StepFinished,
    StepStarted,
)
from offload.jobs.card_rolls import CardRoll, divide, earlier_rolls
from offload.jobs.card_state import card_notices
from offload.jobs.choosing import items_to_copy
from offload.jobs.copied import Copied, Occasion, Recorded
from offload.jobs.earlier_record import contradicts
from offload.jobs.ending import Ending
from offload.jobs.joining import join_roll
from offload.jobs.last_look import LastLook, look_at_card, look_at_drives
from offload.jobs.lease import Run, write_run
from offload.jobs.looking import Looking
from offload.jobs.noting import Notes
from offload.jobs.opening import HeldCard, HeldDrive, list_card, open_card
from offload.jobs.outcome import Outcome
from offload.jobs.passes import PassColumns, new_columns
from offload.jobs.placing import Place, Standing
from offload.jobs.preparing import lease_of
from offload.jobs.recording import (
    Completeness,
    completeness_of,
    content_roots,
    left_standing,
    take_final_name,
    write_record,
)
from offload.jobs.roll_words import division_notices, folder_on, stated_rolls
from offload.jobs.same_manifest import SameManifest
from offload.jobs.sent_lists import sent_differs, sent_lists
from offload.jobs.spread_places import (
    RollPart,
    SpreadDrives,
    SpreadPlace,
    digests_of,
    parts_of,
)
from offload.jobs.tools import Tools
from offload.jobs.two_passes import TwoPasses
from offload.jobs.wishes import Wish
from offload.ledger import offloads
from offload.ledger.files import load_earlier
from offload.ledger.lease import take_card
from offload.ledger.locks import Holder
from offload.ledger.rolls import NewRoll
from offload.values.entries import Entries
from offload.values.facts import CopyState
from offload.values.findings import Finding
from offload.values.inventory import Inventory, card_code
from offload.volumes.bounded import NotAnsweringError

_LOOKS = 3


def offload_card(wish: Wish, tools: Tools) -> Outcome:
    """Offload one card.

    Raises:
        CardError: the card is not there or cannot be listed: no verdict.
        BusyError: another run works on it.
        PreflightError: something stands in the way of the whole run; nothing was written.
        StoppedError: the user wanted to stop.
        OffloadError: anything else that lets no verdict be given.
    """
    with contextlib.ExitStack() as stack:
        card = open_card(wish.card, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        holder = Holder(
            tools.surroundings.pid, tools.surroundings.host, tools.surroundings.now_ns()
        )
        stack.enter_context(take_card(tools.ledger.home, card.mounting, holder))
        run = CardRun(wish, tools, card)
        stack.callback(run.close)
        try:
            return run.whole()
        except OSError as error:
            # What speaks of one drive or one file was taken in where it happened.
            raise CardError(
                f"the system would not go on: {reason(error)}",
                path=card.path,
                meaning="No verdict could be given: keep the card.",
                remedy="See that card and drives are there and answer, then the same command.",
            ) from error


class CardRun:
    """One offload under way: each method a step, in the order of :meth:`whole`."""

    def __init__(self, wish: Wish, tools: Tools, card: HeldCard) -> None:
        self._wish = wish
        self._tools = tools
        self._surroundings = tools.surroundings
        self._card = card
        self._started_at = tools.surroundings.now()
        self._notes = Notes(tools.ledger, tools.surroundings)
        self._drives = SpreadDrives(wish, tools, card, self._notes)
        self._recorded: dict[str, Recorded] = {}
        self._rolls_recorded: dict[str, dict[int, Recorded]] = {}
        self._roll_roots: dict[int, dict[str, bytes]] = {}
        self._manifests: dict[int, list[SameManifest]] = {}
        self._findings: list[Finding] = []
        self._notices: list[Finding] = []
        self._roots: dict[str, bytes] = {}
        self._code = ""
        self._trusts_earlier = True
        self._looking = Looking(wish, tools, card, self._notes)
        tools.progress.card_reads = wish.policy.card_reads

    def whole(self) -> Outcome:
        """Every step, in the order that keeps the promise."""
        with self._step("inventory"):
            self._listed = list_card(self._card, self._surroundings)
            self._walk = self._chosen(self._listed)
        inventory = self._walk.inventory
        self._tools.sink(CardListed(inventory.file_count, inventory.total_bytes, inventory.digest))
        self._notices += card_notices(self._card)
        self._sent = sent_lists(self._card.root, self._entries, self._started_at)
        self._notices += [*self._sent.faults, *self._sent.missing]
        self._name_roll()
        self._begin_notes()
        self._take_apart()
        with self._step("preflight"):
            self._drives.open_all()
            self._place()
        self._looking.begin(self._entries, self._layout)
        self._copy_and_prove()
        if self._passes.is_reused_wrong:
            # The card holds other bytes than before the interruption: nothing is reused then.
            self._trusts_earlier = False
            self._drives.note_written(self._columns.copied.drive_states)
            self._copy_and_prove()
        with self._step("record"):
            self._notes.step(offloads.State.RECORDING)
            self._record()
        if self._looking.is_wanted:
            with self._step("clips"):
                self._looking.look(self._active, self._columns, self._roll, self._passes.is_read)
                self._passes.stop_if_asked()
        with self._step("last-look"):
            look = self._last_look()
            self._looking.keep(self._columns)
        self._note_rolls()
        return self._ending().conclude(look)

    def close(self) -> None:
        """Give the rolls on the drives back, and let go of the drives."""
        self._looking.leave_card()
        self._drives.close()

    @property
    def _entries(self) -> Entries:
        return self._walk.inventory.entries

    @property
    def _columns(self) -> PassColumns:
        return self._passes.columns

    @property
    def _active(self) -> list[Place]:
        return self._drives.active

    @contextlib.contextmanager
    def _step(self, step: str) -> Iterator[None]:
        started = self._surroundings.now()
        self._tools.progress.step = step
        self._tools.sink(StepStarted(step))
        yield
        elapsed = (self._surroundings.now() - started).total_seconds()
        self._tools.sink(StepFinished(step, elapsed))

    def _chosen(self, walk: Walk) -> Walk:
        """The walk, or the part of it that this run is about."""
        paths = self._wish.only_paths
        if paths is None:
            return walk
        entries = Entries(entry for entry in walk.inventory.entries if entry.path in paths)
        return replace(walk, inventory=Inventory(entries, walk.inventory.left_out))

    # --- before the first byte ---

    def _name_roll(self) -> None:
        self._layout: Layout | None = recognise(self._entries, self._tools.layouts)
        clips = clip_paths(self._layout, self._entries) if self._layout else iter(())
        self._naming: RollName = roll_name(
            clips, self._card.volume.label, self._wish.roll, self._wish.naming
        )
        digest = self._walk.inventory.digest
        known = "" if self._naming.name else self._notes.roll_before(digest)
        # Before the card has been read it has no code; the listing tells its unfinished copy.
        self._is_unnamed = not (self._naming.name or known)
        self._roll_by_rule = self._naming.name or known or f"unnamed-{digest[:8].upper()}"
        self._roll = self._roll_by_rule

    def _begin_notes(self) -> None:
        self._notes.begin(self._card, self._listed.inventory, self._walk.inventory, self._wish)
        self._tools.progress.offload = self._notes.offload
        self._bases = self._notes.bases(self._roll_by_rule)

    def _take_apart(self) -> None:
        """A recorder's card stays in for days and makes a roll each day: which files are whose."""
        is_sound = self._layout is not None and self._layout.medium is Medium.SOUND
        if not is_sound or self._wish.only_paths is not None or not self._notes.is_written:
            return
        earlier = earlier_rolls(self._tools.ledger, self._notes.card)
        division = divide(self._entries, earlier, self._day(), self._wish.roll, self._roll_by_rule)
        if division is None:
            return
        rolls = division.rolls
        self._drives.spread(rolls, self._base_of_roll)
        self._roll = self._roll_by_rule = rolls[-1].name
        self._is_unnamed = rolls[-1].is_new and rolls[-1].name.startswith(UNNAMED)
        self._bases = self._notes.bases(self._roll_by_rule)
        for finding in division_notices(division):
            self._notice(finding)

    def _day(self) -> str:
        return shooting_day(self._started_at.astimezone(), self._wish.day_starts).isoformat()

    def _place(self) -> None:
        self._drives.place(self._base_of, self._lease, self._entries)
        if self._drives.places:
            self._roll = self._drives.places[0].roll.decode("utf-8", "surrogateescape")
            self._tools.sink(RollNamed(self._roll))

    def _lease(self, roll: str) -> Run:
        return Run(
            self._notes.key,
            self._walk.inventory.digest,
            "" if self._card.is_folder else self._card.volume.volume_id,
            self._surroundings.host,
            self._code,
            roll or self._roll_by_rule,
        )

    def _base_of(self, drive: HeldDrive) -> bytes:
        """Where this roll lies on a drive already, by the ledger; else where the template says."""
        known = self._bases.get(drive.name)
        if known == drive.root.path:
            return b""
        if known is not None and known.startswith(drive.root.path + b"/"):
            return known[len(drive.root.path) + 1 :]
        day = self._started_at.astimezone()
        return self._wish.base_folder(day, self._roll_by_rule, self._naming.cameras)

    def _base_of_roll(self, drive: HeldDrive, roll: CardRoll) -> bytes:
        """Where one of the card's rolls lies on a drive, or is to lie."""
        found = folder_on(drive, roll)
        if found is not None:
            return found
        if not roll.day:
            return self._base_of(drive)
        # Of an earlier day, on a drive that has not got it: in that day's folder.
        day = datetime.combine(date.fromisoformat(roll.day), self._wish.day_starts)
        return self._wish.base_folder(day, roll.name, self._naming.cameras)

    # --- the passes ---

    def _copy_and_prove(self) -> None:
        with self._step("copying"):
            self._copy()
        self._looking.leave_card()
        with self._step("proving"):
            self._passes.prove()

    def _copy(self) -> None:
        self._copy_once()
        while others := self._other_material():
            # What lies under the roll's name is another card's, alike in every name and size.
            states = self._columns.copied.drive_states
            self._drives.step_back(self._entries, states, others)
            self._drives.unlock()
            self._drives.take_next_part(others)
            self._place()
            self._copy_once()
        self._name_by_code()
        self._note_roll()

    def _copy_once(self) -> None:
        self._notes.step(offloads.State.COPYING)
        entries = self._entries
        columns = new_columns(
            (*self._wish.checksums, *self._sent.algorithms),
            entries,
            self._card,
            self._drives.places,
        )
        self._passes = TwoPasses(
            self._wish,
            self._tools,
            self._card,
            self._drives,
            self._notes,
            entries,
            columns,
            self._notice,
        )
        earlier = None
        if self._notes.is_written and self._trusts_earlier:
            earlier = load_earlier(self._tools.ledger, self._notes.card, entries)
        items = items_to_copy(
            entries,
            self._drives.places,
            columns.copied.digests,
            earlier,
            only_prove=self._wish.only_prove,
        )
        self._passes.copy(items)
        self._note_code()

    def _other_material(self) -> set[int]:
        """Of which rolls a record beside finished material says that it is not this card's."""
        return {
            part.position
            for place in self._active
            for part in self._parts_of(place)
            if part.place.standing is not Standing.GROWING and self._is_other(part)
        }

    def _is_other(self, part: RollPart) -> bool:
        try:
            return self._drives.answered(part.place.drive, partial(self._contradicts, part))
        except NotAnsweringError as error:
            self._drives.fail(part.place.name, str(error))
            return False
        except (OSError, RecordError) as error:
            text = str(error) if isinstance(error, RecordError) else reason(error)
            self._found(Finding("record-broken", text, b"", part.place.name))
            return False

    def _contradicts(self, part: RollPart) -> bool:
        return contradicts(part.place, part.entries, part.digests)

    def _parts_of(self, place: Place) -> Iterator[RollPart]:
        return parts_of(
            place,
            self._drives.rolls,
            self._entries,
            self._columns.drive_states[place.name],
            self._columns.card_states,
            self._columns.copied.digests,
        )

    def _note_code(self) -> None:
        """The card has been read once: its code is known, if all of it could be read."""
        self._roots = content_roots(self._entries, self._columns.copied.digests)
        root = self._roots.get(COMPARE)
        if root is None:
            return
        self._code = card_code(root) if self._wish.only_paths is None else self._wish.code
        self._tools.progress.code = self._code
        self._tools.sink(CardCoded(self._code))
        self._note_roll_codes()

    def _note_roll_codes(self) -> None:
        """Each roll of a recorder's card has a code of its own: its receiver has no other."""
        for position, roll in enumerate(self._drives.rolls):
            entries = Entries(self._entries[number] for number in roll.numbers)
            digests = digests_of(self._columns.copied.digests, roll.numbers)
            roots = content_roots(entries, digests)
            self._roll_roots[position] = roots
            if COMPARE in roots and not roll.code:
                self._drives.codes[position] = card_code(roots[COMPARE])

    def _name_by_code(self) -> None:
        """A card without a name waits for a person's word under its code, never under a guess."""
        if not (self._is_unnamed and self._code):
            return
        roll = unnamed_roll(self._drives.codes[-1] if self._drives.rolls else self._code)
        self._drives.name_anew(roll.encode("ascii"))
        self._roll = self._roll_by_rule = roll
        self._is_unnamed = False
        self._tools.sink(RollNamed(roll))
        text = "no rule gives this card a roll name; give it one:"
        text += f"  offload name {roll} NEW --because TEXT"
        self._notice(Finding("roll-unnamed", text))

    def _note_roll(self) -> None:
        if not self._code:
            return
        if self._drives.rolls:
            return
        self._notes.coded(self._code, self._new_roll(self._roll, self._code, self._roots[COMPARE]))

    def _new_roll(self, name: str, code: str, root: bytes, day: str = "") -> NewRoll:
        return NewRoll(
            name,
            self._notes.card,
            code,
            root,
            self._wish.production,
            day or self._day(),
            self._surroundings.now_ns(),
        )

    def _note_rolls(self) -> None:
        """Write down which rolls the card has, and where each of them lies on each drive."""
        rolls = self._drives.rolls
        if not (rolls and self._code and self._active):
            return
        names = [each.roll for each in reversed(self._active[0].rolls)]
        found = []
        for position, (roll, raw) in enumerate(zip(rolls, names, strict=True)):
            name = raw.decode("utf-8", "surrogateescape")
            code, root = self._drives.codes[position], self._roll_roots[position][COMPARE]
            is_known = roll.roll if name == roll.name else 0
            found.append((is_known, self._new_roll(name, code, root, roll.day), roll.inventory))
        self._notes.keep_rolls(self._code, found)
        for place in self._active:
            self._notes.roll_folders(place)

    # --- the record, the last look, the word ---

    def _record(self) -> None:
        occasion = Occasion(
            self._started_at,
            self._surroundings.now().astimezone(),
            self._surroundings.host,
            self._tools.identity,
            self._comment(),
            answered=self._drives.answered,
        )
        for place in self._active:
            step = partial(self._record_on, place, occasion)
            try:
                self._drives.answered(place.drive, step)()
            except NotAnsweringError as error:
                self._drives.fail(place.name, str(error))
            except (OSError, RecordError) as error:
                why = reason(error) if isinstance(error, OSError) else str(error)
                self._found(Finding("record-not-written", why, b"", place.name))
            self._drives.drop_silent()

    def _record_on(self, place: Place, occasion: Occasion) -> Callable[[], None]:
        """Record, name, lease of every roll; a drive counts as recorded only with all of them.

        Returns:
            Notes what was done, called once all of it is: a drive may be given up in the middle.
        """
        parts = list(self._parts_of(place))
        made = [self._record_roll(part, self._occasion_of(part, occasion)) for part in parts]
        recorded = {at: each for at, each in enumerate(made) if each is not None}

        def note() -> None:
            self._rolls_recorded[place.name] = recorded
            if isinstance(place, SpreadPlace):
                place.note_standing()
            if len(recorded) == len(parts):
                self._recorded[place.name] = recorded[len(parts) - 1]

        return note

    def _occasion_of(self, part: RollPart, occasion: Occasion) -> Occasion:
        """Only within one roll may a manifest be written once more for another drive."""
        return replace(occasion, manifests=self._manifests.setdefault(part.position, []))

    def _record_roll(self, part: RollPart, occasion: Occasion) -> Recorded | None:
        place = part.place
        completeness = completeness_of(part.entries, part.card_states, part.states)
        if completeness is Completeness.UNPROVEN:
            return None
        copied = Copied(place, part.entries, part.states, part.digests)
        if place.standing is Standing.ADDING:
            join_roll(place, part.entries)
        recorded = None
        if part.gone and place.standing is Standing.DONE:
            recorded = left_standing(copied, self._tools.key, occasion)
        recorded = recorded or write_record(copied, self._tools.key, occasion)
        take_final_name(place, is_whole=completeness is Completeness.WHOLE)
        if place.lock is not None:
            lease = self._drives.lease_for(part.position, self._lease)
            write_run(place.drive.root, place.records, lease_of(place, lease))
        return recorded

    def _comment(self) -> str:
        drives = ", ".join(place.name for place in self._active)
        text = f"card {self._code or 'read in part'} copied to {drives}"
        apart = self._passes.fed_apart
        return f"{text}; {', '.join(apart)} by a further reading of the card" if apart else text

    def _last_look(self) -> LastLook:
        look = self._look_once()
        for _ in range(_LOOKS - 1):
            if not self._has_changed_copies():
                break
            # A difference is no verdict: all is proven anew, and then looked at again.
            self._passes.prove_copies()
            look = self._look_once()
        return look

    def _look_at_drives(self) -> LastLook:
        look = LastLook()
        look_at_drives(
            self._active,
            self._entries,
            self._columns,
            self._surroundings,
            look,
            self._drives.answered,
        )
        self._drives.drop_silent()
        return look

    def _look_once(self) -> LastLook:
        look = self._look_at_drives()
        look_at_card(
            self._card.root,
            self._entries,
            self._columns,
            lambda: list_card(self._card, self._surroundings),
            look,
        )
        return look

    def _has_changed_copies(self) -> bool:
        return any(CopyState.CHANGED in self._columns.drive_states[p.name] for p in self._active)

    def _ending(self) -> Ending:
        return Ending(
            self._wish,
            self._tools,
            self._card,
            self._walk,
            self._columns,
            self._drives,
            self._notes,
            self._recorded,
            Context(self._roll, self._code, self._card.path),
            self._roots,
            self._started_at,
            tuple(self._findings),
            clip_findings=self._looking.holds,
            notices=(*self._notices, *self._looking.notices),
            sent=sent_differs(self._sent, self._columns.copied.digests),
            is_without_clip=self._layout is not None and self._layout.is_without_clip,
            rolls=stated_rolls(self._drives, self._entries, self._roll_roots, self._rolls_recorded),
        )

    def _notice(self, finding: Finding) -> None:
        self._notices.append(finding)
        self._tools.sink(Found(finding))

    def _found(self, finding: Finding) -> None:
        self._findings.append(finding)
        self._tools.sink(Found(finding))
