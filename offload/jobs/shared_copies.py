"""Copies on one file system that have their bytes in common: two names of one copy.

Where copies on one drive may count at all, each still has to be a file of its own: one lost block
must not take two of them.
"""

from collections import defaultdict
from collections.abc import Sequence

from offload.checksum import COMPARE
from offload.jobs.own_files import OwnFiles
from offload.jobs.passes import PassColumns
from offload.jobs.placing import Place
from offload.ledger.copies import is_proven
from offload.values.entries import Entries, Kind
from offload.values.facts import CopyState


def mark_shared(places: Sequence[Place], entries: Entries, columns: PassColumns) -> None:
    """Take back what was proven of copies whose bytes another copy of the run counts already."""
    beside: dict[object, list[Place]] = defaultdict(list)
    for place in places:
        volume, counters = place.drive.volume, place.drive.physical.counters
        beside[volume.volume_id or place.drive.root.device, counters].append(place)
    for group in beside.values():
        if len(group) > 1:
            own = OwnFiles()
            for place in group:
                _mark(place, entries, columns, own)


def _mark(place: Place, entries: Entries, columns: PassColumns, own: OwnFiles) -> None:
    states = columns.drive_states[place.name]
    for number in range(len(entries)):
        digest = columns.copied.digests.get(COMPARE, number)
        is_file = entries.kind(number) is Kind.FILE and entries.size_bytes(number)
        if not (is_file and digest and is_proven(states[number])):
            continue
        try:
            is_own = own.take(place.drive, place.path_of(number, entries.path(number)), digest)
        except OSError:
            states[number] = CopyState.UNREADABLE
        else:
            states[number] = states[number] if is_own else CopyState.SHARED
