"""Whether card and drives are apart from each other, and which of the drives will count.

Stops the run: card and drive inside each other, a card that is worked on already, no drive left.
Drops a drive: the same folder twice. Said now and held later: whatever clearance will not count.
The rules of what counts are clearance's; here they are foretold, and a test holds both together.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations

from offload.transfer.preflight.identity import OTHER_DRIVE, below
from offload.transfer.preflight.problems import Problem, drop, held_later, stop
from offload.transfer.preflight.proposal import Proposal, ProposedCard, ProposedDrive
from offload.values.facts import Policy
from offload.values.paths import join, shown, to_text

_DISK = "disk:"
_LET_SAME = ", or declare that this may count:  offload copy --same-drive-ok"


def about_card(proposal: Proposal) -> Iterator[Problem]:
    """What stops the run whatever the drives are."""
    card = proposal.card
    if card.other_run:
        yield stop(
            "card-busy",
            f"Another run is working on this {card.called}: {shown(card.other_run)}.",
            "Wait until it has ended, then the same command.",
        )


def about_place(card: ProposedCard, drive: ProposedDrive) -> Iterator[Problem]:
    """Whether card and drive lie inside each other."""
    if drive.refusal:
        return
    if _is_on_cards_file_system(card, drive):
        yield stop(
            "drive-inside-card",
            f"{shown(drive.name)} is a folder on the card itself ({to_text(drive.path)}), and "
            "nothing is ever written to a card.",
            OTHER_DRIVE,
            drive=drive.name,
        )
    elif _is_in_the_way(card, drive):
        yield stop(
            "card-inside-drive",
            f"The {card.called} lies inside the folder of {shown(drive.name)} "
            f"({to_text(drive.path)}), and the copy would grow beside what it is copied from.",
            f"Name a folder that the {card.called} does not lie in:  {_with(card, '--to FOLDER')}",
            drive=drive.name,
        )


def about_counting(card: ProposedCard, drive: ProposedDrive, policy: Policy) -> Iterator[Problem]:
    """Why nothing on this drive will count."""
    called = shown(drive.name)
    is_shared = bool(card.devices & drive.devices)
    if is_shared and card.is_whole_volume:
        yield held_later(
            "drive-on-card",
            f"{called} is on the same device as the {card.called}, and "
            + ("one fault takes both." if card.is_delivery else "erasing takes both."),
            OTHER_DRIVE,
            drive=drive.name,
        )
    elif is_shared and policy.separate_drives:
        yield held_later(
            "shared-drive",
            f"{called} is on the same physical device as "
            + ("the delivery" if card.is_delivery else "the folder that stands for the card")
            + ", and one fault takes both.",
            f"{OTHER_DRIVE}{_LET_SAME}",
            drive=drive.name,
        )
    if drive.is_ram:
        yield held_later(
            "ram-drive",
            f"{called} is in this computer's memory and gone when it is switched off.",
            OTHER_DRIVE,
            drive=drive.name,
        )
    elif not _is_seen(drive, policy):
        yield held_later(
            "drive-unknown",
            f"Nothing shows on what device {called} is, so it may be one that the {card.called} or "
            "another copy is on.",
            "Plug it in without a hub or enclosure for several drives, or declare it in the "
            "settings (declared_separate_from).",
            drive=drive.name,
        )
    if drive.is_network and not drive.accepts_server:
        yield held_later(
            "server-not-accepted",
            f"Only the server behind {called} can say that the copy is written.",
            'If its word may count, set accept = "server" for it.',
            drive=drive.name,
        )


def about_same_folders(drives: Sequence[ProposedDrive]) -> Iterator[Problem]:
    """Drives that are one folder under two names: the second is dropped."""
    for at, drive in enumerate(drives):
        twin = next((each for each in drives[:at] if is_same_folder(each, drive)), None)
        if twin is not None:
            yield drop(
                "same-folder",
                f"{shown(twin.name)} and {shown(drive.name)} are the same folder "
                f"({to_text(drive.path)}).",
                OTHER_DRIVE,
                drive=drive.name,
            )


def about_shared_devices(drives: Sequence[ProposedDrive], policy: Policy) -> Iterator[Problem]:
    """Drives that one fault of a device can take together."""
    for one, other in combinations(drives, 2):
        if one.devices & other.devices and not is_separate(one, other, policy):
            yield held_later(
                "shared-drive",
                f"{shown(one.name)} and {shown(other.name)} share a physical device, and one fault "
                "can take all that is on it.",
                f"{OTHER_DRIVE}{_LET_SAME}",
                drive=other.name,
            )


def about_number(
    card: ProposedCard, drives: Sequence[ProposedDrive], policy: Policy
) -> Iterator[Problem]:
    """Whether the drives that are left are enough.

    Args:
        card: the card.
        drives: those that no other problem drops.
        policy: copies needed.
    """
    if not drives:
        yield stop(
            "no-drive",
            f"No drive is left that the {card.called} could be copied to.",
            "Mend what is said of the drives, then the same command; or name another one with it:  "
            "--to DRIVE"
            if card.is_delivery
            else "Mend what is said of the drives, then:  offload copy; "
            "or name another:  offload copy --to DRIVE",
        )
        return
    counting = [drive for drive in drives if not list(about_counting(card, drive, policy))]
    count = separate_count(counting, policy)
    if count < policy.copies_needed:
        yield held_later(
            "too-few-copies",
            f"{policy.copies_needed} separate drives are needed, and {count or 'none'} of those "
            f"given can count.",
            f"Add a drive:  {_with(card, f'{_to(drives)} --to DRIVE')}",
        )


def _with(card: ProposedCard, options: str) -> str:
    """The command, with options; a delivery has more than one."""
    return f"the same command with {options}" if card.is_delivery else f"offload copy {options}"


def separate_count(drives: Sequence[ProposedDrive], policy: Policy) -> int:
    """The largest number of these drives of which any two are separate."""
    if not drives:
        return 0
    first, *rest = drives
    apart = [drive for drive in rest if is_separate(first, drive, policy)]
    taken = 1 + separate_count(apart, policy)
    return taken if len(apart) == len(rest) else max(taken, separate_count(rest, policy))


def is_separate(one: ProposedDrive, other: ProposedDrive, policy: Policy) -> bool:
    """Whether one fault of a device cannot take both, as clearance will see it."""
    if is_same_folder(one, other):
        return False
    if not policy.separate_drives:
        return True
    common = one.devices & other.devices
    is_one_disk = any(device.startswith(_DISK) for device in common)
    if frozenset((one.name, other.name)) in policy.declared_separate and not is_one_disk:
        return True
    return _is_worked_out(one) and _is_worked_out(other) and not common


def is_same_folder(one: ProposedDrive, other: ProposedDrive) -> bool:
    """Whether two drives are one folder, by name or by identity."""
    if one.lineage and other.lineage and one.lineage[0] == other.lineage[0]:
        return True
    return one.path.rstrip(b"/") == other.path.rstrip(b"/")


def _is_on_cards_file_system(card: ProposedCard, drive: ProposedDrive) -> bool:
    if _is_inside(drive.path, drive.lineage, card.path, card.lineage):
        return True
    if not card.is_whole_volume:
        return False
    # Cloned volumes share an id, subvolumes of one file system have device numbers of their own.
    is_same_id = bool(card.volume_id) and card.volume_id == drive.volume_id
    return _is_same_device(card, drive) or (is_same_id and bool(card.devices & drive.devices))


def _is_in_the_way(card: ProposedCard, drive: ProposedDrive) -> bool:
    """Whether the drive's folder holds the card in such a way that the two can meet.

    A card that is mounted somewhere below the drive's folder is another file system, and meets the
    copy only when the roll's own folder leads to it.
    """
    if not _is_inside(card.path, card.lineage, drive.path, drive.lineage):
        return False
    is_other_volume = (
        card.is_whole_volume and min(card.device, drive.device) >= 0
    ) and card.device != drive.device
    roll = join(drive.path.rstrip(b"/"), drive.folder)
    return not is_other_volume or below(card.path, roll) is not None


def _is_same_device(card: ProposedCard, drive: ProposedDrive) -> bool:
    return card.device >= 0 and card.device == drive.device


def _is_inside(
    path: bytes,
    lineage: tuple[tuple[int, int], ...],
    outer_path: bytes,
    outer_lineage: tuple[tuple[int, int], ...],
) -> bool:
    """Whether the first folder is the second or lies somewhere in it."""
    if outer_lineage and outer_lineage[0] in lineage:
        return True
    return below(path, outer_path) is not None


def _is_worked_out(drive: ProposedDrive) -> bool:
    return drive.is_known and bool(drive.devices)


def _is_seen(drive: ProposedDrive, policy: Policy) -> bool:
    if _is_worked_out(drive):
        return True
    if any(drive.name in pair for pair in policy.declared_separate):
        return True
    return not policy.separate_drives and bool(drive.devices)


def _to(drives: Sequence[ProposedDrive]) -> str:
    return " ".join(f"--to {shown(drive.name)}" for drive in drives)
