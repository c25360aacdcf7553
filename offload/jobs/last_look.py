"""The last look before the word: fresh walks, and every file's facts against its last reading.

A walk of the card that finds anything but the inventory, a file whose size or times are not those
of the descriptor that was read last, a drive that is not reached under its own path any more: each
is a fact of its own, and each keeps the card.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

from offload.card.inventory import Walk
from offload.errors import CardError
from offload.jobs.opening import is_drive_there
from offload.jobs.passes import PassColumns
from offload.jobs.placing import Answered, Place
from offload.jobs.surroundings import Surroundings
from offload.storage.root import Root
from offload.transfer.results import Marks
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CardState, CopyState
from offload.values.findings import Finding
from offload.volumes.bounded import NotAnsweringError

_MOST_CHANGES = 1000
_PROVEN = frozenset({CopyState.PROVEN_DEVICE, CopyState.PROVEN_SERVER})


@dataclass(slots=True)
class LastLook:
    """What the last look found.

    Attributes:
        changes: on the card, bounded.
        walk: the fresh walk; nothing when the card could not be listed.
        away: names of the drives that are not there any more.
    """

    changes: list[Finding] = field(default_factory=list)
    walk: Walk | None = None
    away: set[str] = field(default_factory=set)


def look_at_card(
    root: Root,
    entries: Entries,
    columns: PassColumns,
    list_again: Callable[[], Walk],
    look: LastLook,
) -> None:
    """Walk the card once more and compare; a changed file's state says so from now on."""
    try:
        look.walk = list_again()
    except CardError as error:
        # It was pulled, or it fails: that is a fact like any other, and the drives' record stands.
        look.changes.append(Finding("not-listed", error.what))
        return
    compare_lists(entries, look.walk.inventory.entries, look.changes)
    for number in range(len(entries)):
        if columns.card_states[number] != CardState.READ_EQUAL:
            continue
        if entries.kind(number) is Kind.FILE and not _is_as_read(
            root, entries.path(number), columns.card_marks, number, entries.size_bytes(number)
        ):
            columns.card_states[number] = CardState.CHANGED


def look_at_drives(
    places: Sequence[Place],
    entries: Entries,
    columns: PassColumns,
    surroundings: Surroundings,
    look: LastLook,
    answered: Answered,
) -> None:
    """Look at every proven copy once more, by its path on the drive.

    Args:
        places, entries, columns, surroundings: of the run.
        look: is filled.
        answered: carries out the look at one drive; a silent one is away.
    """
    for place in places:
        if not is_drive_there(place.drive, surroundings):
            look.away.add(place.name)
            continue
        try:
            answered(place.drive, partial(_look_at_copies, place, entries, columns))
        except NotAnsweringError:
            look.away.add(place.name)


def _look_at_copies(place: Place, entries: Entries, columns: PassColumns) -> None:
    states = columns.drive_states[place.name]
    marks = columns.drive_marks.get(place.name)
    root = place.drive.root
    root.forget_folders()
    for number in range(len(entries)):
        if states[number] not in _PROVEN:
            continue
        path = place.path_of(number, entries.path(number))
        if entries.kind(number) is Kind.FOLDER:
            is_good = _is_folder(root, path)
        else:
            is_good = marks is not None and _is_as_read(
                root, path, marks, number, entries.size_bytes(number)
            )
        if not is_good:
            states[number] = CopyState.CHANGED


def _is_as_read(root: Root, path: bytes, marks: Marks, number: int, size_bytes: int) -> bool:
    try:
        return marks.holds(number, root.facts(path), size_bytes)
    except OSError:
        return False


def _is_folder(root: Root, path: bytes) -> bool:
    try:
        os.fstat(root.folder(path))
    except OSError:
        return False
    return True


def compare_lists(before: Entries, after: Entries, changes: list[Finding]) -> None:
    """Differences of two sorted lists, in path order."""
    if before == after:
        # By columns: nearly always so, and a card may hold a million files.
        return
    at, then = 0, 0
    while (at < len(before) or then < len(after)) and len(changes) < _MOST_CHANGES:
        old = before[at] if at < len(before) else None
        new = after[then] if then < len(after) else None
        if old is None or (new is not None and new.path < old.path):
            changes.append(Finding("added", "it was not there before", _path(new)))
            then += 1
        elif new is None or old.path < new.path:
            changes.append(Finding("gone", "it is not listed any more", old.path))
            at += 1
        else:
            if _facts(old) != _facts(new):
                changes.append(Finding("changed", "its size, time or kind is another", old.path))
            at, then = at + 1, then + 1


def _path(entry: Entry | None) -> bytes:
    return entry.path if entry is not None else b""


def _facts(entry: Entry) -> tuple[Kind, int, int, str]:
    return entry.kind, entry.size_bytes, entry.mtime_ns, entry.note
