"""Where a roll's copy lies on each drive, and what is there already.

Rules:

* A copy grows in ``ROLL.incomplete`` beside ``records/ROLL``, whose ``run.json`` must be of the
  same card before anything is touched; it takes the name ``ROLL`` when all of it is proven, or
  ``ROLL.partial`` when something could not be read.
* Under the roll's name everything of the same listing is proven in place and never written to;
  what the card has more grows beside it and joins it when proven.
* Material that a record says is another card's makes this card a further part: ``A001-2``, on
  every drive alike. Material that nobody knows drops the drive.
* Whatever is found there only saves copying; it is read again in this run before it counts.
"""

import contextlib
import os
import stat
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from functools import partial
from typing import Protocol, TypeVar

from offload.errors import DriveError, OffloadError, RecordError, reason
from offload.jobs.lease import RUN_NAME, Lock, Run, read_run
from offload.jobs.opening import HeldDrive, silent_error
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.storage.durable import is_temporary
from offload.storage.evidence import Medium
from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from offload.storage.syncing import sync_folder
from offload.transfer.preflight.existing import (
    FOLDER_SIZE,
    OTHER_SIZE,
    Existing,
    Lies,
    Owner,
    Use,
    weigh_existing,
)
from offload.transfer.preflight.file_systems import kind_of
from offload.transfer.preflight.mapping import mapped_names
from offload.transfer.preflight.name_map import LARGEST_BYTES, NameMap
from offload.transfer.preflight.names import NameRules
from offload.transfer.preflight.probing import probe_names, rules_for
from offload.values.entries import Entries, Kind
from offload.values.paths import join, name, parent
from offload.volumes.bounded import NotAnsweringError

T = TypeVar("T")

RECORDS = b"records"
NAMES_NAME = b"names.json"
INCOMPLETE = b".incomplete"
PARTIAL = b".partial"
ASIDE = b".not-on-card"
"""What was found in an unfinished copy and is none of the card's; nobody's file is removed."""
_MOST_PARTS = 99
_THERE = 1
_BESIDE = 2


class Standing(Enum):
    """What there is of the roll on a drive."""

    FREE = "free"
    GROWING = "growing"
    PARTIAL = "partial"
    DONE = "done"
    """Under its own name, all of the card."""
    ADDING = "adding"
    """Under its own name, and the card has more: that grows beside it."""


_LIES = {
    Lies.NOTHING: Standing.FREE,
    Lies.GROWING: Standing.GROWING,
    Lies.PARTIAL: Standing.PARTIAL,
    Lies.DONE: Standing.DONE,
}


@dataclass(slots=True)
class Place:
    """One drive's part in a run.

    Attributes:
        drive: held.
        bit: its number in the run.
        base: the folder that holds the roll, relative to the drive's root.
        roll: the roll's folder name.
        standing: see there.
        rules: of the drive, for names.
        names: how the card's names are written there.
        renamed: card path -> path in the copy, only where they differ.
        existing: what was found there.
        present: a byte for each entry, 1 where a file of the right size (or the folder) is there, 2
            where it is an addition that an interrupted run has left beside the roll.
        is_mounted_anew: mounted since anything was written there, and not read before this run.
        is_read: this run has read the copy back.
        earlier: the lease found there; nothing on a free place or beside a hand-made copy.
        lock: held while the run works; nothing before.
    """

    drive: HeldDrive
    bit: int
    base: bytes
    roll: bytes
    rules: NameRules
    present: bytearray
    standing: Standing = Standing.FREE
    names: NameMap = field(default_factory=NameMap)
    renamed: Mapping[bytes, bytes] = field(default_factory=dict)
    existing: Existing = field(default_factory=Existing)
    is_mounted_anew: bool = False
    is_read: bool = False
    earlier: Run | None = None
    lock: Lock | None = None

    @property
    def name(self) -> str:
        """The drive's name."""
        return self.drive.name

    @property
    def medium(self) -> Medium:
        """How its readings can be shown to come from the device."""
        return self.drive.medium

    @property
    def final(self) -> bytes:
        """The roll's folder once all is proven."""
        return join(self.base, self.roll)

    @property
    def grows_in(self) -> bytes:
        """Where what is written goes."""
        if self.standing is Standing.DONE:
            return self.final
        return self.final + (PARTIAL if self.standing is Standing.PARTIAL else INCOMPLETE)

    @property
    def lies_in(self) -> bytes:
        """Where the copy, as far as it is one, lies now."""
        return self.final if self.standing is Standing.ADDING else self.grows_in

    @property
    def records(self) -> bytes:
        """The folder for what is written down, beside the roll."""
        return join(join(self.base, RECORDS), self.roll)

    @property
    def absolute(self) -> bytes:
        """The copy's folder now, as a path on this machine."""
        return join(self.drive.root.path, self.lies_in)

    def path_in_copy(self, card_path: bytes) -> bytes:
        """A card's path as it is written within the copy."""
        return self.renamed.get(card_path, card_path)

    def path_of(self, number: int, card_path: bytes) -> bytes:
        """Where the copy of an entry lies now, relative to the root."""
        folder = self.lies_in if self.present[number] == _THERE else self.grows_in
        return join(folder, self.path_in_copy(card_path))

    def has_joined(self, number: int) -> bool:
        """Whether an entry lies within the roll, or in what becomes the roll."""
        return self.present[number] == _THERE

    def is_half_done(self, number: int) -> bool:
        """Whether an entry lies in a folder that only this program works in."""
        is_own = self.standing in (Standing.GROWING, Standing.PARTIAL)
        return self.present[number] == _BESIDE or (is_own and self.present[number] == _THERE)

    def note_joined(self, number: int) -> None:
        """An entry has been moved into the roll."""
        self.present[number] = _THERE

    def note_removed(self, number: int) -> None:
        """What lay there for an entry was wrong and is gone."""
        self.present[number] = 0

    @property
    def rolls(self) -> "Sequence[Place]":
        """The rolls that the card has there, each with a record of its own; the newest first."""
        return (self,)

    def is_in(self, number: int, rolls: Collection[int]) -> bool:
        """Whether an entry is in one of these rolls of the card, counted from the oldest, 0."""
        return 0 in rolls and number >= 0

    def written_in(self) -> tuple[bytes, Mapping[bytes, bytes]]:
        """Where what is missing is written: a folder, and the paths in it that differ."""
        return self.grows_in, self.renamed

    def paths(self, entries: Entries) -> Callable[[int], bytes]:
        """Where each entry's copy lies now, relative to the root; good until something is moved."""
        there, elsewhere = self.lies_in + b"/", self.grows_in + b"/"
        path_at, has_joined, renamed = entries.path, self.has_joined, self.renamed

        def path_of(number: int) -> bytes:
            path = path_at(number)
            return (there if has_joined(number) else elsewhere) + renamed.get(path, path)

        return path_of

    def note_written(self, number: int) -> None:
        """An entry is there now and need not be written again, only proven."""
        self.present[number] = _BESIDE if self.standing is Standing.ADDING else _THERE
        self.is_mounted_anew = False


class Answered(Protocol):
    """Carries out a step on one drive, as long as that answers."""

    def __call__(self, drive: HeldDrive, step: Callable[[], T], /) -> T:
        """
        Raises:
            NotAnsweringError: the drive is silent, and takes no more part.
        """
        ...


def without_end(drive: HeldDrive, step: Callable[[], T], /) -> T:  # noqa: ARG001
    """Waits for a drive however long it takes."""
    return step()


class _OtherCardError(Exception):
    """A record on a drive says that this name is another card's."""


def place_all(
    drives: Sequence[HeldDrive],
    base_of: Callable[[HeldDrive], bytes],
    run: Run,
    entries: Entries,
    may_be_tried: Callable[[HeldDrive], bool],
    *,
    first_part: int = 1,
    is_delivery: bool = False,
    gone: frozenset[bytes] = frozenset(),
    answered: Answered = without_end,
) -> tuple[list[Place], dict[str, OffloadError], int]:
    """Find the roll's name and place on every drive. Nothing is left changed.

    Args:
        drives: in the run's order.
        base_of: folder that holds the roll, relative, for each drive.
        run: what this run would write into ``run.json``, with the roll's name by rule.
        entries: of the card.
        may_be_tried: whether names may be tried on a drive.
        first_part: 1 for the roll's own name, 2 for ``ROLL-2`` and so on.
        is_delivery: what comes is a copy, of a roll that may be here already, from another card or
            hand: what is finished and listed alike may be it, and its record has the last word.
        gone: paths that the finished roll holds and the card has no more.
        answered: carries out each look at a drive.

    Returns:
        Places, all with one roll name; why a drive is dropped; the part taken.
    """
    rules: dict[str, NameRules] = {}
    silent: dict[str, OffloadError] = {}

    def rules_of(drive: HeldDrive) -> NameRules:
        if drive.name not in rules:
            is_tried = may_be_tried(drive)
            found = answered(drive, lambda: _rules_of(drive, may_be_tried=is_tried))
            rules[drive.name] = found
        return rules[drive.name]

    for part in range(first_part, _MOST_PARTS + 1):
        roll = os.fsencode(run.roll) + (b"-%d" % part if part > 1 else b"")
        try:
            places, refused = _try_all(
                [drive for drive in drives if drive.name not in silent],
                base_of,
                roll,
                run,
                entries,
                rules_of,
                answered,
                is_delivery=is_delivery,
                gone=gone,
                silent=silent,
            )
        except _OtherCardError:
            continue
        return places, {**refused, **silent}, part
    raise DriveError(
        f"there are {_MOST_PARTS} rolls of other cards under this name already",
        meaning="Nothing was written.",
        remedy="Give this card another roll name:  offload copy --roll NAME",
    )


def rename_roll(place: Place, roll: bytes) -> None:
    """Give an unfinished copy and its records another roll name.

    Raises:
        FileExistsError: one of the names is taken; nothing of it was changed.
        OSError: the drive failed.
    """
    root = place.drive.root
    suffix = place.grows_in[len(place.final) :]
    records = place.records
    rename_exclusive(root, records, join(join(place.base, RECORDS), roll))
    rename_exclusive(root, place.final + suffix, join(place.base, roll) + suffix)
    place.roll = roll
    sync_folder(root, parent(place.records))
    sync_folder(root, place.base)


def _try_all(
    drives: Sequence[HeldDrive],
    base_of: Callable[[HeldDrive], bytes],
    roll: bytes,
    run: Run,
    entries: Entries,
    rules_of: Callable[[HeldDrive], NameRules],
    answered: Answered,
    *,
    is_delivery: bool,
    gone: frozenset[bytes],
    silent: dict[str, OffloadError],
) -> tuple[list[Place], dict[str, OffloadError]]:
    places: list[Place] = []
    refused: dict[str, OffloadError] = {}
    for drive in drives:
        base = b""
        try:
            rules = rules_of(drive)
            base = answered(drive, partial(base_of, drive))
            place = Place(drive, len(places), base, roll, rules, bytearray(len(entries)))
            answered(drive, partial(_look, place, run, entries, is_delivery=is_delivery, gone=gone))
        except NotAnsweringError as error:
            silent[drive.name] = silent_error(drive.wish, str(error))
        except DriveError as error:
            refused[drive.name] = error
        except OSError as error:
            refused[drive.name] = _unreadable(join(drive.root.path, base), error)
        else:
            places.append(place)
    return places, refused


def _rules_of(drive: HeldDrive, *, may_be_tried: bool) -> NameRules:
    """What the kind of the file system says, made stricter by names tried on the drive."""
    kind = kind_of(drive.volume.fs_type)
    is_tried = may_be_tried and not drive.volume.is_read_only
    probed = probe_names(drive.root) if is_tried else None
    return rules_for(kind, probed)


def _look(
    place: Place, run: Run, entries: Entries, *, is_delivery: bool, gone: frozenset[bytes]
) -> None:
    """Find out what there is of the roll on one drive, and how names are written there."""
    root = place.drive.root
    root.forget_folders()
    place.earlier = read_run(root, place.records)
    lies = _lies(place)
    place.standing = _LIES[lies]
    found = _files_below(root, place.grows_in) if lies is not Lies.NOTHING else {}
    before = _names_before(place)
    # No file of the card's is ever called so in a copy: those are histories that go on in it.
    known = {before.on_card(path) for path in found if HISTORY_FOLDER not in path.split(b"/")}
    place.names = mapped_names(entries, place.rules, before, known)
    place.renamed = place.names.renamed(entries)
    record = {path for path in found if _is_of_record(path, place, is_delivery=is_delivery)}
    owner = _owner(place, run, _without(found, record), entries)
    if is_delivery and lies is Lies.DONE and place.earlier is not None:
        is_alike = place.earlier.inventory == run.inventory
        owner = Owner.THIS_CARD if is_alike else Owner.OTHER_CARD
    if owner is Owner.OTHER_CARD or (lies is Lies.NOTHING and _is_record_of_other(place, run)):
        raise _OtherCardError
    if lies is Lies.DONE:
        # An earlier roll keeps what the card has no more; no other roll's files are named so.
        record |= {place.names.on_drive(path) for path in gone}
    place.existing = weigh_existing(entries, place.names, place.rules, found, lies, owner, record)
    if place.existing.use is Use.REFUSE:
        if owner is Owner.THIS_CARD:
            # The card's own earlier material, and some of it is not on the card any more.
            raise _OtherCardError
        raise _unknown(place)
    if place.existing.use is Use.ADD:
        if is_delivery:
            # A sender's further generation and ours would part ways in one history.
            raise _OtherCardError
        place.standing = Standing.ADDING
    if place.existing.present:
        place.present = bytearray(place.existing.present)
    if place.standing is Standing.ADDING and root.exists(place.grows_in):
        _look_beside(place, run, entries)


def nested_scopes(place: Place) -> tuple[bytes, ...]:
    """The folders below a roll's own in which the card has a history, by their paths in the copy.

    In the copy the card's ``ascmhl`` has another name, and its history goes on beside it. None
    where any other name is written otherwise: no history of the card's can go on then.
    """
    changed = [path for path, _ in place.names]
    if any(HISTORY_FOLDER in parent(path).split(b"/") for path in changed):
        return ()
    if any(name(path) != HISTORY_FOLDER for path in changed):
        return ()
    return tuple(parent(path) for path in changed if parent(path))


def _is_of_record(path: bytes, place: Place, *, is_delivery: bool) -> bool:
    """Whether it is of a history or record that lies within the roll, and so no file of it."""
    above = parent(path)
    if is_delivery and name(parent(above)) == RECORDS:
        return True
    return name(above) == HISTORY_FOLDER and (is_delivery or parent(above) in nested_scopes(place))


def _without(found: Mapping[bytes, int], record: set[bytes]) -> Mapping[bytes, int]:
    return {path: size for path, size in found.items() if path not in record} if record else found


def _look_beside(place: Place, run: Run, entries: Entries) -> None:
    """Take in the additions that an interrupted run has left in the folder beside the roll."""
    found = _files_below(place.drive.root, place.grows_in)
    owner = _owner(place, run, found, entries)
    beside = weigh_existing(entries, place.names, place.rules, found, Lies.GROWING, owner)
    if beside.use is Use.REFUSE:
        raise _unknown(place)
    stale = list(beside.stale)
    for number in range(len(entries)):
        if not beside.has(number):
            continue
        if not place.present[number]:
            place.present[number] = _BESIDE
        elif entries.kind(number) is Kind.FILE:
            stale.append(place.path_in_copy(entries.path(number)))
    present = bytes(min(1, state) for state in place.present)
    place.existing = replace(
        place.existing, present=present, stale=tuple(stale), foreign=beside.foreign
    )


def _owner(place: Place, run: Run, found: Mapping[bytes, int], entries: Entries) -> Owner:
    """Whose the material is, by the lease beside it."""
    earlier = place.earlier
    if earlier is None:
        return Owner.UNKNOWN
    if earlier.is_same_card(run):
        return Owner.THIS_CARD
    # The same card with more on it, or with a clip that has grown: nothing that lies there is lost
    # by going on, as long as all of it is on the card and no longer than there.
    if not run.volume_id or earlier.volume_id != run.volume_id:
        return Owner.OTHER_CARD
    sizes = {
        place.path_in_copy(entry.path): entry.size_bytes
        for entry in entries
        if entry.kind.is_copied
    }
    # What has a name of its own is finished: a clip of another length there is another clip.
    is_finished = place.standing is Standing.PARTIAL
    is_within = all(
        size == FOLDER_SIZE
        or size == sizes.get(path)
        or (not is_finished and size <= sizes.get(path, OTHER_SIZE))
        for path, size in found.items()
    )
    return Owner.THIS_CARD if is_within else Owner.OTHER_CARD


def _is_record_of_other(place: Place, run: Run) -> bool:
    """Whether a record lies under the roll's name whose copy does not: nothing of it is ours."""
    root = place.drive.root
    if not root.exists(place.records):
        return False
    names = {each for each in root.names(place.records) if not is_temporary(each)}
    if place.earlier is None:
        return bool(names)
    return names != {RUN_NAME} and not place.earlier.is_same_card(run)


def _lies(place: Place) -> Lies:
    root = place.drive.root
    if root.exists(place.final + INCOMPLETE):
        # A crash between claiming the roll's name and taking it leaves an empty folder of ours;
        # one with anything in it is refused by the system.
        with contextlib.suppress(OSError):
            root.remove_folder(place.final)
    for lies, suffix in ((Lies.DONE, b""), (Lies.PARTIAL, PARTIAL), (Lies.GROWING, INCOMPLETE)):
        if root.exists(place.final + suffix):
            return lies
    return Lies.NOTHING


def _names_before(place: Place) -> NameMap:
    """The names that a copy there already uses."""
    try:
        content = place.drive.root.read_small(join(place.records, NAMES_NAME), LARGEST_BYTES)
        return NameMap.from_json(content)
    except (FileNotFoundError, NotADirectoryError, RecordError):
        # A list that cannot be trusted names nothing: the copy is then proven or copied anew.
        return NameMap()


def _files_below(root: Root, top: bytes) -> dict[bytes, int]:
    """The listing that :func:`weigh_existing` takes."""
    found: dict[bytes, int] = {}
    folders = [b""]
    while folders:
        folder = folders.pop()
        for entry, facts in root.scan(join(top, folder)):
            path = join(folder, entry)
            if path == HISTORY_FOLDER:
                continue
            if isinstance(facts, OSError):
                raise facts
            if stat.S_ISDIR(facts.st_mode):
                found[path] = FOLDER_SIZE
                folders.append(path)
            else:
                found[path] = facts.st_size if stat.S_ISREG(facts.st_mode) else OTHER_SIZE
    return found


def _unknown(place: Place) -> DriveError:
    return DriveError(
        "there is other material under the roll's name, and no record says whose",
        path=join(place.drive.root.path, place.grows_in),
        meaning=f"Nothing on {place.name} is ever overwritten, so nothing was written there; the "
        "other drives go on.",
        remedy="Move that folder away or give another name:  offload copy --roll NAME",
    )


def _unreadable(folder: bytes, error: OSError) -> DriveError:
    what = f"what is on the drive cannot be listed: {reason(error)}"
    if isinstance(error, NotADirectoryError):
        what = "a link or a file is in the way where the roll's folder or its records belong"
    return DriveError(
        what,
        path=folder,
        meaning="Nothing was written there; the other drives go on.",
        remedy="Check the drive's cable and file system, then the same command.",
    )
