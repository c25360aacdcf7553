"""Every record below a folder: histories, stand-alone manifests, collections, lists and bags.

Only names are looked at here; nothing is read but the beginning of a checksum list or stand-alone
manifest, to find out which folder it is about.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from itertools import islice

from offload.errors import RecordError, reason
from offload.record.folder import Folder
from offload.record.mhl.history import has_history
from offload.record.mhl.model import HashRecord
from offload.record.mhl.naming import COLLECTION_NAME, HISTORY_FOLDER, MANIFEST_SUFFIX
from offload.record.mhl.read import ManifestReader
from offload.record.sums import SumLine, is_list_name, read_sums
from offload.record.tagfiles import DECLARATION_NAME, PAYLOAD
from offload.values.findings import Finding
from offload.values.paths import join, name, parent

RECORDS_FOLDER = b"records"
"""Beside the rolls: what is written down about each, in a folder of the roll's name."""

_LOOKED_AT = 16


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
        scope: the folder that it is about. For a list or stand-alone manifest nobody says which:
            see :func:`scope_of`.
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
            yield FoundRecord(RecordKind.MANIFEST, path, scope_of(folder, path, top))
        elif is_list_name(one):
            yield FoundRecord(RecordKind.LIST, path, scope_of(folder, path, top))


def scope_of(folder: Folder, path: bytes, top: bytes = b"") -> bytes:
    """The folder that a checksum list or a stand-alone manifest is about.

    The roll beside ``records/`` for one that lies in there. Else the first of these in which one of
    the first files that it names is to be found: its own folder, those further up as far as
    ``top``, those directly in its own. Where none is found, its own.
    """
    place = parent(path)
    beside = _beside(folder, place)
    if beside is not None:
        return beside
    named = _first_named(folder, path)
    for scope in _candidates(folder, path, top) if named else ():
        if any(_is_there(folder, join(scope, one)) for one in named):
            return scope
    return place


def _first_named(folder: Folder, path: bytes) -> list[bytes]:
    try:
        with folder.open(path) as stream:
            if path.lower().endswith(MANIFEST_SUFFIX):
                records = ManifestReader(stream, path)
                found = (each.path for each in records if isinstance(each, HashRecord))
            else:
                lines = read_sums(stream, path)
                found = (each.path for each in lines if isinstance(each, SumLine))
            return list(islice(found, _LOOKED_AT))
    except (OSError, RecordError):
        # Whoever reads it whole will meet the error, and tell it.
        return []


def _candidates(folder: Folder, path: bytes, top: bytes) -> Iterator[bytes]:
    place = scope = parent(path)
    yield place
    while scope and scope != top:
        scope = parent(scope)
        yield scope
    try:
        inner = folder.folders(place)
    except OSError:
        return
    # A001.md5 is more likely about A001 than about A002.
    own = name(path)
    for one in sorted(inner, key=lambda each: (each not in own, each)):
        yield join(place, one)


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
