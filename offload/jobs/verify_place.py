"""The folder that is to be verified: held, and listed, with the record that lies beside it.

A roll's signatures lie in ``records/ROLL`` beside the roll and not in it. So when a roll's own
folder is named, the folder that holds both is opened, and nothing but these two is looked at.
"""

import os
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace

from offload.card.inventory import IsInnerMount, take_inventory
from offload.errors import CardError, DriveError, UsageError, reason
from offload.jobs.lease import RUN_NAME
from offload.jobs.opening import MARKER, medium_of
from offload.jobs.placing import ASIDE as NOT_ON_CARD
from offload.jobs.placing import INCOMPLETE, PARTIAL, RECORDS
from offload.jobs.surroundings import Surroundings
from offload.jobs.verify_folder import SeenFolder
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.storage.durable import is_temporary
from offload.storage.evidence import Medium
from offload.storage.root import Root
from offload.values.entries import Entries, Entry, Kind
from offload.values.findings import Finding
from offload.values.inventory import Inventory
from offload.values.paths import join, name, parent, to_text
from offload.volumes.mount_ids import table_id_of
from offload.volumes.physical import Physical
from offload.volumes.volume import Volume

ASIDE = b".damaged"
"""Behind a roll's name: beside the roll, damaged files that were replaced from another copy."""

_FOUND_FILES = b"lost+found"
"""Where file systems put what they find after a crash; closed to all but the administrator."""

_SUFFIXES = (INCOMPLETE, PARTIAL)


@dataclass(frozen=True, slots=True)
class HeldPlace:
    """A folder for the length of a run.

    Attributes:
        given: as named, absolute.
        root: held: the folder, or the one that holds it and its record.
        tops: what below the root is looked at; ``b""`` for all.
        volume, physical: what it lies on.
    """

    given: bytes
    root: Root
    tops: tuple[bytes, ...]
    volume: Volume
    physical: Physical

    @property
    def medium(self) -> Medium:
        """How its readings can be shown to come from the device."""
        return medium_of(self.volume, self.physical)

    @property
    def shown(self) -> str:
        """The folder as it was named."""
        return to_text(self.given)

    @property
    def top(self) -> bytes:
        """Path of the named folder below the root."""
        return self.tops[0]


@dataclass(frozen=True, slots=True)
class Listing:
    """Everything below a place.

    Attributes:
        entries: of all kinds, what computers leave behind too: somebody may have recorded it.
        left_out: of these, what no copy has to hold (design, decision 8).
        faults: what could not be looked into (``folder-unreadable``, ``inner-mount``).
        half_done: folders of unfinished copies (``incomplete``, ``partial``) and of files kept
            aside (``kept-aside``), outermost ones.
    """

    entries: Entries
    left_out: frozenset[bytes]
    faults: tuple[Finding, ...] = ()
    half_done: tuple[Finding, ...] = ()
    _rolls: Mapping[bytes, bytes] = field(default_factory=dict)

    @property
    def closed(self) -> frozenset[bytes]:
        """Other file systems mounted inside, which nobody enters."""
        return frozenset(each.path for each in self.faults if each.code == "inner-mount")

    @property
    def records_folders(self) -> Mapping[bytes, bytes]:
        """Every ``records/ROLL`` beside a roll: its path, and the path of the roll."""
        return self._rolls

    def of_roll(self, records: bytes) -> "Listing":
        """The same, in which only this ``records/ROLL`` has a roll beside it."""
        return replace(self, _rolls={records: self._rolls[records]})

    def number(self, path: bytes) -> int | None:
        """The number of a path's entry; nothing where it is not there."""
        try:
            return self.entries.index(path)
        except ValueError:
            return None

    def has(self, path: bytes) -> bool:
        """Whether an entry has this path."""
        return self.number(path) is not None

    def below(self, folder: bytes) -> range:
        """Numbers of the entries below a folder."""
        if not folder:
            return range(len(self.entries))
        # "0" is the byte behind "/", so these two enclose all that is below.
        return range(self._first_from(folder + b"/"), self._first_from(folder + b"0"))

    def half_done_above(self, path: bytes, code: str) -> bool:
        """Whether a path lies in a folder that was found half-done in this way."""
        return any(
            path.startswith(found.path + b"/") for found in self.half_done if found.code == code
        )

    def _first_from(self, path: bytes) -> int:
        low, high = 0, len(self.entries)
        while low < high:
            middle = (low + high) // 2
            if self.entries.path(middle) < path:
                low = middle + 1
            else:
                high = middle
        return low


def open_place(path: bytes, surroundings: Surroundings, *, needs_beside: bool = False) -> HeldPlace:
    """Hold a folder and what belongs to it.

    Args:
        path: of the folder.
        surroundings: the machine.
        needs_beside: a record is to be begun, so the folder that is to hold it is opened as well,
            though nothing says yet that this is a roll.

    Raises:
        DriveError: it is not there, or cannot be opened.
        UsageError: it is the record of a roll and not the roll.
    """
    given = os.path.abspath(path)
    # A link that the user named is the user's own; what it leads to is what is mounted.
    real = os.path.realpath(given)
    _refuse_record(real)
    with ExitStack() as stack:
        root = stack.enter_context(_opened(real))
        tops: tuple[bytes, ...] = (b"",)
        wider = _with_record(real, root, is_roll=needs_beside)
        if wider is not None:
            root, tops = stack.enter_context(wider[0]), wider[1]
        volume = surroundings.volume_of(root.fd)
        return HeldPlace(given, root.again(), tops, volume, surroundings.physical(volume))


def list_place(place: HeldPlace, surroundings: Surroundings) -> Listing:
    """List everything below a place, other file systems inside it aside.

    Raises:
        DriveError: its top level cannot be listed.
    """
    entries: list[Entry] = []
    left_out: set[bytes] = set()
    for top in place.tops:
        inventory = _walked(place, top, surroundings)
        for entry in inventory.entries:
            entries.append(_moved(entry, top))
        for entry in inventory.left_out:
            if entry.kind is not Kind.FOLDER:
                moved = _moved(entry, top)
                entries.append(moved)
                left_out.add(moved.path)
    made = Entries(_each_once(entries))
    return listing_of(place.root, made, frozenset(left_out))


def listing_of(root: Root, entries: Entries, left_out: frozenset[bytes] = frozenset()) -> Listing:
    """A listing from entries that are at hand already."""
    return Listing(
        entries, left_out, tuple(_faults(entries)), _half_done(entries), _rolls(root, entries)
    )


def folder_of(place: HeldPlace, listing: Listing) -> SeenFolder:
    """The place as the record sees it."""
    return SeenFolder(place.root, place.tops, listing.closed)


def is_unfinished(path: bytes) -> bool:
    """Whether this is what a killed run left of a file that it was writing."""
    return is_temporary(name(path))


def is_marker(path: bytes) -> bool:
    """Whether this is the file by which a drive is known again."""
    return name(path) == MARKER


def roll_of(folder: bytes) -> bytes:
    """A roll's name from its folder's, which may say that it is not finished."""
    for suffix in _SUFFIXES:
        if folder.endswith(suffix) and folder != suffix:
            return folder.removesuffix(suffix)
    return folder


def _opened(path: bytes) -> Root:
    try:
        return Root(path)
    except OSError as error:
        raise DriveError(
            f"the folder cannot be opened: {reason(error)}",
            path=path,
            meaning="Nothing was read, so nothing is known of what lies there.",
            remedy="Plug the drive in, wait until it is mounted, then the same command.",
        ) from error


def _refuse_record(given: bytes) -> None:
    """What is written down about rolls is not the rolls: answer with the right command."""
    if name(parent(given)) == RECORDS:
        roll = join(parent(parent(given)), name(given))
        is_record = os.path.isdir(roll) and not os.path.isdir(join(given, HISTORY_FOLDER))
    else:
        roll = parent(given)
        is_record = name(given) == RECORDS and _has_run(given)
    if is_record:
        raise UsageError(
            "this is what is written down about rolls, and not the rolls",
            path=given,
            meaning="Nothing was read.",
            remedy=f"offload verify {to_text(roll)}",
        )


def _has_run(records: bytes) -> bool:
    try:
        folders = os.listdir(records)
    except OSError:
        return False
    return any(os.path.exists(join(join(records, each), RUN_NAME)) for each in folders)


def _with_record(
    given: bytes, root: Root, *, is_roll: bool
) -> tuple[Root, tuple[bytes, ...]] | None:
    """The folder that holds a roll and its record, when the roll itself was named."""
    roll = name(given)
    if not roll:
        return None
    try:
        above = Root(parent(given) or b"/")
    except OSError:
        # It may be entered and not listed; then the roll is looked at alone.
        return None
    record = join(RECORDS, roll_of(roll))
    try:
        is_roll = is_roll or root.exists(HISTORY_FOLDER) or above.exists(record)
        is_same = above.device == root.device and table_id_of(above.fd) == table_id_of(root.fd)
        has_record = above.exists(record)
    except OSError:
        is_roll = is_same = has_record = False
    if not (is_roll and is_same):
        above.close()
        return None
    return above, ((roll, record) if has_record else (roll,))


def _walked(place: HeldPlace, top: bytes, surroundings: Surroundings) -> Inventory:
    path = join(place.root.path, top)
    with _opened(path) as root:
        facts, expected = os.fstat(root.fd), place.root.facts(top)
        if (facts.st_dev, facts.st_ino) != (expected.st_dev, expected.st_ino):
            raise DriveError("the folder was exchanged for another one", path=path)
        try:
            return take_inventory(root, _inner_mounts(path, root, surroundings)).inventory
        except CardError as error:
            raise DriveError(
                "the folder cannot be listed",
                path=path,
                meaning="Nothing is known of what lies there.",
                remedy="Check that this user may read it, and the drive's cable.",
            ) from error


def _inner_mounts(path: bytes, root: Root, surroundings: Surroundings) -> IsInnerMount:
    """Tells other file systems that are mounted below a folder."""
    inside = {
        volume.mount_point
        for volume in surroundings.volumes()
        if volume.mount_point.startswith(path.rstrip(b"/") + b"/")
    }
    mounting = table_id_of(root.fd)

    def is_inner_mount(folder: bytes, fd: int) -> bool:
        # A subvolume has a device number of its own and is the same mounting all the same.
        return join(path, folder) in inside or (
            os.fstat(fd).st_dev != root.device and table_id_of(fd) != mounting
        )

    return is_inner_mount


def _moved(entry: Entry, top: bytes) -> Entry:
    if not top:
        return entry
    path = join(top, entry.path)
    return Entry(path, entry.kind, entry.size_bytes, entry.mtime_ns, entry.note)


def _each_once(entries: list[Entry]) -> list[Entry]:
    # A damaged folder may give a name twice; the second could never be told from the first.
    return list({entry.path: entry for entry in entries}.values())


def _faults(entries: Entries) -> list[Finding]:
    found = []
    for number, kind in enumerate(entries.kinds):
        if kind == ord(Kind.UNREADABLE.value):
            entry = entries[number]
            if name(entry.path) == _FOUND_FILES:
                continue
            what = f"cannot be looked into: {entry.note}"
            found.append(Finding("folder-unreadable", what, entry.path))
        elif kind == ord(Kind.MOUNT.value):
            what = "is another file system mounted there, and was not looked into"
            found.append(Finding("inner-mount", what, entries.path(number)))
    return found


_HALF_DONE = (
    (INCOMPLETE, "incomplete", "is a copy that was never finished: nothing in it counts"),
    (PARTIAL, "partial", "is a copy without what could not be read from the card"),
    (NOT_ON_CARD, "kept-aside", "holds what was in the unfinished copy and is not on the card"),
    (ASIDE, "kept-aside", "holds damaged files that were replaced; nothing in it counts"),
)


def _half_done(entries: Entries) -> tuple[Finding, ...]:
    found: dict[bytes, Finding] = {}
    for number in range(len(entries)):
        path = entries.path(number)
        for suffix, code, text in _HALF_DONE:
            if suffix not in path:
                continue
            folder = _part_ending_in(path, suffix, entries.kind(number) is Kind.FOLDER)
            if folder and folder not in found:
                found[folder] = Finding(code, text, folder)
    return tuple(found[path] for path in sorted(found))


def _part_ending_in(path: bytes, suffix: bytes, is_folder: bool) -> bytes:
    """The outermost folder on a path whose name ends in a suffix."""
    parts = path.split(b"/")
    for at, part in enumerate(parts if is_folder else parts[:-1], 1):
        if part.endswith(suffix) and part != suffix:
            return b"/".join(parts[:at])
    return b""


def _rolls(root: Root, entries: Entries) -> dict[bytes, bytes]:
    """Folders ``records/ROLL`` with a roll beside them, by the paths of what lies in them."""
    found: dict[bytes, bytes] = {}
    for number in range(len(entries)):
        folder = parent(entries.path(number))
        if name(parent(folder)) != RECORDS or folder in found:
            continue
        beside = join(parent(parent(folder)), name(folder))
        for suffix in (b"", PARTIAL, INCOMPLETE):
            if _is_folder(root, beside + suffix):
                found[folder] = beside + suffix
                break
    return found


def _is_folder(root: Root, path: bytes) -> bool:
    try:
        root.folder(path)
    except OSError:
        return False
    return True
