"""Every record below a place, loaded; and which files are parts of a record themselves."""

import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime

from offload.errors import RecordError, reason
from offload.jobs.placing import RECORDS
from offload.jobs.recording import SIGNATURE
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_place import Listing, is_marker
from offload.record.claims import Claims
from offload.record.expected import arrivals, collection_notices
from offload.record.find import Finds, FoundRecord, RecordKind, find_records
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.record.sums import SumLine, read_sums
from offload.values.findings import Finding
from offload.values.paths import join, name, parent

_TAG_FILE = re.compile(rb"bagit\.txt|bag-info\.txt|fetch\.txt|(tag)?manifest-[a-z0-9]+\.txt")
_LINES_LOOKED_AT = 16
_NOTHING_SEEN: frozenset[tuple[str, bytes]] = frozenset()


@dataclass(frozen=True, slots=True)
class Records:
    """All that is recorded below a place.

    Attributes:
        found: every record.
        claims: what they say, file by file.
        faults: beside those of the claims: of collections.
        notices: likewise: of lists that speak of a folder under another name, and of collections.
    """

    found: tuple[FoundRecord, ...]
    claims: Claims
    faults: tuple[Finding, ...]
    notices: tuple[Finding, ...]


def load_records(folder: SeenFolder, listing: Listing, now: datetime) -> Records:
    """Find and load everything that says what files should be.

    Args:
        folder: the place.
        listing: of it.
        now: for telling dates in the future, with zone.
    """
    notices: list[Finding] = []
    finds = find_records(folder)
    found: list[FoundRecord] = []
    for record in finds.records:
        fitting = _fitting(record, folder, listing)
        if fitting is None:
            what = "names its files by the roll's final name, which the roll does not have yet"
            notices.append(Finding("list-before-its-roll", what, record.path))
        else:
            found.append(fitting)
    # What cannot be listed is told by the listing already.
    claims = Claims(folder, Finds(tuple(found), (), finds.notices), now=now)
    faults = tuple(_collection_faults(folder, finds))
    for record in finds.of_kind(RecordKind.COLLECTION):
        with suppress(OSError, RecordError):
            # What keeps it from being read is a fault, and told as one.
            notices += collection_notices(folder, record.path)
    return Records(tuple(found), claims, faults, tuple(notices))


class OwnFiles:
    """Tells which files are parts of a record, and so need no record of their own."""

    def __init__(self, records: Records, listing: Listing) -> None:
        self._histories = {
            record.path for record in records.found if record.kind is RecordKind.HISTORY
        }
        self._bags = {record.path for record in records.found if record.kind is RecordKind.BAG}
        self._files = {
            record.path
            for record in records.found
            if record.kind not in (RecordKind.HISTORY, RecordKind.BAG)
        }
        self._rolls = listing.records_folders

    def has(self, path: bytes) -> bool:
        """Whether this file is one of them."""
        folder = parent(path)
        if path in self._files or is_marker(path) or folder in self._rolls:
            return True
        if name(folder) == HISTORY_FOLDER and folder in self._histories:
            return True
        if path.endswith(SIGNATURE) and path.removesuffix(SIGNATURE) in self._files:
            return True
        return folder in self._bags and _TAG_FILE.fullmatch(name(path)) is not None


def _fitting(record: FoundRecord, folder: SeenFolder, listing: Listing) -> FoundRecord | None:
    """A record with the folder that it is really about; nothing where that is not there yet.

    The lists in ``records/ROLL`` are to be checked from the folder that holds the roll, so they
    name files as ``ROLL/...``.
    """
    place = parent(record.path)
    if record.kind is not RecordKind.LIST or name(parent(place)) != RECORDS:
        return record
    roll = name(place)
    first = next(_first_paths(record.path, folder), b"").partition(b"/")[0]
    if first.lower() != roll.lower():
        return record
    holder = parent(parent(place))
    lies_in = listing.records_folders.get(place, b"")
    if lies_in and name(lies_in) != roll:
        return None
    return replace(record, scope=holder)


def _first_paths(path: bytes, folder: SeenFolder) -> Iterator[bytes]:
    try:
        with folder.open(path) as stream:
            for at, line in enumerate(read_sums(stream, path)):
                if isinstance(line, SumLine):
                    yield line.path
                if at >= _LINES_LOOKED_AT:
                    return
    except OSError:
        # Whoever reads the list whole will meet the error, and tell it.
        return


def _collection_faults(folder: SeenFolder, finds: Finds) -> Iterator[Finding]:
    """Packing lists that a collection names and that are missing or changed."""
    for record in finds.of_kind(RecordKind.COLLECTION):
        try:
            for arrival in arrivals(folder, record.path, _NOTHING_SEEN):
                yield from arrival.faults
        except RecordError as error:
            yield Finding("record-unreadable", error.what, record.path)
        except OSError as error:
            yield Finding("record-unreadable", reason(error), record.path)


def name_of_scope(scope: bytes, place_name: bytes) -> bytes:
    """How a scope is called: by its folder, or as the whole place is."""
    return name(scope) or place_name


def in_scope(scope: bytes, path: bytes) -> bytes:
    """A path relative to a scope that holds it."""
    return path[len(scope) + 1 :] if scope else path


def history_path(scope: bytes, file: bytes) -> bytes:
    """Where a file of a scope's history lies."""
    return join(join(scope, HISTORY_FOLDER), file)
