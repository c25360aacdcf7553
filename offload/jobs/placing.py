"""Where a roll's copy lies on each drive, and what is there already.

Rules:

* A copy grows in ``ROLL.incomplete`` beside ``records/ROLL``, whose ``run.json`` must be of the
  same card before anything is touched; it takes the name ``ROLL`` when all of it is proven, or
  ``ROLL.partial`` when something could not be read.
* Under the roll's name something of the same listing is proven in place and never written to.
* Material that a record says is another card's makes this card a further part: ``A001-2``, on
  every drive alike. Material that nobody knows drops the drive.
* Whatever is found there only saves copying; it is read again in this run before it counts.
"""

import os
import stat
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum

from offload.errors import DriveError, OffloadError, reason
from offload.jobs.lease import Lock, Run, read_run
from offload.jobs.opening import HeldDrive
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.storage.evidence import Medium
from offload.storage.root import Root
from offload.values.entries import Entries, Kind
from offload.values.paths import join, parent

RECORDS = b"records"
INCOMPLETE = b".incomplete"
PARTIAL = b".partial"
_MOST_PARTS = 99

# Put there by desktop systems at any moment; never part of a copy (design, decision 8).
_DESKTOP = frozenset({b".DS_Store"})


class Standing(Enum):
    """What there is of the roll on a drive."""

    FREE = "free"
    GROWING = "growing"
    PARTIAL = "partial"
    DONE = "done"
    """Under its own name, listed like the card."""


@dataclass(slots=True)
class Place:
    """One drive's part in a run.

    Attributes:
        drive: held.
        bit: its number in the run.
        base: the folder that holds the roll, relative to the drive's root.
        roll: the roll's folder name.
        standing: see there.
        renamed: card path -> path in the copy, only where they differ.
        present: a byte for each entry, 1 where a file of the right size (or the folder) is there.
        stale: files of our own unfinished copy to remove before copying, relative to the root.
        is_mounted_anew: mounted since anything was written there, and not read since.
        earlier: the lease found there; nothing on a free place or under a hand-made copy.
        lock: held while the run works; nothing before.
    """

    drive: HeldDrive
    bit: int
    base: bytes
    roll: bytes
    standing: Standing
    present: bytearray
    renamed: Mapping[bytes, bytes] = field(default_factory=dict)
    stale: list[bytes] = field(default_factory=list)
    is_mounted_anew: bool = False
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
        """The roll's folder now."""
        if self.standing is Standing.DONE:
            return self.final
        return self.final + (PARTIAL if self.standing is Standing.PARTIAL else INCOMPLETE)

    @property
    def records(self) -> bytes:
        """The folder for what is written down, beside the roll."""
        return join(join(self.base, RECORDS), self.roll)

    @property
    def absolute(self) -> bytes:
        """The roll's folder now, as a path on this machine."""
        return join(self.drive.root.path, self.grows_in)

    def path_of(self, card_path: bytes) -> bytes:
        """Where the copy of a card's path lies now, relative to the root."""
        return join(self.grows_in, self.renamed.get(card_path, card_path))


class _OtherCardError(Exception):
    """A record on a drive says that this name is another card's."""


def place_all(
    drives: Sequence[HeldDrive],
    base_of: Callable[[HeldDrive], bytes],
    run: Run,
    entries: Entries,
    renamed: Mapping[str, Mapping[bytes, bytes]],
) -> tuple[list[Place], dict[str, OffloadError]]:
    """Find the roll's name and place on every drive.

    Args:
        drives: in the run's order.
        base_of: folder that holds the roll, relative, for each drive.
        run: what this run would write into ``run.json``, with the roll's name by rule.
        entries: of the card.
        renamed: by drive name.

    Returns:
        Places, all with one roll name; and why a drive is dropped.
    """
    for part in range(1, _MOST_PARTS + 1):
        roll = os.fsencode(run.roll) + (b"-%d" % part if part > 1 else b"")
        try:
            return _try_all(drives, base_of, roll, run, entries, renamed)
        except _OtherCardError:
            continue
    raise DriveError(
        f"there are {_MOST_PARTS} rolls of other cards under this name already",
        meaning="Nothing was written.",
        remedy="Give this card another roll name:  offload copy --roll NAME",
    )


def _try_all(
    drives: Sequence[HeldDrive],
    base_of: Callable[[HeldDrive], bytes],
    roll: bytes,
    run: Run,
    entries: Entries,
    renamed: Mapping[str, Mapping[bytes, bytes]],
) -> tuple[list[Place], dict[str, OffloadError]]:
    places: list[Place] = []
    refused: dict[str, OffloadError] = {}
    for drive in drives:
        place = Place(
            drive,
            len(places),
            base_of(drive),
            roll,
            Standing.FREE,
            bytearray(len(entries)),
            renamed.get(drive.name, {}),
        )
        try:
            _look(place, run, entries)
        except DriveError as error:
            refused[drive.name] = error
        except OSError as error:
            refused[drive.name] = _unreadable(place, error)
        else:
            places.append(place)
    return places, refused


def _look(place: Place, run: Run, entries: Entries) -> None:
    """Find out what there is of the roll on one drive."""
    root = place.drive.root
    root.forget_folders()
    place.earlier = read_run(root, place.records)
    standing = _standing(place)
    if standing is Standing.FREE:
        if place.earlier is not None and not place.earlier.is_same_card(run):
            raise _OtherCardError
        return
    if place.earlier is None and standing is not Standing.DONE:
        raise _unknown(place, place.grows_in)
    found = _files_below(root, place.grows_in)
    if not _is_ours(place, run, found, entries):
        if place.earlier is None:
            raise _unknown(place, place.final)
        raise _OtherCardError
    _mark_present(place, found, entries)


def _is_ours(place: Place, run: Run, found: Mapping[bytes, int], entries: Entries) -> bool:
    """Whether what lies there is, or can become, this card's copy."""
    wanted = _wanted(place, entries)
    if place.standing is Standing.DONE:
        is_known = place.earlier is None or place.earlier.is_same_card(run)
        return is_known and _is_listed_alike(found, wanted)
    earlier = place.earlier
    if earlier is None:
        return False
    if earlier.is_same_card(run):
        return True
    # The same card with a clip that has grown since: nothing that lies there is lost by going on.
    is_same_volume = bool(run.volume_id) and earlier.volume_id == run.volume_id
    return (
        is_same_volume
        and not (earlier.code and run.code)
        and all(size <= wanted.get(path, -2) for path, size in found.items())
    )


def _standing(place: Place) -> Standing:
    root = place.drive.root
    for standing in (Standing.DONE, Standing.PARTIAL, Standing.GROWING):
        place.standing = standing
        if root.exists(place.grows_in):
            return standing
    place.standing = Standing.FREE
    return Standing.FREE


def _files_below(root: Root, top: bytes) -> dict[bytes, int]:
    """Sizes of the files below the copy's folder, -1 for folders, by relative path."""
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
                found[path] = -1
                folders.append(path)
            else:
                found[path] = facts.st_size if stat.S_ISREG(facts.st_mode) else -2
    return found


def _wanted(place: Place, entries: Entries) -> dict[bytes, int]:
    """Sizes of all that the copy is to hold, -1 for folders, by relative path."""
    wanted: dict[bytes, int] = {}
    for entry in entries:
        if entry.kind.is_copied:
            path = place.renamed.get(entry.path, entry.path)
            wanted[path] = -1 if entry.kind is Kind.FOLDER else entry.size_bytes
            while path := parent(path):
                wanted.setdefault(path, -1)
    return wanted


def _is_listed_alike(found: Mapping[bytes, int], wanted: Mapping[bytes, int]) -> bool:
    rest = {
        path
        for path, size in found.items()
        if path.rpartition(b"/")[2] not in _DESKTOP and wanted.get(path) != size
    }
    return not rest and wanted.keys() <= found.keys()


def _mark_present(place: Place, found: dict[bytes, int], entries: Entries) -> None:
    known = dict(found)
    for number, entry in enumerate(entries):
        if not entry.kind.is_copied:
            continue
        path = place.renamed.get(entry.path, entry.path)
        size = known.pop(path, None)
        wanted = -1 if entry.kind is Kind.FOLDER else entry.size_bytes
        if size == wanted:
            place.present[number] = 1
        elif size is not None and place.standing is not Standing.DONE:
            place.stale.append(join(place.grows_in, path))


def _unknown(place: Place, path: bytes) -> DriveError:
    return DriveError(
        "there is other material under the roll's name, and no record says whose",
        path=join(place.drive.root.path, path),
        meaning=f"Nothing on {place.name} is ever overwritten, so nothing was written there; the "
        "other drives go on.",
        remedy="Move that folder away or give another name:  offload copy --roll NAME",
    )


def _unreadable(place: Place, error: OSError) -> DriveError:
    return DriveError(
        f"what is on the drive cannot be listed: {reason(error)}",
        path=join(place.drive.root.path, place.base),
        meaning="Nothing was written there; the other drives go on.",
        remedy="Check the drive's cable and file system, then the same command.",
    )
