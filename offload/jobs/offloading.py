"""One card, start to finish: copy, read back, write down, judge, and only then give the word.

Order (design, decision 3): data synced, folders synced, proven, manifest synced, name taken, folder
synced, on every drive; a last look; the clearance under a temporary name on every drive that it
counts, then renamed on every one; the ledger committed; and only then the verdict is returned.
"""

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import replace

from offload import __version__
from offload.card.folder import shooting_day
from offload.card.inventory import Walk
from offload.card.layout import Layout, clip_paths, recognise
from offload.card.naming import RollName, roll_name
from offload.checksum import COMPARE
from offload.clearance.context import Context
from offload.clearance.rules import decide
from offload.clearance.statement import Occasion as StatementOccasion
from offload.errors import DriveError, OffloadError, RecordError, reason
from offload.events import (
    CardCoded,
    CardListed,
    DriveDropped,
    Found,
    RollNamed,
    StepFinished,
    StepStarted,
)
from offload.jobs.choosing import items_to_copy, rewrites
from offload.jobs.clearing import Published, PublishingError, publish
from offload.jobs.earlier_record import Earlier, read_earlier
from offload.jobs.facts import FactSources, gather_facts
from offload.jobs.joining import join_roll
from offload.jobs.last_look import LastLook, look_at_card, look_at_drives
from offload.jobs.lease import Lock, Run, write_run
from offload.jobs.noting import Notes, hints_of, known_bases
from offload.jobs.opening import (
    DriveAwayError,
    HeldCard,
    HeldDrive,
    OpenedDrives,
    is_still_mounted,
    list_card,
    open_card,
    open_drive,
    write_marker,
)
from offload.jobs.outcome import Outcome
from offload.jobs.passes import PassColumns, new_columns, run_copying, run_proving
from offload.jobs.placing import Place, Standing, place_all
from offload.jobs.preflighting import preflight
from offload.jobs.recording import (
    Completeness,
    Copied,
    Occasion,
    Recorded,
    completeness_of,
    content_roots,
    take_final_name,
    write_record,
)
from offload.jobs.result import result_of
from offload.jobs.stating import (
    card_name,
    content_texts,
    folders_of,
    key_line,
    manifests_of,
    statement_bytes,
)
from offload.jobs.tools import StoppedError, Tools
from offload.jobs.wishes import Wish
from offload.ledger import clearances, copies, offloads
from offload.ledger.files import load_earlier
from offload.ledger.lease import take_card
from offload.ledger.locks import Holder
from offload.ledger.rolls import NewRoll
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.transfer.preflight.problems import Consequence
from offload.values.entries import Entries
from offload.values.facts import CardState, CopyState, Facts, ReadBack
from offload.values.findings import Finding
from offload.values.inventory import Inventory, card_code
from offload.values.paths import join
from offload.values.verdict import Verdict

_LOOKS = 3
_NOTICED = frozenset({"time-not-kept"})
_STAGES = {
    Standing.FREE: copies.Stage.GROWING,
    Standing.GROWING: copies.Stage.GROWING,
    Standing.PARTIAL: copies.Stage.PARTIAL,
    Standing.DONE: copies.Stage.PROVEN,
}


def offload_card(wish: Wish, tools: Tools) -> Outcome:
    """Offload one card.

    Raises:
        CardError: the card is not there or cannot be listed: no verdict.
        BusyError: another run works on it.
        StoppedError: the user wanted to stop.
        OffloadError: anything else that lets no verdict be given.
    """
    with contextlib.ExitStack() as stack:
        card = open_card(wish.card, tools.surroundings)
        stack.callback(card.root.close)
        holder = Holder(
            tools.surroundings.pid, tools.surroundings.host, tools.surroundings.now_ns()
        )
        stack.enter_context(take_card(tools.ledger.home, card.mounting, holder))
        opened = OpenedDrives()
        stack.callback(opened.close)
        run = _Run(wish, tools, card, opened)
        stack.callback(run.release)
        return run.whole()


class _Run:
    """One offload under way: each method a step, in the order of :meth:`whole`."""

    def __init__(self, wish: Wish, tools: Tools, card: HeldCard, opened: OpenedDrives) -> None:
        self._wish = wish
        self._tools = tools
        self._surroundings = tools.surroundings
        self._card = card
        self._opened = opened
        self._started_at = tools.surroundings.now()
        self._notes = Notes(tools.ledger, tools.surroundings)
        self._places: list[Place] = []
        self._failures: dict[str, str] = {}
        self._recorded: dict[str, Recorded] = {}
        self._findings: list[Finding] = []
        self._notices: list[Finding] = []
        self._code = ""
        self._part = 1
        self._trusts_earlier = True
        self._away: set[str] = set()

    def whole(self) -> Outcome:
        """Every step, in the order that keeps the promise."""
        with self._step("inventory"):
            self._walk = self._chosen(list_card(self._card, self._surroundings))
        inventory = self._walk.inventory
        self._tools.sink(CardListed(inventory.file_count, inventory.total_bytes, inventory.digest))
        self._name_roll()
        self._begin_notes()
        with self._step("preflight"):
            self._open_drives()
            self._place()
        self._copy_and_prove()
        if self._is_reused_wrong():
            # The card holds other bytes than before the interruption: nothing is reused then.
            self._trusts_earlier = False
            self._copy_and_prove()
        with self._step("record"):
            self._notes.step(offloads.State.RECORDING)
            self._record()
            look = self._last_look()
        return self._end(look)

    def _copy_and_prove(self) -> None:
        with self._step("copying"):
            self._copy()
        with self._step("proving"):
            self._prove()

    def _chosen(self, walk: Walk) -> Walk:
        """The walk, or the part of it that this run is about."""
        paths = self._wish.only_paths
        if paths is None:
            return walk
        entries = Entries(entry for entry in walk.inventory.entries if entry.path in paths)
        return replace(walk, inventory=Inventory(entries, walk.inventory.left_out))

    def release(self) -> None:
        """Give the rolls on the drives back."""
        for place in self._places:
            if place.lock is not None:
                place.lock.release()

    @property
    def _entries(self) -> Entries:
        return self._walk.inventory.entries

    @property
    def _context(self) -> Context:
        return Context(self._roll, self._code, self._card.path)

    @contextlib.contextmanager
    def _step(self, step: str) -> Iterator[None]:
        started = self._surroundings.now()
        self._tools.progress.step = step
        self._tools.sink(StepStarted(step))
        yield
        elapsed = (self._surroundings.now() - started).total_seconds()
        self._tools.sink(StepFinished(step, elapsed))

    # --- before the first byte ---

    def _name_roll(self) -> None:
        self._layout: Layout | None = recognise(self._entries)
        clips = clip_paths(self._layout, self._entries) if self._layout else iter(())
        self._naming: RollName = roll_name(
            clips, self._card.volume.label, self._wish.roll, self._wish.naming
        )
        # Before the card has been read it has no code; the listing tells its unfinished copy.
        digest = self._walk.inventory.digest[:8].upper()
        self._roll_by_rule = self._naming.name or f"unnamed-{digest}"
        self._roll = self._roll_by_rule

    def _begin_notes(self) -> None:
        ledger = self._tools.ledger
        earlier = offloads.unfinished_of(ledger, self._walk.inventory.digest)
        before = earlier[0] if earlier else None
        self._bases = known_bases(ledger, hints_of(self._card), self._roll_by_rule)
        self._key = before.key if before else self._surroundings.random_number()
        number = before.offload if before else None
        self._notes.begin(self._card, self._walk.inventory, self._wish, self._key, number)

    def _open_drives(self) -> None:
        for wish in self._wish.drives:
            try:
                drive = open_drive(wish, self._surroundings)
            except OffloadError as error:
                self._drop(wish.name, error)
            else:
                self._opened.held.append(drive)

    def _place(self) -> None:
        drives = [drive for drive in self._opened.held if drive.name not in self._failures]
        places, refused, self._part = place_all(
            drives, self._base_of, self._run_lease(), self._entries, first_part=self._part
        )
        for name, error in refused.items():
            self._drop(name, error)
        self._look_ahead(places)
        for place in places:
            if place.name not in self._failures:
                self._prepare(place)
        self._places = [place for place in places if place.name not in self._failures]
        for bit, place in enumerate(self._places):
            place.bit = bit
        if self._places:
            self._roll = self._places[0].roll.decode("utf-8", "surrogateescape")
            self._tools.sink(RollNamed(self._roll))

    def _look_ahead(self, places: list[Place]) -> None:
        """Say everything that stands in the way before the first byte."""
        found = preflight(
            self._card,
            self._entries,
            places,
            self._failures,
            self._wish,
            self._tools.ledger,
        )
        for problem in found.problems:
            if problem.kind is Consequence.DROP_DRIVE and problem.drive:
                kind = DriveAwayError if problem.code == DriveAwayError.code else DriveError
                self._drop(problem.drive, kind(problem.text, remedy=problem.remedy))
            else:
                self._tools.sink(Found(Finding(problem.code, problem.text, b"", problem.drive)))
        for notice in found.notices:
            self._notice(notice)

    def _prepare(self, place: Place) -> None:
        try:
            self._make_ready(place)
        except OSError as error:
            self._drop(place.name, DriveError(reason(error), path=place.drive.root.path))

    def _make_ready(self, place: Place) -> None:
        """Marker, folders, lease and lock on one drive, before anything of the card is there."""
        is_needed = not (self._wish.only_prove and place.standing is Standing.FREE)
        if is_needed:
            place.drive = write_marker(place.drive, self._surroundings)
        self._notes.take_drive(place.drive, place)
        if not is_needed:
            return
        root = place.drive.root
        if not place.drive.volume.is_read_only:
            root.make_folders(place.records)
            place.lock = Lock(root, place.records, place.name)
            write_run(root, place.records, self._run_lease(place))
            if place.standing is not Standing.DONE and not self._wish.only_prove:
                root.make_folders(place.grows_in)
        for path in place.existing.stale:
            root.remove_file(join(place.grows_in, path))

    def _run_lease(self, place: Place | None = None) -> Run:
        key = place.earlier.key if place and place.earlier else self._key
        return Run(
            key,
            self._walk.inventory.digest,
            "" if self._card.is_folder else self._card.volume.volume_id,
            self._surroundings.host,
            self._code,
            self._roll_by_rule if place is None else self._roll_of(place),
        )

    def _roll_of(self, place: Place) -> str:
        return place.roll.decode("utf-8", "surrogateescape")

    def _base_of(self, drive: HeldDrive) -> bytes:
        """Where this roll lies on a drive already, by the ledger; else where the template says."""
        known = self._bases.get(drive.name)
        if known is not None and known.startswith(drive.root.path + b"/"):
            return known[len(drive.root.path) + 1 :]
        day = self._started_at.astimezone()
        base = self._wish.base_folder(day, self._roll_by_rule, self._naming.cameras)
        return b"" if known == drive.root.path else base

    # --- the passes ---

    def _copy(self) -> None:
        self._copy_once()
        while self._is_other_material():
            # What lies under the roll's name is another card's, alike in every name and size.
            self.release()
            self._part += 1
            self._place()
            self._copy_once()
        self._note_roll()

    def _copy_once(self) -> None:
        self._notes.step(offloads.State.COPYING)
        entries = self._entries
        self._columns: PassColumns = new_columns(
            self._wish.checksums, entries, self._card, self._places
        )
        earlier = None
        if self._notes.is_written and self._trusts_earlier:
            earlier = load_earlier(self._tools.ledger, self._notes.card, entries)
        self._items = items_to_copy(entries, self._places, self._columns.copied.digests, earlier)
        self._read_items = self._items
        self._read_and_write()
        self._note_code()

    def _is_other_material(self) -> bool:
        """Whether a record beside finished material says that it is not this card's."""
        for place in self._places:
            is_finished = place.standing in (Standing.DONE, Standing.ADDING)
            if not is_finished or place.name in self._failures:
                continue
            try:
                earlier = read_earlier(place.drive.root, join(place.final, HISTORY_FOLDER))
            except (OSError, RecordError) as error:
                text = str(error) if isinstance(error, RecordError) else reason(error)
                self._found(Finding("record-broken", text, b"", place.name))
                continue
            if self._contradicts(place, earlier):
                return True
        return False

    def _contradicts(self, place: Place, earlier: Earlier) -> bool:
        digests = self._columns.copied.digests
        for number in range(len(self._entries)):
            known = earlier.hashes.get(place.path_in_copy(self._entries.path(number)))
            if not known or not place.present[number]:
                continue
            for algorithm in known.keys() & set(digests.names):
                digest = digests.get(algorithm, number)
                if digest is not None and digest != known[algorithm]:
                    return True
        return False

    def _read_and_write(self) -> None:
        run_copying(
            self._card,
            self._places,
            self._items,
            self._columns,
            self._wish.policy,
            self._tools.progress,
            self._surroundings,
            self._tools.is_stopped,
            lambda number, size: self._notes.read(number, size, self._columns),
        )
        self._notes.flush(self._columns)
        for name, why in self._columns.copied.failures.items():
            if name not in self._failures:
                self._failures[name] = why
                self._tools.sink(DriveDropped(name, why))
                self._notes.fault(name, why)
        self._stop_if_asked()

    def _note_code(self) -> None:
        """The card has been read once: its code is known, if all of it could be read."""
        self._roots = content_roots(self._entries, self._columns.copied.digests)
        root = self._roots.get(COMPARE)
        if root is None:
            return
        self._code = card_code(root)
        self._tools.progress.code = self._code
        self._tools.sink(CardCoded(self._code))

    def _note_roll(self) -> None:
        if not self._code:
            return
        day = shooting_day(self._started_at.astimezone(), self._wish.day_starts)
        self._notes.coded(
            self._code,
            NewRoll(
                self._roll,
                self._notes.card,
                self._code,
                self._roots[COMPARE],
                self._wish.production,
                day.isoformat(),
                self._surroundings.now_ns(),
            ),
        )

    def _prove(self) -> None:
        self._notes.step(offloads.State.PROVING)
        self._prove_once(self._card_numbers())
        wrong = {
            place.name: {
                number
                for number in self._columns.differing.get(place.name, ())
                if place.present[number] and place.standing is not Standing.DONE
            }
            for place in self._places
        }
        self._items = rewrites(self._entries, self._places, wrong)
        if self._items:
            self._write_anew(wrong)

    def _is_reused_wrong(self) -> bool:
        """Whether a file that was not read in the copying pass is not what an earlier run read."""
        read = {item.number for item in self._read_items}
        return any(
            state == CardState.DIFFERS and number not in read
            for number, state in enumerate(self._columns.card_states)
        )

    def _write_anew(self, wrong: Mapping[str, set[int]]) -> None:
        """What an earlier run left behind was wrong: write it anew, then prove all of it again."""
        for place in self._places:
            for number in sorted(wrong[place.name]):
                path = place.path_of(number, self._entries.path(number))
                place.drive.root.remove_file(path)
                place.present[number] = 0
                text = "what an earlier run had left was wrong, and was written anew"
                self._notice(Finding("existing-was-wrong", text, path, place.name))
        self._read_and_write()
        self._prove_once(self._card_numbers())

    def _prove_once(self, card_numbers: list[int]) -> None:
        run_proving(
            self._card,
            self._places,
            self._entries,
            self._columns,
            self._tools.progress,
            self._surroundings,
            self._tools.is_stopped,
            card_numbers,
        )
        self._stop_if_asked()

    def _card_numbers(self) -> list[int]:
        """Entries of the card that the proving pass has to read: all, or those not read yet."""
        columns = self._columns
        is_twice = self._wish.policy.card_reads != 1
        return [
            number
            for number in range(len(self._entries))
            if self._entries.kind(number).is_copied
            and (
                columns.card_states[number] == CardState.NOT_READ
                or (is_twice and columns.card_states[number] == CardState.READ_EQUAL)
            )
        ]

    def _stop_if_asked(self) -> None:
        if not self._tools.is_stopped():
            return
        self._notes.step(offloads.State.STOPPED)
        raise StoppedError(
            "stopped. Nothing is proven yet; keep the card",
            path=self._card.path,
            meaning="What is on the drives so far is marked as incomplete.",
            remedy="The same command goes on from there.",
        )

    # --- the record, the last look, the word ---

    def _record(self) -> None:
        occasion = Occasion(
            self._started_at,
            self._surroundings.now().astimezone(),
            self._surroundings.host,
            self._tools.identity,
            self._comment(),
        )
        for place in self._places:
            if place.name in self._failures:
                continue
            try:
                self._record_on(place, occasion)
            except (OSError, RecordError) as error:
                why = reason(error) if isinstance(error, OSError) else str(error)
                self._found(Finding("record-not-written", why, b"", place.name))

    def _record_on(self, place: Place, occasion: Occasion) -> None:
        states = self._columns.drive_states[place.name]
        completeness = completeness_of(self._entries, self._columns.card_states, states)
        if completeness is Completeness.UNPROVEN:
            return
        if place.standing is Standing.ADDING:
            join_roll(place, self._entries)
        copied = Copied(place, self._entries, states, self._columns.copied.digests)
        self._recorded[place.name] = write_record(copied, self._tools.key, occasion)
        take_final_name(place, is_whole=completeness is Completeness.WHOLE)
        if place.drive.root.exists(place.records):
            write_run(place.drive.root, place.records, self._run_lease(place))

    def _comment(self) -> str:
        drives = ", ".join(place.name for place in self._places)
        return f"card {self._code or 'read in part'} copied to {drives}"

    def _last_look(self) -> LastLook:
        look = LastLook()
        for _ in range(_LOOKS):
            look = LastLook()
            entries = self._entries
            look_at_drives(self._places, entries, self._columns, self._surroundings, look)
            look_at_card(
                self._card.root,
                entries,
                self._columns,
                lambda: list_card(self._card, self._surroundings),
                look,
            )
            changed = self._changed_copies()
            if not changed:
                break
            # A difference is no verdict: all is proven anew, and then looked at again.
            self._prove_once([])
        return look

    def _changed_copies(self) -> bool:
        return any(
            CopyState.CHANGED in self._columns.drive_states[place.name] for place in self._places
        )

    def _facts(self, look: LastLook) -> Facts:
        is_present = is_still_mounted(self._card, self._surroundings)
        return gather_facts(
            FactSources(
                self._walk,
                self._columns,
                tuple(self._places),
                self._wish,
                self._failures,
                frozenset(self._away),
                frozenset(self._recorded),
                self._card,
                is_present=is_present,
                is_ledger_written=self._notes.is_written,
                notices=self._all_notices(),
                is_without_clip=self._layout is not None and self._layout.is_without_clip,
            ),
            look,
        )

    def _all_notices(self) -> tuple[Finding, ...]:
        told = [each for each in self._columns.findings if each.code in _NOTICED]
        return (*self._notices, *told)

    def _end(self, look: LastLook) -> Outcome:
        """Judge, publish where there is something to publish, write down, and only then return."""
        self._write_states()
        facts = self._facts(look)
        if self._wish.only_paths is not None:
            facts = replace(facts, is_as_listed=False)
        verdict = decide(facts, self._context)
        published = None
        if self._wish.only_paths is not None and verdict.is_cleared:
            raise RuntimeError("a part of a card is never a cleared card")
        if verdict.is_cleared:
            verdict, facts, published = self._publish(verdict, facts, look)
        outcome = Outcome(
            verdict,
            facts,
            self._context,
            self._card.path,
            self._card.volume.label,
            published,
            self._recorded,
            self._started_at,
            self._surroundings.now(),
        )
        self._notes.end(verdict, result_of(outcome))
        if verdict.is_cleared and not self._notes.is_written:
            raise self._notes.failure or RuntimeError("a ledger that is not written has a reason")
        return outcome

    def _publish(
        self, verdict: Verdict, facts: Facts, look: LastLook
    ) -> tuple[Verdict, Facts, Published | None]:
        counted = {copy.drive for copy in verdict.copies if copy.counts}
        places = [place for place in self._places if place.name in counted]
        content = self._statement(verdict, facts)
        try:
            published = publish(places, content, self._tools.key)
        except PublishingError as error:
            self._failures[error.drive] = reason(error.error)
            self._recorded.pop(error.drive, None)
            facts = self._facts(look)
            return decide(facts, self._context), facts, None
        self._notes.write(lambda: self._note_clearance(published, verdict))
        return verdict, facts, published

    def _write_states(self) -> None:
        self._notes.card_states(self._columns, self._entries)
        for place in self._places:
            self._notes.copy_states(place, self._columns, self._entries)
            self._notes.copy_result(place.name, self._copy_result(place))
        self._notes.found([*self._findings, *self._columns.findings])

    def _copy_result(self, place: Place) -> copies.CopyResult:
        states = self._columns.drive_states[place.name]
        failure = self._failures.get(place.name, "")
        stage = copies.Stage.DROPPED if failure else _STAGES[place.standing]
        written = self._tools.progress.copying.drives.get(place.name)
        return copies.CopyResult(
            stage,
            place.absolute,
            self._columns.read_back.get(place.name, ReadBack.NONE),
            sum(copies.is_proven(state) for state in states),
            written.done_bytes if written else 0,
            failure,
        )

    def _statement(self, verdict: Verdict, facts: Facts) -> bytes:
        now = self._surroundings.now()
        occasion = StatementOccasion(
            roll=self._roll,
            code=self._code,
            production=self._wish.production,
            card=card_name(self._card, self._surroundings),
            content=content_texts(self._roots),
            manifests=manifests_of(self._recorded),
            started=self._started_at,
            proven=now,
            written=now,
            version=__version__,
            key=key_line(self._tools.key, self._tools.identity),
            paths=folders_of(self._places),
        )
        return statement_bytes(facts, verdict, occasion)

    def _note_clearance(self, published: Published, verdict: Verdict) -> None:
        new = clearances.NewClearance(
            self._notes.offload,
            self._notes.card,
            self._notes.roll or None,
            self._walk.inventory.digest,
            published.c4,
            self._tools.key.public.fingerprint,
            self._card.mounting,
            verdict.headline,
            self._surroundings.now_ns(),
        )
        clearances.add(self._tools.ledger, new)

    def _notice(self, finding: Finding) -> None:
        self._notices.append(finding)
        self._tools.sink(Found(finding))

    def _found(self, finding: Finding) -> None:
        self._findings.append(finding)
        self._tools.sink(Found(finding))

    def _drop(self, name: str, error: OffloadError) -> None:
        self._failures[name] = str(error)
        if isinstance(error, DriveAwayError):
            self._away.add(name)
        self._tools.sink(DriveDropped(name, str(error)))
