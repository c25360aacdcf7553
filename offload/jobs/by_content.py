"""May a card be erased, against copies that were made by hand: every file looked for by content.

Names say nothing here: a file counts where its bytes are, renamed or not. A quick look by sizes can
say no in seconds; only a yes needs reading, card and copies past the cache, all at once. A copy
counts only as a file of its own: hard links, bind mounts and shared extents are one file, and for n
equal files on the card there must be n on a drive (empty ones aside).
"""

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace

from offload.card.inventory import Walk
from offload.card.layout import recognise
from offload.checksum import COMPARE
from offload.clearance.context import Context
from offload.clearance.decisions import content_checksum
from offload.clearance.rules import decide
from offload.errors import OffloadError
from offload.events import CardListed, DriveDropped, StepFinished, StepStarted
from offload.jobs.last_look import compare_lists
from offload.jobs.look_by_content import Doubts, look_at_copies
from offload.jobs.look_notices import Occasion
from offload.jobs.look_structure import LookStoppedError
from offload.jobs.matching import Matching
from offload.jobs.opening import (
    DriveAwayError,
    HeldCard,
    is_drive_there,
    is_still_mounted,
    list_card,
    open_card,
    open_drive,
)
from offload.jobs.outcome import Outcome
from offload.jobs.searching import Place, may_be_enough, place_of
from offload.jobs.tools import StoppedError, Tools
from offload.jobs.wishes import DriveWish
from offload.ledger import decisions
from offload.record.mhl.roots import FileLeaf, FolderLeaf, Leaf, root_of
from offload.transfer.counters import Lane
from offload.transfer.proving import prove_all
from offload.transfer.readings import CARD, Reading, ReadingResult
from offload.transfer.readings import Outcome as Read
from offload.transfer.results import ZeroRuns
from offload.values.entries import Kind
from offload.values.facts import CardState, CopyState, Decision, DriveFacts, Facts, Policy, ReadBack
from offload.values.findings import Finding
from offload.values.inventory import card_code
from offload.values.paths import to_text

_NOBODY_LOOKED = Finding(
    "not-looked-into", "the clips were compared and nobody looked into them for this answer"
)
_MOST_NOTED = 200


class _Nothing:
    """No digest is expected: files are read first and compared afterwards."""

    def get(self, _name: str, _number: int, /) -> bytes | None:
        return None


def check_by_content(
    path: bytes,
    folders: Sequence[DriveWish],
    policy: Policy,
    tools: Tools,
    *,
    always_read: bool = False,
    occasion: Occasion | None = None,
    looks_if_held: bool = True,
) -> Outcome:
    """Look for every file of a card in some folders.

    Args:
        path: where the card is mounted.
        folders: where copies may lie, anywhere below.
        policy: copies needed, and what was declared.
        tools: the machine; the ledger says what persons decided, the key is not used.
        always_read: read everything even where sizes alone already say no.
        occasion: look into the clips too, on the copies that are proven; None for not.
        looks_if_held: look also where the bytes alone keep the card.

    Raises:
        CardError: the card is not there or cannot be listed.
        StoppedError: the user wanted to stop.
    """
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        search = _Search(card, policy, tools)
        stack.callback(search.close)
        search.whole(folders, always_read=always_read)
        if occasion is not None and search.is_read:
            search.look(occasion, even_if_held=looks_if_held)
        return search.judge()


class _Search:
    """One search under way."""

    def __init__(self, card: HeldCard, policy: Policy, tools: Tools) -> None:
        self._card = card
        # One reading, compared with copies that came from another one.
        self._policy = replace(policy, card_reads=1)
        self._tools = tools
        self._started = tools.surroundings.now()
        self._places: list[Place] = []
        self._refused: list[DriveFacts] = []
        self._digests: dict[int, bytes] = {}
        self._zero_runs = ZeroRuns()
        self._matching = Matching()
        self._results: dict[str, ReadingResult] = {}
        self._notices: list[Finding] = []
        self._found: list[DriveFacts] = []
        self._doubts = Doubts(notices=(_NOBODY_LOOKED,))

    @property
    def is_read(self) -> bool:
        """Whether card and copies were read, and not only compared by size."""
        return bool(self._results)

    def close(self) -> None:
        """Let go of every folder."""
        for place in self._places:
            place.drive.root.close()

    def whole(self, folders: Sequence[DriveWish], *, always_read: bool) -> None:
        """List, look by size, and read where that is not no."""
        self._walk = list_card(self._card, self._tools.surroundings)
        inventory = self._walk.inventory
        self._tools.sink(CardListed(inventory.file_count, inventory.total_bytes, inventory.digest))
        self._entries = inventory.entries
        self._open(folders)
        self._look_by_size()
        if always_read or self._may_be_yes():
            self._read()

    def look(self, occasion: Occasion, *, even_if_held: bool) -> None:
        """Look into the clips, on the copies found."""
        self._match_all()
        context = Context("", "", self._card.path)
        facts = self._facts(self._drives(), [], is_present=True)
        if not even_if_held and not decide(facts, context).is_cleared:
            return
        started = self._tools.surroundings.now()
        self._tools.sink(StepStarted("clips"))
        try:
            self._doubts = look_at_copies(
                self._entries,
                self._matching.copies,
                self._zero_runs,
                occasion,
                self._tools.is_stopped,
                self._tools.layouts,
            )
        except LookStoppedError as error:
            raise StoppedError(
                "stopped. Nothing is proven; keep the card",
                path=self._card.path,
                remedy="The same command begins anew.",
            ) from error
        elapsed = (self._tools.surroundings.now() - started).total_seconds()
        self._tools.sink(StepFinished("clips", elapsed))

    # --- where to look ---

    def _open(self, folders: Sequence[DriveWish]) -> None:
        for wish in folders:
            try:
                drive = open_drive(wish, self._tools.surroundings)
            except OffloadError as error:
                self._tools.sink(DriveDropped(wish.name, str(error)))
                is_away = isinstance(error, DriveAwayError)
                self._refused.append(self._absent(wish, "" if is_away else str(error)))
                continue
            if drive.root.device == self._card.root.device and not self._card.is_folder:
                # The card itself: what lies there goes with it.
                drive.root.close()
                continue
            self._places.append(place_of(drive, self._tools.ledger, self._tools.layouts))

    def _absent(self, wish: DriveWish, why: str) -> DriveFacts:
        return DriveFacts(
            wish.name,
            wish.path,
            frozenset(),
            bytes(len(self._entries)),
            is_known=False,
            is_present=False,
            failure=why,
            is_hand_made=True,
        )

    def _look_by_size(self) -> None:
        started = self._tools.surroundings.now()
        self._tools.sink(StepStarted("looking"))
        sizes = {entry.size_bytes for entry in self._entries if entry.kind is Kind.FILE}
        sizes.discard(0)
        number = len(self._entries)
        for place in self._places:
            place.first = number
            place.find(sizes, self._card)
            self._notices += place.notices
            number += len(place.paths)
        elapsed = (self._tools.surroundings.now() - started).total_seconds()
        self._tools.sink(StepFinished("looking", elapsed))

    def _may_be_yes(self) -> bool:
        """Whether sizes alone leave it open that every file has its copies."""
        sizes = (entry.size_bytes for entry in self._entries if entry.kind is Kind.FILE)
        return may_be_enough(sizes, self._places, self._policy)

    # --- reading ---

    def _read(self) -> None:
        started = self._tools.surroundings.now()
        self._tools.sink(StepStarted("proving"))
        self._tools.progress.step = "proving"
        readings = [self._card_reading(), *(self._reading(place) for place in self._places)]
        counters = self._tools.progress.proving
        counters.card.total_bytes = self._walk.inventory.total_bytes
        for place in self._places:
            counters.drives[place.drive.name] = Lane(place.drive.name, sum(place.sizes))
        last = self._places[-1] if self._places else None
        count = last.first + len(last.paths) if last else len(self._entries)
        self._results = prove_all(
            readings,
            _Nothing(),
            self._size_of,
            counters,
            count,
            read_counter=self._tools.surroundings.read_counter,
            is_stopped=self._tools.is_stopped,
        )
        if self._tools.is_stopped():
            raise StoppedError(
                "stopped. Nothing is proven; keep the card",
                path=self._card.path,
                remedy="The same command begins anew.",
            )
        self._digests = dict(self._results[CARD].found)
        for place in self._places:
            self._notices += _unread(self._results[place.drive.name].findings)
        elapsed = (self._tools.surroundings.now() - started).total_seconds()
        self._tools.sink(StepFinished("proving", elapsed))

    def _card_reading(self) -> Reading:
        numbers = [at for at in range(len(self._entries)) if self._entries.kind(at) is Kind.FILE]
        return Reading(
            CARD,
            self._card.root,
            self._card.medium,
            self._entries.path,
            numbers,
            _never,
            is_card=True,
            may_share=True,
            zero_runs=self._zero_runs,
        )

    def _reading(self, place: Place) -> Reading:
        def path_of(number: int) -> bytes:
            return place.paths[number - place.first]

        numbers = range(place.first, place.first + len(place.paths))
        return Reading(
            place.drive.name,
            place.drive.root,
            place.drive.medium,
            path_of,
            numbers,
            _never,
            may_share=True,
        )

    def _size_of(self, number: int) -> int:
        if number < len(self._entries):
            return self._entries.size_bytes(number)
        for place in reversed(self._places):
            if number >= place.first:
                return place.sizes[number - place.first]
        raise RuntimeError(f"no file {number}")

    # --- the answer ---

    def _match_all(self) -> None:
        """Which files are copies, as everything stands now."""
        self._matching = Matching(self._entries, self._digests)
        self._found = [self._drive_facts(place) for place in self._places]

    def _drives(self) -> tuple[DriveFacts, ...]:
        # Another card in another reader that has nothing of this one is no drive that fails.
        of_use = [each for each in self._found if not each.is_card or self._has_any(each)]
        return (*of_use, *self._refused)

    def judge(self) -> Outcome:
        """The answer, after a last look at the card's listing."""
        # Looking into the clips took its time: what has changed or gone since counts no more.
        self._match_all()
        drives = self._drives()
        surroundings = self._tools.surroundings
        changes: list[Finding] = []
        is_present = is_still_mounted(self._card, surroundings)
        if is_present:
            again = list_card(self._card, surroundings).inventory.entries
            compare_lists(self._entries, again, changes)
        facts = self._facts(drives, changes, is_present=is_present)
        context = Context("", self._code(), self._card.path, is_kept=False)
        return Outcome(
            decide(facts, context),
            facts,
            context,
            self._card.path,
            self._card.volume.label,
            None,
            {},
            self._started,
            surroundings.now(),
        )

    def _facts(
        self, drives: tuple[DriveFacts, ...], changes: list[Finding], *, is_present: bool
    ) -> Facts:
        walk, layout = self._walk, recognise(self._entries, self._tools.layouts)
        return Facts(
            inventory=walk.inventory,
            card_states=self._card_states(),
            drives=drives,
            policy=self._policy,
            is_same_mounting=is_present,
            is_as_listed=is_present and not changes,
            is_layout_without_clip=layout is not None and layout.is_without_clip,
            left_out_footage=walk.has_footage_left_out,
            left_out_clips=walk.left_out_clips,
            left_out_bytes=sum(entry.size_bytes for entry in walk.inventory.left_out),
            checksums=self._checksums(),
            clip_findings=self._doubts.holds,
            notices=(*(*self._notices, *self._matching.alike)[:_MOST_NOTED], *self._doubts.notices),
            decisions=self._decisions(),
            uncrossed_mounts=_findings(walk, Kind.MOUNT, "inner-mount"),
            listing_errors=_findings(walk, Kind.UNREADABLE, "not-listed"),
            is_card_present=is_present,
            is_folder_card=self._card.is_folder_on_drive,
            card_changes=tuple(changes),
        )

    def _card_states(self) -> bytes:
        states = bytearray(len(self._entries))
        result = self._results.get(CARD)
        is_shown = result is not None and result.read_back is ReadBack.DEVICE
        for number, entry in enumerate(self._entries):
            if entry.kind is Kind.LINK:
                states[number] = CardState.FROM_LINK
            elif entry.kind is Kind.FOLDER:
                states[number] = CardState.READ_EQUAL
            elif entry.kind is not Kind.FILE:
                states[number] = CardState.NOT_COPIED
            elif result is not None:
                states[number] = self._file_state(number, result, is_shown)
        return bytes(states)

    def _file_state(self, number: int, result: ReadingResult, is_shown: bool) -> CardState:
        outcome = result.outcomes[number]
        if outcome in (Read.EQUAL, Read.EQUAL_CACHED):
            is_read = outcome == Read.EQUAL and is_shown
            state = CardState.READ_EQUAL if is_read else CardState.CACHED
        else:
            return CardState.CHANGED if outcome == Read.CHANGED else CardState.UNREADABLE
        try:
            facts = self._card.root.facts(self._entries.path(number))
        except OSError:
            return CardState.UNREADABLE
        is_still = result.marks.holds(number, facts, self._entries.size_bytes(number))
        return state if is_still else CardState.CHANGED

    def _drive_facts(self, place: Place) -> DriveFacts:
        drive = place.drive
        result = self._results.get(drive.name)
        states = self._matching.states_of(place, result)
        return DriveFacts(
            drive.name,
            drive.root.path,
            drive.physical.devices,
            bytes(states),
            is_known=drive.physical.is_known,
            is_ram=drive.physical.is_ram,
            is_card=place.is_card,
            is_on_card=bool(drive.physical.devices & self._card.physical.devices),
            is_present=is_drive_there(drive, self._tools.surroundings),
            accepts_server=drive.wish.accepts_server,
            read_back=result.read_back if result is not None else ReadBack.NONE,
            is_hand_made=True,
        )

    def _has_any(self, drive: DriveFacts) -> bool:
        return any(
            drive.states[number] != CopyState.ABSENT
            for number, entry in enumerate(self._entries)
            if entry.kind is Kind.FILE and entry.size_bytes
        )

    def _checksums(self) -> bytes:
        if not self._digests:
            return b""
        return b"".join(self._digests.get(at, bytes(16)) for at in range(len(self._entries)))

    def _decisions(self) -> tuple[Decision, ...]:
        """What persons decided of these very contents, whatever card they lay on."""
        if not self._doubts.holds:
            return ()
        inventory, checksums = self._walk.inventory, self._checksums()
        about = {each.path for each in self._doubts.holds}
        contents = {path: content_checksum(inventory, checksums, path) for path in about}
        return tuple(
            each
            for each in decisions.settled_of_any(self._tools.ledger)
            if each.checksum and contents.get(each.path) == each.checksum
        )

    def _code(self) -> str:
        leaves: list[Leaf] = []
        for number, entry in enumerate(self._entries):
            if entry.kind is Kind.FOLDER:
                leaves.append(FolderLeaf(entry.path))
            elif entry.kind is Kind.FILE:
                digest = self._digests.get(number)
                leaves.append(FileLeaf(entry.path, {COMPARE: digest} if digest else {}))
        root = root_of(leaves, (COMPARE,)).content.get(COMPARE)
        return card_code(root) if root is not None else ""


def _unread(findings: Sequence[Finding]) -> list[Finding]:
    """What lay there and could not be read: it may be a copy, and does not count as one."""
    return [
        Finding("not-read-back", f"{to_text(each.path)}: {each.text}", b"", each.drive)
        for each in findings
    ]


def _never(_number: int) -> bool:
    return False


def _findings(walk: Walk, kind: Kind, code: str) -> tuple[Finding, ...]:
    entries = walk.inventory.entries
    found = (entries[number] for number in entries.of_kind(kind))
    return tuple(Finding(code, entry.note, entry.path) for entry in found)
