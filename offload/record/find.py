"""Every record below a folder: histories, stand-alone manifests, collections, lists and bags.

Only names are looked at here; nothing is read but the first lines of a checksum list, to find out
which folder it is about.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from itertools import islice

from offload.errors import reason
from offload.record.bags import DECLARATION_NAME, PAYLOAD
from offload.record.folder import Folder
from offload.record.mhl.history import has_history
from offload.record.mhl.naming import COLLECTION_NAME, HISTORY_FOLDER, MANIFEST_SUFFIX
from offload.record.sums import SumLine, is_list_name, read_sums
from offload.values.findings import Finding
from offload.values.paths import join, name, parent

RECORDS_FOLDER = b"records"
"""Beside the rolls: what is written down about each, in a folder of the roll's name."""

_LINES_LOOKED_AT = 16


class RecordKind(Enum):
    """What kind of record."""

    HISTORY = "history"
    MANIFEST = "manifest"
    """Stand-alone: not in the folder of a history."""
    COLLECTION = "collection"
    LIST = "list"
    BAG = "bag"


@dataclass(frozen=True, slots=True)
class FoundRecord:
    """One record.

    Attributes:
        kind: see there.
        path: of its file; of the ``ascmhl`` folder for a history, of the base folder for a bag.
        scope: the folder that it is about. For a stand-alone manifest the standard leaves this to
            the user: here it is the folder in which the manifest lies.
    """

    kind: RecordKind
    path: bytes
    scope: bytes


@dataclass(frozen=True, slots=True)
class Finds:
    """All that was found.

    Attributes:
        records: sorted by path.
        faults: folders that could not be listed (``folder-unreadable``).
        notices: folders called ``ascmhl`` without a history, which every tool of the standard
            passes over with all that is in them (``ascmhl-without-history``).
    """

    records: tuple[FoundRecord, ...]
    faults: tuple[Finding, ...] = ()
    notices: tuple[Finding, ...] = ()

    def of_kind(self, kind: RecordKind) -> tuple[FoundRecord, ...]:
        """Those of one kind."""
        return tuple(record for record in self.records if record.kind is kind)


def find_records(folder: Folder, top: bytes = b"") -> Finds:
    """Look through a folder and everything below it; no link is followed."""
    records: list[FoundRecord] = []
    faults: list[Finding] = []
    notices: list[Finding] = []
    waiting = [top]
    while waiting:
        place = waiting.pop()
        try:
            names = folder.names(place)
            inner = {join(place, one) for one in folder.folders(place)}
            records += _records_in(folder, place, names, inner, top)
        except OSError as error:
            faults.append(Finding("folder-unreadable", reason(error), place))
            continue
        for one in inner:
            if name(one) != HISTORY_FOLDER:
                waiting.append(one)
            elif not has_history(folder, place):
                what = "is no history, and is passed over with all that is in it"
                notices.append(Finding("ascmhl-without-history", what, one))
    records.sort(key=lambda record: record.path)
    return Finds(tuple(records), tuple(faults), tuple(notices))


def _records_in(
    folder: Folder, place: bytes, names: list[bytes], inner: set[bytes], top: bytes
) -> Iterator[FoundRecord]:
    history = join(place, HISTORY_FOLDER)
    if history in inner and has_history(folder, place):
        yield FoundRecord(RecordKind.HISTORY, history, place)
    if join(place, PAYLOAD) in inner and DECLARATION_NAME in names:
        yield FoundRecord(RecordKind.BAG, place, place)
    for one in names:
        path = join(place, one)
        if path in inner:
            continue
        if one == COLLECTION_NAME:
            yield FoundRecord(RecordKind.COLLECTION, path, place)
        elif one.lower().endswith(MANIFEST_SUFFIX):
            yield FoundRecord(RecordKind.MANIFEST, path, _beside(folder, place) or place)
        elif is_list_name(one):
            yield FoundRecord(RecordKind.LIST, path, _list_scope(folder, path, top))


def _list_scope(folder: Folder, path: bytes, top: bytes) -> bytes:
    try:
        return scope_of_list(folder, path, top)
    except OSError:
        # Whoever reads the list will meet the error, and tell it.
        return parent(path)


def scope_of_list(folder: Folder, path: bytes, top: bytes = b"") -> bytes:
    """The folder that a checksum list is about.

    Its own, as a rule; the roll beside ``records/`` for a list that lies in there; else the nearest
    folder further up, not above ``top``, in which the first files that it names are to be found.

    Raises:
        OSError: the list cannot be read.
    """
    place = parent(path)
    beside = _beside(folder, place)
    if beside is not None:
        return beside
    with folder.open(path) as stream:
        lines = islice(read_sums(stream, path), _LINES_LOOKED_AT)
        named = [line.path for line in lines if isinstance(line, SumLine)]
    scope = place
    while named:
        if any(_is_there(folder, join(scope, one)) for one in named):
            return scope
        if scope == top or not scope:
            break
        scope = parent(scope)
    return place


def _beside(folder: Folder, place: bytes) -> bytes | None:
    """The roll that a folder below ``records/`` is about."""
    if name(parent(place)) != RECORDS_FOLDER:
        return None
    roll = join(parent(parent(place)), name(place))
    return roll if folder.is_folder(roll) else None


def _is_there(folder: Folder, path: bytes) -> bool:
    try:
        return name(path) in folder.names(parent(path))
    except OSError:
        return False
