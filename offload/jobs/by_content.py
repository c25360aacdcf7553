"""May a card be erased, against copies that were made by hand: every file looked for by content.

Names say nothing here: a file counts where its bytes are, renamed or not. A quick look by sizes can
say no in seconds; only a yes needs reading, card and copies past the cache, all at once. A copy
counts only as a file of its own: hard links, bind mounts and shared extents are one file, and for n
equal files on the card there must be n on a drive (empty ones aside).
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace

from offload.card.inventory import Walk
from offload.card.layout import recognise
from offload.checksum import COMPARE
from offload.clearance.context import Context
from offload.clearance.rules import decide
from offload.errors import OffloadError
from offload.events import CardListed, DriveDropped, StepFinished, StepStarted
from offload.jobs.last_look import compare_lists
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
from offload.jobs.own_files import OwnFiles
from offload.jobs.searching import Place, may_be_enough, place_of
from offload.jobs.tools import StoppedError, Tools
from offload.jobs.wishes import DriveWish
from offload.record.mhl.roots import FileLeaf, FolderLeaf, Leaf, root_of
from offload.transfer.counters import Lane
from offload.transfer.proving import prove_all
from offload.transfer.readings import CARD, Reading, ReadingResult
from offload.transfer.readings import Outcome as Read
from offload.values.entries import Kind
from offload.values.facts import CardState, CopyState, DriveFacts, Facts, Policy, ReadBack
from offload.values.findings import Finding
from offload.values.inventory import card_code
from offload.values.paths import name, to_text

_NOBODY_LOOKED = Finding(
    "not-looked-into", "the clips were compared and nobody looked into them for this answer"
)
_MOST_NOTED = 200
_STATES = {ReadBack.DEVICE: CopyState.PROVEN_DEVICE, ReadBack.SERVER: CopyState.PROVEN_SERVER}
_BEST_LAST = (
    CopyState.UNREADABLE,
    CopyState.SHARED,
    CopyState.FLEETING,
    CopyState.CHANGED,
    CopyState.CACHED,
    CopyState.PROVEN_SERVER,
    CopyState.PROVEN_DEVICE,
)


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
) -> Outcome:
    """Look for every file of a card in some folders.

    Args:
        path: where the card is mounted.
        folders: where copies may lie, anywhere below.
        policy: copies needed, and what was declared.
        tools: the machine; ledger and key are not used.
        always_read: read everything even where sizes alone already say no.

    Raises:
        CardError: the card is not there or cannot be listed.
        StoppedError: the user wanted to stop.
    """
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings)
        stack.callback(card.root.close)
        search = _Search(card, policy, tools)
        stack.callback(search.close)
        return search.whole(folders, always_read=always_read)


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
        self._wanted: set[bytes] = set()
        self._own = OwnFiles()
        self._results: dict[str, ReadingResult] = {}
        self._notices: list[Finding] = []

    def close(self) -> None:
        """Let go of every folder."""
        for place in self._places:
            place.drive.root.close()

    def whole(self, folders: Sequence[DriveWish], *, always_read: bool) -> Outcome:
        """List, look by size, read where that is not no, and judge."""
        self._walk = list_card(self._card, self._tools.surroundings)
        inventory = self._walk.inventory
        self._tools.sink(CardListed(inventory.file_count, inventory.total_bytes, inventory.digest))
        self._entries = inventory.entries
        self._open(folders)
        self._look_by_size()
        if always_read or self._may_be_yes():
            self._read()
        return self._judge()

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
            self._places.append(place_of(drive, self._tools.ledger))

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
        self._wanted = set(self._digests.values())
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

    def _judge(self) -> Outcome:
        found = [self._drive_facts(place) for place in self._places]
        # Another card in another reader that has nothing of this one is no drive that fails.
        of_use = [each for each in found if not each.is_card or self._has_any(each)]
        drives = (*of_use, *self._refused)
        surroundings = self._tools.surroundings
        changes: list[Finding] = []
        is_present = is_still_mounted(self._card, surroundings)
        if is_present:
            again = list_card(self._card, surroundings).inventory.entries
            compare_lists(self._entries, again, changes)
        facts = self._facts(drives, changes, is_present)
        context = Context("", self._code(), self._card.path)
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
        self, drives: tuple[DriveFacts, ...], changes: list[Finding], is_present: bool
    ) -> Facts:
        walk, layout = self._walk, recognise(self._entries)
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
            notices=(*self._notices[:_MOST_NOTED], _NOBODY_LOOKED),
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
        states = bytearray(len(self._entries))
        if result is not None:
            self._match(place, result, states)
        else:
            self._match_sizes(place, states)
        self._settle_empty(states)
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

    def _match_sizes(self, place: Place, states: bytearray) -> None:
        """Nothing was read: a file of the size may be it, and where there is none it is not."""
        left = Counter(place.sizes)
        for number, entry in enumerate(self._entries):
            if entry.kind is Kind.FILE and left[entry.size_bytes]:
                left[entry.size_bytes] -= 1
                states[number] = CopyState.WRITTEN

    def _settle_empty(self, states: bytearray) -> None:
        """A file or folder with nothing in it loses nothing when it is erased."""
        for number, entry in enumerate(self._entries):
            is_empty_file = entry.kind is Kind.FILE and not entry.size_bytes
            if is_empty_file or entry.kind is Kind.FOLDER:
                states[number] = CopyState.PROVEN_DEVICE

    def _match(self, place: Place, result: ReadingResult, states: bytearray) -> None:
        """Give each file of the card a file of its own in this place."""
        copies = self._by_content(place, result)
        names: dict[bytes, list[bytes]] = defaultdict(list)
        for path in place.paths:
            names[name(path)].append(path)
        for number, entry in enumerate(self._entries):
            if entry.kind is not Kind.FILE or not entry.size_bytes:
                continue
            found = copies.get(self._digests.get(number, b""))
            if found:
                states[number] = found.pop()
            elif name(entry.path) in names and number in self._digests:
                text = f"a file of this name on {to_text(place.drive.root.path)} is another one"
                self._notices.append(
                    Finding("same-name-differs", text, entry.path, place.drive.name)
                )

    def _by_content(self, place: Place, result: ReadingResult) -> dict[bytes, list[CopyState]]:
        """States of the files with each content; the best last."""
        copies: dict[bytes, list[CopyState]] = defaultdict(list)
        for at, path in enumerate(place.paths):
            number = place.first + at
            digest = result.found.get(number)
            if digest is not None and digest in self._wanted:
                copies[digest].append(self._copy_state(place, result, number, path, digest))
        for states in copies.values():
            states.sort(key=_worth)
        return copies

    def _copy_state(
        self, place: Place, result: ReadingResult, number: int, path: bytes, digest: bytes
    ) -> CopyState:
        if place.fleeting_part(path):
            return CopyState.FLEETING
        if result.outcomes[number] != Read.EQUAL:
            return CopyState.CACHED
        try:
            facts = place.drive.root.facts(path)
            if not result.marks.holds(number, facts, place.sizes[number - place.first]):
                return CopyState.CHANGED
            is_own = self._own.take(place.drive, path, digest)
        except OSError:
            return CopyState.UNREADABLE
        return _STATES.get(result.read_back, CopyState.CACHED) if is_own else CopyState.SHARED

    def _checksums(self) -> bytes:
        if not self._digests:
            return b""
        return b"".join(self._digests.get(at, bytes(16)) for at in range(len(self._entries)))

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


def _worth(state: CopyState) -> int:
    return _BEST_LAST.index(state)


def _never(_number: int) -> bool:
    return False


def _findings(walk: Walk, kind: Kind, code: str) -> tuple[Finding, ...]:
    return tuple(
        Finding(code, entry.note, entry.path)
        for entry in walk.inventory.entries
        if entry.kind is kind
    )
