"""Which files of the card have to be read and written, and which are only to be proven."""

from collections.abc import Mapping, Sequence

from offload.jobs.placing import Place
from offload.ledger.files import FileColumns
from offload.transfer.plan import Item
from offload.transfer.results import Digests
from offload.values.entries import Entries, Kind
from offload.values.facts import CopyState


def items_to_copy(
    entries: Entries,
    places: Sequence[Place],
    digests: Digests,
    earlier: FileColumns | None,
    *,
    only_prove: bool = False,
) -> list[Item]:
    """What the copying pass has to read.

    A file that lies on every drive already, and whose checksums are known from before an
    interruption, is left to the proving pass, which reads the card and every drive.

    Args:
        entries: of the card.
        places: by bit.
        digests: known ones are put in here.
        earlier: checksums from the ledger; they only choose what to reuse.
        only_prove: nothing is to be written, whatever is missing.
    """
    everywhere = (1 << len(places)) - 1
    items: list[Item] = []
    for number, entry in enumerate(entries):
        if not entry.kind.is_copied:
            continue
        missing = everywhere
        for place in places:
            if place.present[number]:
                missing &= ~(1 << place.bit)
        is_folder = entry.kind is Kind.FOLDER
        if not missing and (is_folder or _take_known(number, digests, earlier)):
            continue
        if only_prove:
            missing = 0
        items.append(Item(number, entry.path, entry.size_bytes, entry.mtime_ns, is_folder, missing))
    return items


def rewrites(
    entries: Entries, places: Sequence[Place], differing: dict[str, set[int]]
) -> list[Item]:
    """Files found on drives from before that turned out wrong, to be written anew there."""
    masks: dict[int, int] = {}
    for place in places:
        for number in differing.get(place.name, ()):
            masks[number] = masks.get(number, 0) | 1 << place.bit
    return [
        Item(at, entries.path(at), entries.size_bytes(at), entries[at].mtime_ns, False, mask)
        for at, mask in sorted(masks.items())
    ]


def still_missing(
    entries: Entries, places: Sequence[Place], states: Mapping[str, bytearray]
) -> list[Item]:
    """What drives that left the copying pass half-way still lack.

    Args:
        entries: of the card.
        places: those drives'.
        states: by drive name, the copying pass's own.
    """
    masks: dict[int, int] = {}
    for place in places:
        for number, state in enumerate(states[place.name]):
            is_due = entries.kind(number).is_copied and not place.present[number]
            if state == CopyState.ABSENT and is_due:
                masks[number] = masks.get(number, 0) | 1 << place.bit
    return [
        Item(at, entry.path, entry.size_bytes, entry.mtime_ns, entry.kind is Kind.FOLDER, mask)
        for at, mask in sorted(masks.items())
        for entry in [entries[at]]
    ]


def _take_known(number: int, digests: Digests, earlier: FileColumns | None) -> bool:
    if earlier is None:
        return False
    found = {name: earlier.digest(name, number) for name in digests.names}
    if any(digest is None for digest in found.values()):
        return False
    for name, digest in found.items():
        if digest is not None:
            digests.put(name, number, digest)
    return True
