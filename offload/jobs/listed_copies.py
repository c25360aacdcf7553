"""How the copies of a known card lie on their drives now, by the facts of their files alone.

What was proven counts as proven while drive's mounting and file's facts are those of then; nothing
is read but names, sizes and times.
"""

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass

from offload.errors import OffloadError
from offload.jobs.known_copies import drive_wishes_of
from offload.jobs.opening import HeldCard, HeldDrive, open_drive
from offload.jobs.placing import INCOMPLETE, NAMES_NAME, PARTIAL, RECORDS
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish
from offload.ledger import card_rolls, copies, inventories
from offload.ledger.copies import Copy
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.storage.root import Root
from offload.transfer.preflight.name_map import LARGEST_BYTES, NameMap
from offload.values.entries import Entries, Kind
from offload.values.facts import CopyState, DriveFacts
from offload.values.paths import join, name, parent


def look_at_copies(
    found: Sequence[Copy], entries: Entries, tools: Tools, card: HeldCard
) -> tuple[DriveFacts, ...]:
    """Each copy's drive and files, as a verdict wants them; a drive that is away is told as that.

    Args:
        found: one offload's, each on a drive of its own.
        entries: of the card, as that offload listed it.
        tools: see there.
        card: what no drive may lie on.
    """
    kept = [_kept(copy, len(entries), tools) for copy in found]
    wishes = drive_wishes_of(found, tools)
    # Side by side: discs that sleep take seconds to turn, and a copy's files are asked one by one.
    with ThreadPoolExecutor(max(1, len(kept)), "look-at-copies") as pool:
        looks = pool.map(
            lambda it, wish: _drive_facts(it, wish, entries, tools, card), kept, wishes
        )
        return tuple(looks)


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
    is_moved = not drive.is_mounted_as(copy.mounting)
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
