"""Opening card and drives: one held descriptor each, and what the system says about them."""

import errno
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from offload.card.inventory import Walk, take_inventory
from offload.card.layout import LayoutRule, recognise
from offload.errors import CardError, DriveError, OffloadError, reason
from offload.jobs.surroundings import Surroundings
from offload.jobs.wishes import DriveWish
from offload.storage.durable import remove_temporary_of, write_new
from offload.storage.evidence import Medium
from offload.storage.root import Root
from offload.values.entries import Entry, Kind
from offload.values.paths import join, to_text
from offload.volumes.bounded import CALLS, NotAnsweringError
from offload.volumes.mount_ids import is_same_mounting
from offload.volumes.physical import Physical
from offload.volumes.volume import Volume

MARKER = b".offload-drive"
"""A file with a random number in the folder given: tells the drive from an empty folder."""

_MARKER_LIMIT = 4096
_NAME_LIMIT = 255


class DriveAwayError(DriveError):
    """The drive is not there, or its folder cannot be opened; by person, cable or drive."""

    code = "drive-away"


@dataclass(frozen=True, slots=True)
class HeldCard:
    """The card for the length of a run.

    Attributes:
        path: as given, absolute.
        root: held descriptor.
        volume: at the opening.
        physical: what it lies on.
        mounting: key of this mounting.
        is_folder: a folder on a larger volume stands for the card.
        is_folder_on_drive: and that volume is no card itself, so that no camera will format it.
    """

    path: bytes
    root: Root
    volume: Volume
    physical: Physical
    mounting: str
    is_folder: bool
    is_folder_on_drive: bool

    @property
    def medium(self) -> Medium:
        """How its readings can be shown to come from the device."""
        return medium_of(self.volume, self.physical)

    def is_mounted_as(self, before: str) -> bool:
        """Whether this is still that mounting; where ids are given again, nothing shows it."""
        return self.volume.is_mount_id_unique and self.mounting == before


@dataclass(frozen=True, slots=True)
class HeldDrive:
    """One drive for the length of a run.

    Attributes:
        wish: as asked for.
        root: held descriptor of the folder given.
        volume, physical, mounting: as for a card.
        marker: the number in its marker file; empty on a read-only drive without one.
    """

    wish: DriveWish
    root: Root
    volume: Volume
    physical: Physical
    mounting: str
    marker: str = ""

    @property
    def name(self) -> str:
        """As settings or command call it."""
        return self.wish.name

    @property
    def medium(self) -> Medium:
        """How its readings can be shown to come from the device."""
        return medium_of(self.volume, self.physical)

    def is_mounted_as(self, before: str) -> bool:
        """Whether this is still that mounting; where ids are given again, nothing shows it."""
        return self.volume.is_mount_id_unique and self.mounting == before


@dataclass(slots=True)
class OpenedDrives:
    """The drives that could be opened, and why the others could not."""

    held: list[HeldDrive] = field(default_factory=list)
    refused: dict[str, OffloadError] = field(default_factory=dict)

    def close(self) -> None:
        """Let go of all of them."""
        for drive in self.held:
            drive.root.close()


def medium_of(volume: Volume, physical: Physical) -> Medium:
    """What the evidence of a reading needs to know of a volume."""
    is_user_space = volume.fs_type.startswith("fuse")
    return Medium(
        block_devices=physical.counters,
        device_nodes=tuple(node for node in physical.nodes if node) if is_user_space else (),
        is_server=physical.is_network,
        is_ram=physical.is_ram,
    )


def open_card(
    path: bytes, surroundings: Surroundings, layouts: Sequence[LayoutRule] | None = None
) -> HeldCard:
    """Open the card read-only and ask what it is.

    Raises:
        CardError: it is not there, or cannot be opened.
    """
    path = os.path.abspath(path)
    try:
        root = Root(path, keep_times=True)
    except OSError as error:
        raise CardError(
            f"the card cannot be opened: {reason(error)}",
            path=path,
            meaning="Nothing was read and nothing was copied.",
            remedy="Put the card in again, wait until it is mounted, then the same command.",
        ) from error
    try:
        return _held_card(path, root, surroundings, layouts)
    except (OSError, OffloadError):
        root.close()
        raise


def _held_card(
    path: bytes, root: Root, surroundings: Surroundings, layouts: Sequence[LayoutRule] | None
) -> HeldCard:
    volume = surroundings.volume_of(root.fd)
    is_folder = os.path.realpath(path) != volume.mount_point
    return HeldCard(
        path,
        root,
        volume,
        surroundings.physical(volume),
        surroundings.mounting_key(volume),
        is_folder,
        is_folder and not has_card_layout(volume.mount_point, layouts),
    )


def has_card_layout(mount_point: bytes, layouts: Sequence[LayoutRule] | None) -> bool:
    """Whether a card's folders lie at a volume's top; looked at two levels deep.

    A top that cannot be listed might be a card's: then the answer is yes, the careful one.
    """
    try:
        with Root(mount_point) as root:
            return recognise(_two_levels(root), layouts) is not None
    except OSError:
        return True


def _two_levels(root: Root) -> list[Entry]:
    found: list[Entry] = []
    for top in root.names(b""):
        try:
            below = root.names(top)
        except OSError:
            # A file, or a folder of somebody else's: no card's folder in either case.
            continue
        found += [Entry(join(top, each), Kind.FOLDER) for each in below]
        found.append(Entry(top, Kind.FOLDER))
    return found


def list_card(card: HeldCard, surroundings: Surroundings) -> Walk:
    """One walk of the card, not crossing into anything mounted inside.

    Raises:
        CardError: its top level cannot be listed.
    """
    top = os.path.realpath(card.path) + b"/"
    inside = {
        volume.mount_point[len(top) :]
        for volume in surroundings.volumes()
        if volume.mount_point.startswith(top)
    }

    def is_inner_mount(path: bytes, fd: int) -> bool:
        return path in inside or not is_same_mounting(fd, card.root.fd)

    return take_inventory(card.root, is_inner_mount)


def is_still_mounted(card: HeldCard, surroundings: Surroundings) -> bool:
    """Whether the card's mounting is the one of the opening, there and answering."""
    try:
        volume = surroundings.volume_of(card.root.fd)
        os.fstat(card.root.fd)
        os.listdir(card.root.fd)
    except (OffloadError, OSError):
        return False
    return surroundings.mounting_key(volume) == card.mounting


def open_drive(wish: DriveWish, surroundings: Surroundings) -> HeldDrive:
    """Open one drive's folder, and see that it is the drive it was at its first use.

    Raises:
        DriveError: it is away, does not answer in time, cannot be opened, or is another one.
    """
    if not wish.path:
        raise _away(wish, "it is not plugged in")
    path, limit_s = os.path.abspath(wish.path), surroundings.drive_answer_s
    try:
        # A share whose server is gone lets a call wait for ever: the run and the others do not.
        return CALLS.call(
            ("open drive", path), lambda: _opened(wish, path, surroundings), limit_s, _let_go
        )
    except NotAnsweringError as error:
        raise silent_error(wish, str(error)) from error
    except OSError as error:
        raise _away(wish, reason(error)) from error


def _opened(wish: DriveWish, path: bytes, surroundings: Surroundings) -> HeldDrive:
    root = Root(path)
    try:
        volume = surroundings.volume_of(root.fd)
        held = HeldDrive(
            wish,
            root,
            volume,
            surroundings.physical(volume),
            surroundings.mounting_key(volume),
        )
        return replace(held, marker=_checked_marker(held))
    except (OSError, OffloadError):
        root.close()
        raise


def _let_go(drive: HeldDrive) -> None:
    drive.root.close()


def write_marker(drive: HeldDrive, surroundings: Surroundings) -> HeldDrive:
    """Give a drive its marker at first use; none on one that cannot be written.

    Called in turn (:mod:`offload.jobs.taking_turns`), so that a drive never gets two.

    Raises:
        OSError: the drive refuses.
    """
    if drive.marker or drive.volume.is_read_only:
        return drive
    # Another run may have given it one since this run opened the drive.
    return replace(drive, marker=read_marker(drive.root) or _new_marker(drive, surroundings))


def _new_marker(drive: HeldDrive, surroundings: Surroundings) -> str:
    marker = surroundings.random_number()
    content = json.dumps({"drive": marker, "name": drive.name}) + "\n"
    remove_temporary_of(drive.root, MARKER)
    # A file of this name that holds no number is one that a failing drive left half written.
    write_new(drive.root, MARKER, content.encode("utf-8", "surrogateescape"), replaces_own=True)
    if read_marker(drive.root) != marker:
        raise OSError(errno.EIO, "the marker file does not read back the same")
    return marker


def read_marker(root: Root) -> str:
    """The number in a drive's marker file; empty where there is none that can be read."""
    marker = _marker_part(root, "drive")
    return marker if len(marker) <= 64 else ""


def marked_name(root: Root) -> str:
    """What a drive was called at its first use, by its marker file; raw, and empty likewise."""
    name = _marker_part(root, "name")
    return name if len(name) <= _NAME_LIMIT else ""


def _marker_part(root: Root, key: str) -> str:
    try:
        found = json.loads(root.read_small(MARKER, _MARKER_LIMIT))
    except (OSError, ValueError, RecursionError):
        return ""
    part = found.get(key) if isinstance(found, dict) else None
    return part if isinstance(part, str) else ""


def is_drive_there(drive: HeldDrive, surroundings: Surroundings) -> bool:
    """Whether the drive is still reached under its path, by mounting and by marker."""
    path, limit_s = os.path.abspath(drive.wish.path), surroundings.drive_answer_s
    try:
        return CALLS.call(
            ("look at drive", path), lambda: _is_same(drive, path, surroundings), limit_s
        )
    except (OffloadError, OSError):
        return False


def _is_same(drive: HeldDrive, path: bytes, surroundings: Surroundings) -> bool:
    with Root(path) as now:
        volume = surroundings.volume_of(now.fd)
        is_same = surroundings.mounting_key(volume) == drive.mounting
        return is_same and (not drive.marker or read_marker(now) == drive.marker)


def _checked_marker(drive: HeldDrive) -> str:
    wish = drive.wish
    if wish.volume_id and drive.volume.volume_id and wish.volume_id != drive.volume.volume_id:
        raise _other(wish, "another file system is mounted there")
    marker = read_marker(drive.root)
    if wish.marker and marker != wish.marker:
        raise _other(wish, "the marker file that was put there at first use is not there")
    return marker


def _away(wish: DriveWish, why: str) -> DriveError:
    return DriveAwayError(
        f"the drive {to_text(wish.name.encode('utf-8', 'surrogateescape'))} is not there: {why}",
        path=wish.path,
        meaning="Nothing was written to it; the other drives go on.",
        remedy="Plug it in, then the same command: only what is missing is copied.",
    )


def silent_error(wish: DriveWish, why: str) -> DriveError:
    """A drive that answers no call; nothing of the card has been written to it in this run."""
    name = to_text(wish.name.encode("utf-8", "surrogateescape"))
    return DriveAwayError(
        f"the drive {name} does not answer: {why}",
        path=wish.path,
        meaning="Nothing was written to it; the other drives go on.",
        remedy="Look at its cable, or at its server and the network, then the same command: "
        "only what is missing is copied.",
    )


def _other(wish: DriveWish, why: str) -> DriveError:
    return DriveAwayError(
        f"this is not the drive {to_text(wish.name.encode('utf-8', 'surrogateescape'))}: {why}",
        path=wish.path,
        meaning="Nothing was written there; the other drives go on.",
        remedy="Plug in the right drive, or take this one into use: offload drive add",
    )
