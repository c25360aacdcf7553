"""May a card be erased now, by what the ledger knows and the drives show, without reading it all.

A listing can only say no. The words come back only in the mounting of the card in which its every
byte was last read, with a clearance in force; copies need no new reading while their drive's
mounting and their files' facts are unchanged (design, decision 7).
"""

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from datetime import datetime

from offload.card.inventory import Walk
from offload.clearance.context import Context
from offload.clearance.holds import is_settleable
from offload.clearance.rules import decide
from offload.errors import OffloadError
from offload.jobs.last_look import compare_lists
from offload.jobs.noting import hints_of, known_number
from offload.jobs.opening import HeldCard, HeldDrive, list_card, open_card, open_drive
from offload.jobs.outcome import Outcome
from offload.jobs.placing import INCOMPLETE, NAMES_NAME, PARTIAL, RECORDS
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish
from offload.ledger import (
    card_rolls,
    cards,
    clearances,
    copies,
    drives,
    files,
    findings,
    inventories,
    offloads,
    rolls,
)
from offload.ledger.copies import Copy
from offload.ledger.offloads import Offload
from offload.ledger.rolls import Roll
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.storage.root import Root
from offload.transfer.preflight.name_map import LARGEST_BYTES, NameMap
from offload.values.entries import Entries, Kind
from offload.values.facts import (
    CardState,
    CopyState,
    Decision,
    DriveFacts,
    Facts,
    Policy,
)
from offload.values.findings import Finding
from offload.values.paths import join, name, parent
from offload.volumes.volume import Volume


@dataclass(frozen=True, slots=True)
class Known:
    """What the ledger knows of a card that is mounted.

    Attributes:
        last: the newest offload of it that came to a verdict.
        copies: that offload's.
        roll: name of the roll; empty where it has none.
        code: card code.
    """

    last: Offload
    copies: tuple[Copy, ...]
    roll: str
    code: str


def find_known(
    card: HeldCard, digest: str, tools: Tools, *, unfinished: bool = False, number: int = 0
) -> Known | None:
    """The last offload of a card by its hints, one with this very listing first.

    Args:
        unfinished: one that came to no verdict will do.
        number: the card's in the ledger, where it has been recognised; 0 goes by hints.
    """
    ledger = tools.ledger
    found: list[Offload] = []
    alike = cards.find_by_hints(ledger, hints_of(card))
    for its_number in [number] if number else [known.card for known in alike]:
        found += [
            each
            for each in offloads.of_card(ledger, its_number)
            if (unfinished or each.answer is not None) and each.work is not offloads.Work.PART
        ]
    found.sort(key=lambda each: (each.digest == digest, each.offload), reverse=True)
    for last in found:
        its = copies.of_offload(ledger, last.offload)
        if its:
            roll = rolls.get(ledger, last.roll) if last.roll is not None else None
            return Known(last, its, roll.name if roll else "", _code_of(last, roll, tools))
    return None


def _code_of(last: Offload, roll: Roll | None, tools: Tools) -> str:
    """A roll keeps the code that it was given; a card of several rolls has one of its own."""
    if card_rolls.of_offload(tools.ledger, last.offload):
        return cards.get(tools.ledger, last.card).code
    return roll.code if roll else ""


def known_drives(
    path: bytes, tools: Tools, *, unfinished: bool = False
) -> tuple[tuple[DriveWish, ...], str] | None:
    """The drives that hold a mounted card's copies, and its roll; nothing for an unknown card."""
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        digest = list_card(card, tools.surroundings).inventory.digest
        known = find_known(card, digest, tools, unfinished=unfinished)
        return None if known is None else (drive_wishes_of(known.copies, tools), known.roll)


def brought_drives(path: bytes, tools: Tools) -> tuple[DriveWish, ...]:
    """Drives that were brought some of a card's files since its last offload, and that one's.

    What such a card has where no one offload tells; it has to be looked for by content. None
    where nothing was brought since.
    """
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        if not any(_parts_of(number, tools) for number in _candidates(card, tools)):
            # Most cards: the ledger says so, and the card need not be listed once more.
            return ()
        inventory = list_card(card, tools.surroundings).inventory
        # By its content: what was on it before it was formatted was brought elsewhere than this.
        mounted = tools.surroundings.mounted_keys()
        number = known_number(tools.ledger, card, inventory, mounted)
        known = find_known(card, inventory.digest, tools, number=number) if number else None
        if known is None:
            return ()
        parts = _parts_of(known.last.card, tools)
        newer = [each for each in parts if each.offload > known.last.offload]
        found = [copy for each in newer for copy in copies.of_offload(tools.ledger, each.offload)]
        if not found:
            return ()
        by_drive = {copy.drive: copy for copy in (*found, *known.copies)}
        return drive_wishes_of(tuple(by_drive.values()), tools)


def _candidates(card: HeldCard, tools: Tools) -> set[int]:
    """Every card of the ledger that this one may prove to be, before it is listed."""
    found = {known.card for known in cards.find_by_hints(tools.ledger, hints_of(card))}
    here = cards.mounting(tools.ledger, card.mounting)
    return found | {here.card} if here is not None else found


def _parts_of(number: int, tools: Tools) -> list[Offload]:
    """The offloads that brought some of a card's files."""
    known = offloads.of_card(tools.ledger, number)
    return [each for each in known if each.work is offloads.Work.PART]


def drive_wishes_of(found: Sequence[Copy], tools: Tools) -> tuple[DriveWish, ...]:
    """The drives that hold these copies, where they are now."""
    volumes = tools.surroundings.volumes()
    wishes = []
    for copy in found:
        hints = drives.get(tools.ledger, copy.drive).hints
        path = hints.path
        if hints.volume_id:
            # Mounted somewhere else today; the folder given lies as deep on it as before.
            for volume in volumes:
                if volume.volume_id == hints.volume_id and not path.startswith(volume.mount_point):
                    path = volume.mount_point
        wishes.append(DriveWish(copy.drive_name, path, hints.volume_id, hints.marker))
    return tuple(wishes)


def check_listed(path: bytes, policy: Policy, tools: Tools) -> Outcome | None:
    """The answer for a known card, from a listing.

    Returns:
        The outcome; nothing when the ledger does not know the card.
    """
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        walk = list_card(card, tools.surroundings)
        mounted = tools.surroundings.mounted_keys()
        # By its content: what is known of a twin, or of what was on it before it was formatted,
        # says nothing about this card.
        number = known_number(tools.ledger, card, walk.inventory, mounted)
        return answer_listed(card, walk, policy, tools, number=number) if number else None


def answer_listed(
    card: HeldCard, walk: Walk, policy: Policy, tools: Tools, *, number: int = 0
) -> Outcome | None:
    """The answer for a card that is open and has just been listed; as :func:`check_listed`.

    Args:
        number: the card's in the ledger, where it has been recognised.
    """
    started = tools.surroundings.now()
    known = find_known(card, walk.inventory.digest, tools, number=number)
    if known is None:
        return None
    facts = _facts(card, walk, known, policy, tools)
    context = _context(card, known, walk, tools)
    verdict = decide(facts, context)
    if verdict.is_cleared and not _is_in_force(card, walk, known, tools):
        # All is well and the word was never given, or is void: it takes a reading to give it.
        facts = replace(facts, card_states=_never_read(facts.inventory.entries))
        verdict = decide(facts, context)
    if not verdict.is_cleared:
        _void(known, walk, tools)
    return Outcome(
        verdict,
        facts,
        context,
        card.path,
        card.volume.label,
        None,
        {},
        started,
        tools.surroundings.now(),
    )


def _context(card: HeldCard, known: Known, walk: Walk, tools: Tools) -> Context:
    given = _clearance_of(known, walk, tools)
    safe_at = ""
    if given is not None and given.voided_ns is None:
        moment = datetime.fromtimestamp(given.given.at_ns / 1e9).astimezone()
        safe_at = f"{moment:%H:%M on %a %d %b}"
    took_s = ((known.last.ended_ns or known.last.changed_ns) - known.last.started_ns) / 1e9
    takes = f"about {max(1, round(took_s / 60))} min"
    return Context(known.roll, known.code, card.path, safe_at, takes)


def _facts(card: HeldCard, walk: Walk, known: Known, policy: Policy, tools: Tools) -> Facts:
    before = inventories.load(tools.ledger, known.last.inventory)
    changes: list[Finding] = []
    compare_lists(before.entries, walk.inventory.entries, changes)
    is_same = _is_mounted_as(card.volume, card.mounting, known.last.mounting)
    is_as_listed = not changes and before.digest == walk.inventory.digest
    entries = before.entries
    states = bytes(len(entries))
    checksums = b""
    if is_as_listed:
        columns = files.load(tools.ledger, known.last.offload, len(entries))
        checksums = columns.digests.get("xxh128", b"")
        if is_same and not _is_void(walk, known, tools):
            states = _since_read(card, walk, known, columns.states)
        else:
            states = _never_read(entries)
    wishes = drive_wishes_of(known.copies, tools)
    kept = [_kept(copy, len(entries), tools) for copy in known.copies]
    # Side by side: discs that sleep take seconds to turn, and a copy's files are asked one by one.
    with ThreadPoolExecutor(max(1, len(kept)), "look-at-copies") as pool:
        drive_facts = tuple(
            pool.map(
                lambda each, wish: _drive_facts(each, wish, entries, tools, card), kept, wishes
            )
        )
    left_out = walk.inventory.left_out
    return Facts(
        inventory=before,
        card_states=states,
        drives=drive_facts,
        # One reading never passes for two, whatever is asked for now.
        policy=replace(policy, card_reads=min(policy.card_reads, known.last.policy.card_reads)),
        is_same_mounting=is_same,
        is_as_listed=is_as_listed,
        left_out_footage=walk.has_footage_left_out,
        left_out_clips=walk.left_out_clips,
        left_out_bytes=sum(entry.size_bytes for entry in left_out),
        checksums=checksums if len(checksums) == 16 * len(entries) else b"",
        uncrossed_mounts=_findings(walk, Kind.MOUNT, "inner-mount"),
        listing_errors=_findings(walk, Kind.UNREADABLE, "not-listed"),
        is_folder_card=card.is_folder_on_drive,
        card_changes=tuple(changes),
        decisions=_decisions(known, tools),
        clip_findings=_clip_findings(known, tools),
    )


def _is_mounted_as(volume: Volume, now: str, before: str) -> bool:
    """Whether this is still that mounting; where ids are given again, nothing shows it."""
    return volume.is_mount_id_unique and now == before


def _is_in_force(card: HeldCard, walk: Walk, known: Known, tools: Tools) -> bool:
    """Whether the last run gave a clearance for this listing in this mounting, not void since."""
    given = _clearance_of(known, walk, tools)
    return (
        given is not None
        and given.voided_ns is None
        and given.given.offload == known.last.offload
        and given.given.mounting == card.mounting
    )


def _clearance_of(known: Known, walk: Walk, tools: Tools) -> clearances.Clearance | None:
    """The card's last clearance, where it is for this listing; a twin's says nothing of it."""
    given = clearances.last_of_card(tools.ledger, known.last.card)
    is_for_this = given is not None and given.given.digest == walk.inventory.digest
    return given if is_for_this else None


def _is_void(walk: Walk, known: Known, tools: Tools) -> bool:
    """Whether the clearance that the last run gave has been taken back."""
    given = _clearance_of(known, walk, tools)
    is_its = given is not None and given.given.offload == known.last.offload
    return is_its and given is not None and given.voided_ns is not None


def _last_reading(known: Known) -> int:
    return known.last.ended_ns or known.last.changed_ns


def _never_read(entries: Entries) -> bytes:
    return bytes(
        CardState.FROM_LINK if entry.kind is Kind.LINK else CardState.NOT_READ for entry in entries
    )


def _since_read(card: HeldCard, walk: Walk, known: Known, states: bytes) -> bytes:
    """States of the last reading, but for files that may have been touched since.

    Times that are what they were at the last look show that none was. Where they are not, the
    clock tells which; where it was set back meanwhile and tells none, it may be any.
    """
    last = known.last
    if last.card_moment and last.card_moment == walk.moment:
        return states
    found = states
    if walk.newest_change_ns > _last_reading(known):
        entries = walk.inventory.entries
        found = _still_as_read(card.root, entries, states, _last_reading(known))
    if last.card_moment and found == states:
        return states.replace(bytes([CardState.READ_EQUAL]), bytes([CardState.CHANGED]))
    return found


def _still_as_read(root: Root, entries: Entries, states: bytes, read_ns: int) -> bytes:
    """States of the last reading, but for files whose change time, or their folder's, is later.

    A folder that was renamed into the place of another leaves the times of its files alone.
    """
    kept = bytearray(states)
    times: dict[bytes, int] = {}

    def changed_ns(folder: bytes) -> int:
        if folder not in times:
            above = changed_ns(parent(folder)) if folder else 0
            times[folder] = max(above, root.facts(folder).st_ctime_ns)
        return times[folder]

    for number in range(len(entries)):
        if entries.kind(number) is not Kind.FILE or kept[number] != CardState.READ_EQUAL:
            continue
        try:
            path = entries.path(number)
            if max(root.facts(path).st_ctime_ns, changed_ns(parent(path))) > read_ns:
                kept[number] = CardState.CHANGED
        except OSError:
            kept[number] = CardState.UNREADABLE
    return bytes(kept)


@dataclass(frozen=True, slots=True)
class _Kept:
    """What the ledger has of one copy; asked for in the thread that the ledger belongs to.

    Attributes:
        copy: where it lies.
        columns: of its files.
        rolls: folders of the rolls of a recorder's card and the paths that each was made of, the
            newest first: a path that the recorder has written anew is in the newest that has it.
    """

    copy: Copy
    columns: copies.CopyColumns
    rolls: tuple[tuple[bytes, frozenset[bytes]], ...]


def _kept(copy: Copy, count: int, tools: Tools) -> _Kept:
    listings = card_rolls.of_offload(tools.ledger, copy.offload)
    rolls = []
    for folder in reversed(card_rolls.folders_of(tools.ledger, copy.copy)):
        if folder.position < len(listings):
            listing = inventories.load(tools.ledger, listings[folder.position].inventory).entries
            paths = frozenset(listing.path(at) for at in range(len(listing)))
            rolls.append((folder.path, paths))
    return _Kept(copy, copies.load(tools.ledger, copy.copy, count), tuple(rolls))


def _drive_facts(
    kept: _Kept, wish: DriveWish, entries: Entries, tools: Tools, card: HeldCard
) -> DriveFacts:
    copy = kept.copy
    try:
        drive = open_drive(wish, tools.surroundings)
    except OffloadError:
        return DriveFacts(
            copy.drive_name,
            copy.result.path,
            copy.devices,
            bytes(len(entries)),
            is_known=bool(copy.devices),
            is_present=False,
            is_recorded=True,
        )
    with closing(drive.root):
        folder = _relative(copy.result.path, drive)
        lies: dict[bytes, frozenset[bytes] | None] = {}
        lies.update((_relative(path, drive), paths) for path, paths in kept.rolls)
        lies = lies or {folder: None}
        return DriveFacts(
            copy.drive_name,
            join(drive.root.path, folder),
            drive.physical.devices,
            _copy_states(drive, lies, entries, kept.columns, copy),
            is_known=drive.physical.is_known,
            is_ram=drive.physical.is_ram,
            is_on_card=bool(drive.physical.devices & card.physical.devices),
            is_present=True,
            is_recorded=all(_has_record(drive.root, each) for each in lies),
            failure=copy.result.failure,
            read_back=copy.result.read_back,
            is_finished=not folder.endswith((INCOMPLETE, PARTIAL)),
        )


def _copy_states(
    drive: HeldDrive,
    lies: Mapping[bytes, frozenset[bytes] | None],
    entries: Entries,
    columns: copies.CopyColumns,
    copy: Copy,
) -> bytes:
    """States as they were proven, where the files are still as they were then.

    Args:
        lies: folder on the drive -> paths of the card in it, None for all.
    """
    states = bytearray(columns.states)
    is_moved = not _is_mounted_as(drive.volume, drive.mounting, copy.mounting)
    renamed = {folder: _names(drive.root, folder).renamed(entries) for folder in lies}

    def path_of(path: bytes) -> bytes:
        for folder, paths in lies.items():
            if paths is None or path in paths:
                return join(folder, renamed[folder].get(path, path))
        return b""

    for number in range(len(entries)):
        if not copies.is_proven(states[number]):
            continue
        path = path_of(entries.path(number))
        is_same = bool(path) and _is_as_proven(drive.root, path, entries, number, columns)
        if not is_same:
            states[number] = CopyState.ABSENT
        elif is_moved:
            # The drive was away: its files are listed as before, and a listing proves nothing.
            states[number] = CopyState.WRITTEN
    return bytes(states)


def _is_as_proven(
    root: Root, path: bytes, entries: Entries, number: int, columns: copies.CopyColumns
) -> bool:
    try:
        facts = root.facts(path)
    except OSError:
        return False
    if entries.kind(number) is Kind.FOLDER:
        return True
    known = columns.fact(number)
    if known is None:
        return False
    _, _, size, modified, changed = known
    return (facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns) == (size, modified, changed)


def _relative(before: bytes, drive: HeldDrive) -> bytes:
    """A copy's folder below the drive's, wherever that is mounted now."""
    top = drive.root.path.rstrip(b"/")
    if before.startswith(top + b"/"):
        return before[len(top) + 1 :]
    for depth in range(1, before.count(b"/") + 1):
        tail = b"/".join(before.split(b"/")[-depth:])
        if os.path.isdir(join(top, tail)):
            return tail
    return name(before)


def _names(root: Root, folder: bytes) -> NameMap:
    path = join(join(join(parent(folder), RECORDS), name(folder)), NAMES_NAME)
    try:
        return NameMap.from_json(root.read_small(path, LARGEST_BYTES))
    except (OSError, OffloadError):
        return NameMap()


def _has_record(root: Root, folder: bytes) -> bool:
    try:
        return root.exists(join(join(folder, HISTORY_FOLDER), CHAIN_NAME))
    except OSError:
        return False


def _decisions(known: Known, tools: Tools) -> tuple[Decision, ...]:
    from offload.ledger import decisions

    return decisions.settled(tools.ledger, known.last.card)


def _clip_findings(known: Known, tools: Tools) -> tuple[Finding, ...]:
    """The doubts about clips that the last offload came to; a listing does not lift them."""
    found = findings.of_offload(tools.ledger, known.last.offload)
    return tuple(each for each in found if is_settleable(each.code))


def _findings(walk: Walk, kind: Kind, code: str) -> tuple[Finding, ...]:
    entries = walk.inventory.entries
    found = (entries[number] for number in entries.of_kind(kind))
    return tuple(Finding(code, entry.note, entry.path) for entry in found)


def _void(known: Known, walk: Walk, tools: Tools) -> None:
    """A clearance that no longer holds is void from now on, whatever the card shows later."""
    given = clearances.last_of_card(tools.ledger, known.last.card)
    if (
        given is not None
        and given.voided_ns is None
        and given.given.digest != (walk.inventory.digest)
    ):
        because = "the card holds other material now"
        clearances.void(tools.ledger, given.clearance, because, tools.surroundings.now_ns())
