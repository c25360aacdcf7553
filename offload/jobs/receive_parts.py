"""A delivery taken apart: its rolls, each with its history and record, and what lies beside them.

A roll is a folder with a history that no other history encloses. Its ``ascmhl`` folders, and the
``records/ROLL`` beside it, come along as its record and not as its files. All else of the drive is
one part more, with whatever lists and bags it holds: nothing that was sent stays behind but what
computers leave behind, a sender's marker, and a sender's own lease.
"""

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from offload.card.naming import checked_roll
from offload.errors import UsageError
from offload.jobs.lease import RUN_NAME
from offload.jobs.placing import INCOMPLETE, PARTIAL
from offload.jobs.verify_place import Listing, is_marker
from offload.jobs.verify_plan import Plan
from offload.jobs.verify_records import Records
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.values.entries import Entries, Entry, Kind
from offload.values.inventory import Inventory
from offload.values.paths import join, name, parent

_FOUND_FILES = b"lost+found"
_NO_NAME = "delivery"
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9._-]+")


@dataclass(slots=True)
class Part:
    """What is copied as one roll.

    Attributes:
        folder: path of its top in the delivery; empty for the delivery's own top.
        roll: its name on the drives.
        numbers: of its entries in the delivery's listing, in order.
        history: numbers of the files of its histories, and of the records of rolls nested in it;
            the chains last: what a chain names is there before it.
        record: path of the ``records/ROLL`` that comes with it; empty for none.
        record_files: numbers of the files in that.
    """

    folder: bytes
    roll: str
    numbers: list[int] = field(default_factory=list)
    history: list[int] = field(default_factory=list)
    record: bytes = b""
    record_files: list[int] = field(default_factory=list)

    def inside(self, path: bytes) -> bytes:
        """A path of the delivery as it is below the part's top."""
        return path[len(self.folder) + 1 :] if self.folder else path

    def holds(self, path: bytes) -> bool:
        """Whether a path is of this roll or of its record; the rest takes what no roll has."""
        tops = [top for top in (self.folder, self.record) if top]
        return not tops or any(path == top or path.startswith(top + b"/") for top in tops)

    def inventory(self, entries: Entries) -> Inventory:
        """Its entries; the entry at each place is the one of ``numbers`` there."""
        return Inventory(Entries(self._moved(entries[number]) for number in self.numbers))

    def _moved(self, entry: Entry) -> Entry:
        path = self.inside(entry.path)
        return Entry(path, entry.kind, entry.size_bytes, entry.mtime_ns, entry.note)


def parts_of(listing: Listing, records: Records, plan: Plan, own_name: str) -> list[Part]:
    """The parts of a delivery, rolls in the order of their paths, and the rest last.

    Args:
        listing: of all of it.
        records: what is recorded.
        plan: which files are recorded; those are copied whatever they are.
        own_name: the delivery's own, for a history at its top and for the rest.
    """
    sorting = _Sorting(listing, records, own_name)
    recorded = frozenset(plan.recorded)
    for number in range(len(listing.entries)):
        sorting.take(number, is_recorded=number in recorded)
    return [part for part in sorting.parts() if part.numbers]


class _Sorting:
    def __init__(self, listing: Listing, records: Records, own_name: str) -> None:
        self._listing = listing
        self._entries = listing.entries
        scopes = list(records.claims.custody.histories)
        self._histories = frozenset(join(scope, HISTORY_FOLDER) for scope in scopes)
        self._rolls = {scope: Part(scope, "") for scope in sorted(_outermost(scopes))}
        for scope, part in self._rolls.items():
            part.roll = _roll_name(name(scope), own_name)
        self._rest = Part(b"", _roll_name(b"", own_name))
        self._records: dict[bytes, Part] = {}
        for folder, roll in listing.records_folders.items():
            if roll in self._rolls and not self._roll_above(folder):
                self._rolls[roll].record = folder
                self._records[folder] = self._rolls[roll]
        self._above = {each for path in (*self._rolls, *self._records) for each in _above(path)}

    def take(self, number: int, *, is_recorded: bool) -> None:
        """Sort one entry."""
        path, kind = self._entries.path(number), self._entries.kind(number)
        if is_marker(path):
            return
        record = next((self._records[each] for each in _above(path) if each in self._records), None)
        part = self._roll_above(path)
        if record is not None:
            is_lease = path == join(record.record, RUN_NAME)
            if kind is Kind.FILE and not is_lease:
                record.record_files.append(number)
        elif part is not None and self._is_within_record(path):
            if kind is Kind.FILE:
                part.history.append(number)
        elif path in self._listing.left_out and not is_recorded:
            return
        elif part is not None:
            part.numbers.append(number)
        elif self._is_rest(path, kind):
            self._rest.numbers.append(number)

    def parts(self) -> Iterator[Part]:
        """All of them."""
        for part in self._rolls.values():
            part.history.sort(key=self._is_chain)
            yield part
        kinds = {self._entries.kind(number) for number in self._rest.numbers}
        if kinds - {Kind.FOLDER}:
            yield self._rest

    def _is_within_record(self, path: bytes) -> bool:
        """Whether a path in a roll is a history, or lies in one, or in a nested roll's record."""
        above = parent(path)
        is_nested = above in self._listing.records_folders
        return path in self._histories or above in self._histories or is_nested

    def _is_chain(self, number: int) -> bool:
        return name(self._entries.path(number)) == CHAIN_NAME

    def _is_rest(self, path: bytes, kind: Kind) -> bool:
        is_top = path in self._rolls or path in self._records or path in self._above
        is_found = name(path) == _FOUND_FILES and kind in (Kind.FOLDER, Kind.UNREADABLE)
        return not (is_top or is_found)

    def _roll_above(self, path: bytes) -> Part | None:
        """The roll that a path lies in; its own top is no part of it."""
        if b"" in self._rolls:
            return self._rolls[b""]
        return next((self._rolls[each] for each in _above(path) if each in self._rolls), None)


def _outermost(scopes: list[bytes]) -> Iterator[bytes]:
    known = frozenset(scopes)
    for scope in scopes:
        if not scope or not ({b"", *_above(scope)} & known):
            yield scope


def _above(path: bytes) -> Iterator[bytes]:
    while path := parent(path):
        yield path


def _roll_name(folder: bytes, own_name: str) -> str:
    """A name that every drive can hold; an unfinished copy's says that it is one."""
    for suffix in (INCOMPLETE, PARTIAL):
        if folder.endswith(suffix):
            folder = folder.removesuffix(suffix) + suffix.replace(b".", b"-")
    text = _NOT_IN_NAMES.sub("-", folder.decode("utf-8", "replace") or own_name)
    for named in (text, f"sent-{text}"):
        with contextlib.suppress(UsageError):
            return checked_roll(named)
    return _NO_NAME
