"""How many copies a file has: the largest set of them that one fault cannot take.

Rules (design, decision 6):

* A copy counts only on a drive that :data:`EXCLUSIONS` does not exclude, in a state that
  :func:`is_proven` accepts.
* Two copies are separate when the devices below them are worked out and have none in common. Where
  that is not shown (two units in one enclosure, a device nothing is known of) a declaration by
  name may stand in. It never speaks against what was seen: one disk stays one disk.
* ``separate_drives = false`` lets copies on one device count, but never one folder twice.
"""

from collections.abc import Callable, Sequence

from offload.values.facts import CopyState, DriveFacts, Facts, Policy

_DISK = "disk:"

Exclusion = tuple[str, Callable[[DriveFacts, Facts], bool]]


def is_known(drive: DriveFacts) -> bool:
    """Whether every device below the drive was worked out."""
    return drive.is_known is True and bool(drive.devices) and all(drive.devices)


def is_suspect(drive: DriveFacts) -> bool:
    """Whether the drive gave back other bytes than were written to it in this offload.

    A drive that lies about its size or is failing does so; what it still gives back right today is
    no proof for tomorrow. A copy made by hand is different: there a file of the same name may
    simply be another file.
    """
    return drive.is_hand_made is not True and CopyState.DIFFERS in drive.states


def is_on_card(drive: DriveFacts, facts: Facts) -> bool:
    """Whether erasing the card could take this copy too."""
    return drive.is_on_card is not False and facts.is_folder_card is not True


def is_beside_folder_card(drive: DriveFacts, facts: Facts) -> bool:
    """Whether this copy shares the device of a folder that stands for a card, undeclared."""
    is_beside = drive.is_on_card is not False and facts.is_folder_card is True
    return is_beside and facts.policy.separate_drives is not False


def is_out_of_sight(drive: DriveFacts, facts: Facts) -> bool:
    """Whether nothing shows what the drive lies on, and nobody has declared it.

    Where copies on one device may count, some device that was found below it is enough.
    """
    if is_known(drive) or any(drive.name in pair for pair in _pairs(facts)):
        return False
    return not (facts.policy.separate_drives is False and drive.devices)


EXCLUSIONS: tuple[Exclusion, ...] = (
    ("drive-is-card", lambda drive, _: drive.is_card is not False),
    ("drive-on-card", is_on_card),
    ("ram-drive", lambda drive, _: drive.is_ram is not False),
    ("too-few-copies", lambda drive, _: drive.failure != ""),
    ("drive-away", lambda drive, _: drive.is_present is not True),
    ("shared-drive", is_beside_folder_card),
    ("drive-unknown", is_out_of_sight),
    ("drive-suspect", lambda drive, _: is_suspect(drive)),
    ("record-not-written", lambda drive, _: drive.is_recorded is not True),
)
"""Why nothing on a drive counts: the hold's code, and what must be true of drive and facts. In the
order in which a person is told; the first that is true is the one named."""


def exclusion(drive: DriveFacts, facts: Facts) -> str:
    """The code of why nothing on this drive counts; empty while it may count."""
    return next((code for code, is_true in EXCLUSIONS if is_true(drive, facts)), "")


def is_proven(state: CopyState | None, drive: DriveFacts) -> bool:
    """Whether a copy in this state was read back in a way that counts on this drive."""
    if state is CopyState.PROVEN_SERVER:
        return drive.accepts_server is True
    return state is CopyState.PROVEN_DEVICE


def is_shown_separate(one: DriveFacts, other: DriveFacts) -> bool:
    """Whether all that is below both is known, and nothing of it is the same."""
    return is_known(one) and is_known(other) and not one.devices & other.devices


def is_seen_shared(one: DriveFacts, other: DriveFacts) -> bool:
    """Whether both are seen to be on one thing: one disk, or known devices with one in common."""
    common = one.devices & other.devices
    if any(device.startswith(_DISK) for device in common) or _is_one_folder(one, other):
        return True
    return bool(common) and is_known(one) and is_known(other)


def is_declared(one: DriveFacts, other: DriveFacts, policy: Policy) -> bool:
    """Whether these two are separate by declaration alone."""
    if one.name == other.name or frozenset((one.name, other.name)) not in policy.declared_separate:
        return False
    is_one_disk = any(device.startswith(_DISK) for device in one.devices & other.devices)
    return not is_one_disk and not is_shown_separate(one, other)


def is_separate(one: DriveFacts, other: DriveFacts, policy: Policy) -> bool:
    """Whether one fault of a device cannot take both."""
    if _is_one_folder(one, other):
        return False
    if policy.separate_drives is False or is_declared(one, other, policy):
        return True
    return is_shown_separate(one, other)


class Separation:
    """Which drives of a run are separate, and how many copies any set of them is worth.

    A set is a bit mask, bit 0 for the first drive. Answers are kept: a million files share few
    masks. The search is exact.

    Args:
        drives: in the order of the facts.
        policy: what was asked for and declared.
    """

    __slots__ = ("_clashes", "_worth")

    def __init__(self, drives: Sequence[DriveFacts], policy: Policy) -> None:
        # By number and not by identity: one drive given twice clashes with itself.
        self._clashes = tuple(
            sum(
                1 << at
                for at, other in enumerate(drives)
                if at != number and not is_separate(one, other, policy)
            )
            for number, one in enumerate(drives)
        )
        self._worth = {0: 0}

    def copies(self, mask: int) -> int:
        """Size of the largest set of drives in ``mask`` of which any two are separate."""
        if mask not in self._worth:
            self._worth[mask] = self._largest(mask)
        return self._worth[mask]

    def clashing(self, mask: int) -> int:
        """Those drives of ``mask`` that are not separate from some other of it."""
        return sum(1 << at for at in members(mask) if self._clashes[at] & mask)

    def _largest(self, mask: int) -> int:
        clashes = {at: (self._clashes[at] & mask).bit_count() for at in members(mask)}
        easiest = min(clashes, key=clashes.__getitem__)
        if clashes[easiest] <= 1:
            # With at most one rival, taking it is never worse than leaving it.
            return 1 + self.copies(self._without(mask, easiest))
        hardest = max(clashes, key=clashes.__getitem__)
        taken = 1 + self.copies(self._without(mask, hardest))
        return max(taken, self.copies(mask & ~(1 << hardest)))

    def _without(self, mask: int, at: int) -> int:
        return mask & ~(1 << at) & ~self._clashes[at]


def members(mask: int) -> list[int]:
    """The numbers of the bits that are set, lowest first."""
    return [at for at in range(mask.bit_length()) if mask >> at & 1]


def _is_one_folder(one: DriveFacts, other: DriveFacts) -> bool:
    return one.path.rstrip(b"/") == other.path.rstrip(b"/")


def _pairs(facts: Facts) -> list[frozenset[str]]:
    """Declared pairs of which both drives take part."""
    names = {drive.name for drive in facts.drives}
    return [pair for pair in facts.policy.declared_separate if len(pair) == 2 and pair <= names]
