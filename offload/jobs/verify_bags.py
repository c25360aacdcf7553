"""How good each bag is, once its files have been read (RFC 8493, section 3)."""

from collections.abc import Iterator

from offload.errors import reason
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_place import Listing
from offload.jobs.verify_reading import Checked
from offload.jobs.verify_records import Records
from offload.jobs.verify_result import GOOD, FileState
from offload.record.bags import Bag, BagLevel, Located, bag_level
from offload.record.find import RecordKind
from offload.record.tagfiles import payload_of, read_bag
from offload.values.findings import Finding
from offload.values.paths import join

_EXTRAS_TOLD = 1000


def judge_bags(
    folder: SeenFolder, listing: Listing, records: Records, checked: Checked
) -> Iterator[Finding]:
    """Note the level of every bag in its coverage.

    Yields:
        What makes a bag less than valid and is not told file by file: payload that it does not
        list (``bag-extra``) and a wrong size of the whole (``bag-oxum``).
    """
    for record in records.found:
        if record.kind is not RecordKind.BAG:
            continue
        try:
            bag = read_bag(folder, record.path)
            located = bag.locate(payload_of(folder, record.path))
        except OSError as error:
            yield Finding("record-unreadable", reason(error), record.path)
            continue
        payload_bytes = _payload_bytes(located, bag.path, listing)
        level = bag_level(
            bag,
            located,
            missing_tags=_missing_tags(bag, listing),
            differing=_wrong(bag, located, listing, checked),
            payload_bytes=payload_bytes,
        )
        checked.coverage[record.path].level = level.value
        if level is not BagLevel.VALID:
            yield from _reasons(bag, located, payload_bytes)


def _reasons(bag: Bag, located: Located, payload_bytes: int) -> Iterator[Finding]:
    for path in located.extra[:_EXTRAS_TOLD]:
        what = "lies in the payload of a bag that does not list it: the bag is incomplete"
        yield Finding("bag-extra", what, join(bag.path, path))
    if bag.oxum_matches(payload_bytes, len(located.files)) is False:
        what = "claims another size or number of files than the payload has"
        yield Finding("bag-oxum", what, join(bag.path, b"bag-info.txt"))


def _missing_tags(bag: Bag, listing: Listing) -> list[bytes]:
    tags = (file.path for file in bag.files.values() if file.is_tag)
    return [path for path in tags if not listing.has(join(bag.path, path))]


def _wrong(bag: Bag, located: Located, listing: Listing, checked: Checked) -> list[bytes]:
    """Files of a bag that are there and not shown to be as it says."""
    tags = [file.path for file in bag.files.values() if file.is_tag]
    found = []
    for path in (*located.files, *tags):
        number = listing.number(join(bag.path, path))
        if number is not None and FileState(checked.states[number]) not in GOOD:
            found.append(path)
    return found


def _payload_bytes(located: Located, bag: bytes, listing: Listing) -> int:
    numbers = (listing.number(join(bag, path)) for path in located.files)
    return sum(listing.entries.size_bytes(number) for number in numbers if number is not None)
