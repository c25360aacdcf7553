"""A ledger that was lost, from the records beside the copies.

The order of the job: hold the folder, list it, read each ``records/ROLL`` with its roll's history,
write back. Nothing is written to a drive and no file of a copy is read, so nothing is proven by it:
what the ledger has afterwards is what was written down. Whether a card is safe only a reading says.
"""

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from offload.clearance.words import counted
from offload.errors import LedgerError, OffloadError, reason
from offload.jobs.lease import RUN_NAME
from offload.jobs.opening import marked_name, read_marker
from offload.jobs.placing import RECORDS
from offload.jobs.restore_record import OneRoll, RecordPlace, RollRecord, moment_ns
from offload.jobs.surroundings import Surroundings
from offload.jobs.verify_place import HeldPlace, Listing, folder_of, list_place, open_place
from offload.jobs.verify_signatures import Trust
from offload.ledger import drives, rebuild, rolls
from offload.ledger.cards import CardHints
from offload.ledger.database import Ledger
from offload.ledger.drives import DriveHints
from offload.ledger.rebuild import FoundRecord
from offload.record.signers import Signers
from offload.storage.root import Root
from offload.values.facts import Policy
from offload.values.findings import Finding
from offload.values.paths import join, name, parent, to_text

MOST_FINDINGS = 1000
"""No more are told; a damaged drive may give as many as it has folders."""

_DAY = re.compile(rb"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True)
class RestoreWish:
    """What is asked for.

    Attributes:
        folders: drives, or folders on them, with records below.
        names: what the settings call a drive, by its volume id.
    """

    folders: tuple[bytes, ...]
    names: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RestoreTools:
    """What the job works with.

    Attributes:
        ledger: is written to.
        signers: whose clearances count.
        surroundings: the machine.
    """

    ledger: Ledger
    signers: Signers
    surroundings: Surroundings = field(default_factory=Surroundings)


@dataclass(frozen=True, slots=True)
class Restored:
    """What came of it.

    Attributes:
        rolls: their numbers in the ledger, in the order in which they were found, each once.
        new: those of them that the ledger did not know before.
        copies: how many copies were found.
        looked_through: how many of the folders could be.
        findings: what could not be read or does not fit; paths are absolute.
        notices: what is no fault and was not written back; likewise.
    """

    rolls: tuple[int, ...]
    new: frozenset[int]
    copies: int
    looked_through: int
    findings: tuple[Finding, ...]
    notices: tuple[Finding, ...]


def restore_rolls(wish: RestoreWish, tools: RestoreTools) -> Restored:
    """Write back what is recorded below some folders. Said twice it changes nothing.

    Raises:
        LedgerError: the ledger cannot be written.
    """
    restoring = _Restoring(wish, tools)
    for folder in wish.folders:
        restoring.look_through(folder)
    return restoring.result()


class _Restoring:
    def __init__(self, wish: RestoreWish, tools: RestoreTools) -> None:
        self._wish = wish
        self._tools = tools
        self._rolls: dict[int, bool] = {}
        self._copies = 0
        self._looked_through = 0
        self._findings: list[Finding] = []
        self._notices: list[Finding] = []
        self._unknown_keys: dict[str, list[bytes]] = {}

    def look_through(self, folder: bytes) -> None:
        """Everything below one folder; what goes wrong there is told, and the others go on."""
        try:
            place = open_place(_above_records(folder), self._tools.surroundings)
        except OffloadError as error:
            self._tell_error(error, folder)
            return
        with closing(place.root):
            try:
                listing = list_place(place, self._tools.surroundings)
                self._looked_through += 1
                self._each_roll(place, listing)
            except LedgerError:
                raise
            except (OffloadError, OSError) as error:
                self._tell_error(error, folder)

    def result(self) -> Restored:
        """What all folders came to."""
        return Restored(
            tuple(self._rolls),
            frozenset(roll for roll, is_new in self._rolls.items() if is_new),
            self._copies,
            self._looked_through,
            (*self._of_unknown_keys(), *self._findings)[:MOST_FINDINGS],
            tuple(self._notices)[:MOST_FINDINGS],
        )

    def _each_roll(self, place: HeldPlace, listing: Listing) -> None:
        base = place.root.path
        for fault in listing.faults:
            self._findings.append(_absolute(fault, base))
        lonely = list(_without_roll(listing))
        for records in lonely:
            what = "is the record of a roll whose copy is not beside it"
            self._findings.append(Finding("record-without-copy", what, join(base, records)))
        if not listing.records_folders and not lonely:
            what = "has no record of a roll below it"
            self._findings.append(Finding("no-record", what, place.given))
        folder = folder_of(place, listing)
        trust = Trust(self._tools.signers, self._tools.surroundings.now())
        for records, roll in sorted(listing.records_folders.items()):
            if listing.half_done_above(records, "kept-aside"):
                continue
            one = OneRoll(place, folder, listing, RecordPlace(records, roll), trust)
            found = one.read()
            self._findings += [_absolute(each, base) for each in one.findings]
            self._notices += [_absolute(each, base) for each in one.notices]
            for key, path in one.unknown_keys:
                self._unknown_keys.setdefault(key, []).append(join(base, path))
            if found is not None:
                self._write_back(place, RecordPlace(records, roll), found, trust.at)

    def _write_back(
        self, place: HeldPlace, at: RecordPlace, found: RollRecord, now: datetime
    ) -> None:
        ledger = self._tools.ledger
        now_ns = self._tools.surroundings.now_ns()
        record = self._found_record(place, at, found, now)
        known = {each.roll for each in rolls.find(ledger, record.roll)}
        with ledger.writing():
            records = [
                replace(
                    record,
                    clearance=good.recorded,
                    production=good.statement.production,
                    policy=good.statement.policy,
                    card=CardHints(
                        good.statement.card.volume_id,
                        good.statement.card.label,
                        good.statement.card.capacity_bytes or 0,
                        good.statement.card.file_system,
                    ),
                )
                for good in found.clearances
            ]
            for each in records or [record]:
                roll = rebuild.write_back(ledger, each, now_ns)
        self._rolls.setdefault(roll, roll not in known)
        self._copies += 1

    def _found_record(
        self, place: HeldPlace, at: RecordPlace, found: RollRecord, now: datetime
    ) -> FoundRecord:
        path = join(place.root.path, at.roll)
        made_ns = moment_ns(found.made_at, now)
        return FoundRecord(
            roll=os.fsdecode(name(at.records)),
            code=found.code,
            content_root=found.content_root,
            production="",
            day=_day(path, made_ns),
            made_ns=made_ns,
            inventory=found.inventory,
            digests=found.digests,
            drive=self._drive(place, parent(path)),
            path=path,
            host=found.host[:255],
            policy=Policy(),
        )

    def _drive(self, place: HeldPlace, base: bytes) -> DriveHints:
        """The drive on which a copy lies, by the marker nearest above it, else by its volume."""
        top, marker, marked = _marked_above(base, place.volume.mount_point)
        volume = place.volume
        hints = DriveHints(
            "",
            volume.volume_id,
            marker,
            top or place.root.path,
            volume.fs_type,
            place.physical.devices,
            volume.capacity_bytes or 0,
            volume.free_bytes or 0,
        )
        known = [each for each in drives.all_known(self._tools.ledger) if each.retired_ns is None]
        for each in known:
            if _is_same(each.hints, hints):
                return replace(hints, name=each.hints.name)
        own = self._wish.names.get(volume.volume_id, "") if volume.volume_id else ""
        label = to_text(name(hints.path.rstrip(b"/"))) or "drive"
        return replace(hints, name=_free_name(own or marked or label, known))

    def _of_unknown_keys(self) -> Iterator[Finding]:
        """One sentence for each key: a lost laptop's is on every drive."""
        for key, paths in self._unknown_keys.items():
            what = f"is signed by a key that is not known here, {key}"
            if len(paths) > 1:
                what += f", and {counted(len(paths) - 1, 'further clearance')} as well"
            yield Finding("clearance-unknown-key", what, paths[0])

    def _tell_error(self, error: OffloadError | OSError, folder: bytes) -> None:
        if isinstance(error, OffloadError):
            finding = Finding(error.code, error.what, error.path or folder)
        else:
            finding = Finding("drive", f"cannot be looked through: {reason(error)}", folder)
        self._findings.append(finding)


def _above_records(folder: bytes) -> bytes:
    """Who names the records, or one roll's, means what lies beside them."""
    path = os.path.realpath(folder)
    if name(path) == RECORDS:
        return parent(path) or b"/"
    if name(parent(path)) == RECORDS:
        return join(parent(parent(path)), name(path))
    return folder


def _without_roll(listing: Listing) -> Iterator[bytes]:
    """Every ``records/ROLL`` with a lease in it and no roll beside it."""
    for number in range(len(listing.entries)):
        path = listing.entries.path(number)
        folder = parent(path)
        is_lease = name(path) == RUN_NAME and name(parent(folder)) == RECORDS
        if is_lease and folder not in listing.records_folders:
            yield folder


def _absolute(finding: Finding, base: bytes) -> Finding:
    return replace(finding, path=join(base, finding.path))


def _marked_above(folder: bytes, mount_point: bytes) -> tuple[bytes, str, str]:
    """The nearest folder with a marker, at or above one and within its volume; and what it says."""
    while True:
        try:
            with Root(folder) as root:
                marker = read_marker(root)
                if marker:
                    return folder, marker, marked_name(root)
        except OSError:
            # Entered and not listed; the next may be both.
            pass
        if folder in (mount_point, b"/", b""):
            return b"", "", ""
        folder = parent(folder) or b"/"


def _is_same(known: DriveHints, now: DriveHints) -> bool:
    if known.marker or now.marker:
        return known.marker == now.marker
    return known.volume_id == now.volume_id and known.path == now.path


def _free_name(wanted: str, known: Sequence[drives.KnownDrive]) -> str:
    taken = {each.hints.name for each in known}
    number, found = 1, wanted
    while found in taken:
        number += 1
        found = f"{wanted} {number}"
    return found


def _day(path: bytes, made_ns: int) -> str:
    """The production's day: by the folder that is called so, else when it was recorded."""
    for part in reversed(path.split(b"/")[:-1]):
        if _DAY.fullmatch(part):
            try:
                return date.fromisoformat(part.decode("ascii")).isoformat()
            except ValueError:
                continue
    return datetime.fromtimestamp(made_ns / 10**9).astimezone().date().isoformat()
