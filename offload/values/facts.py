"""All that a verdict may rest on: recorded results, one state a file and drive, and nothing else.

The states are columns of bytes, one byte for each entry of the inventory in its order, so that a
card of a million files costs a megabyte a drive. Entries that are not files or empty folders have
a state too (``NOT_COPIED``); links are recorded as text and need no copy.
"""

from dataclasses import dataclass, field
from enum import Enum, IntEnum

from offload.values.findings import Finding
from offload.values.inventory import Inventory


class CardState(IntEnum):
    """What this run's readings of the card say of one entry."""

    NOT_READ = 0
    READ_EQUAL = 1
    """Read as often as asked for, from the card itself, equal each time, unchanged at the end."""
    UNREADABLE = 2
    """An error at every try, in any of the readings."""
    CHANGED = 3
    """Its size or times moved while or after it was read."""
    DIFFERS = 4
    """Two readings of the card gave different bytes."""
    CACHED = 5
    """Equal, but a reading that counts was not shown to come from the card itself."""
    NOT_COPIED = 6
    """A pipe, device, socket, unreadable entry or inner mount: nothing that could be copied."""
    FROM_LINK = 7
    """A link: its target is recorded as text; nothing is followed."""


class CopyState(IntEnum):
    """What this run says of one entry's copy on one drive."""

    ABSENT = 0
    PROVEN_DEVICE = 1
    """Read back from the device after the last write there, equal to the card."""
    PROVEN_SERVER = 2
    """Read back from the server that holds it; the server's word that it is written."""
    CACHED = 3
    """Equal, but not shown to have been read from the device: never counts."""
    DIFFERS = 4
    UNREADABLE = 5
    FAILED = 6
    """A write, sync or close failed; only writing it anew mends it."""
    CHANGED = 7
    """Proven, and no longer the same file at the last look."""
    WRITTEN = 8
    """Written and not read back."""
    SHARED = 9
    """Not a file of its own: a hard link, bind mount or shared extent of one already counted."""
    FLEETING = 10
    """Equal, but below a trash, snapshot or ``.incomplete`` folder, whence it may go any time."""


class ReadBack(Enum):
    """How the copies on one drive were read back; the weakest of its files."""

    DEVICE = "device"
    SERVER = "server"
    CACHED = "cached"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class DriveFacts:
    """One drive and what it holds of the card.

    Attributes:
        name: as the settings or the command call it; unique in the run.
        path: the copy's folder on this machine, bytes; for the remedy's command.
        devices: identities of the physical devices below (``disk:8:0``, ``server:10.0.0.7``).
        is_known: whether ``devices`` could be worked out; if not, nothing shows it separate.
        is_ram: the copy lies in memory.
        is_card: the volume is, or was, a card.
        is_on_card: shares a device with the card being offloaded.
        is_present: reachable at the last look, with the identity it had at the start.
        accepts_server: the settings let this server's word count.
        names_read: whether names and folders, too, were read from the device.
        is_recorded: manifest, checksum list, signatures are on it, synced; on a drive that takes
            no record (a copy made by hand) that none is owed.
        failure: why it was dropped; empty while it is well.
        states: a :class:`CopyState` byte for each entry of the inventory.
        read_back: how it was read.
        is_hand_made: the copies there were made by other means and found by content, so that a
            file of the same name that differs says nothing against the drive.
        is_finished: the copy bears the roll's name, so that nothing in it is ever written over; for
            the words of a remedy alone.
    """

    name: str
    path: bytes
    devices: frozenset[str]
    states: bytes
    is_known: bool = True
    is_ram: bool = False
    is_card: bool = False
    is_on_card: bool = False
    is_present: bool = True
    accepts_server: bool = False
    names_read: bool = False
    is_recorded: bool = True
    failure: str = ""
    read_back: ReadBack = ReadBack.NONE
    is_hand_made: bool = False
    is_finished: bool = False


@dataclass(frozen=True, slots=True)
class Policy:
    """What was asked for, and every declaration that the verdict has to repeat.

    Attributes:
        copies_needed: proven copies before a card may be erased, at least 1.
        separate_drives: false lets copies on one physical drive count.
        card_reads: 2, or 1 for a single reading of the card.
        declared_separate: pairs of drive names declared to be on separate devices.
    """

    copies_needed: int = 2
    separate_drives: bool = True
    card_reads: int = 2
    declared_separate: frozenset[frozenset[str]] = frozenset()


@dataclass(frozen=True, slots=True)
class Decision:
    """A person's word on one settleable hold; lapses when code, path or content differ.

    Attributes:
        code: the hold's code.
        path: the clip's path; empty for a hold about the whole card.
        checksum: of the content it was given for, raw, as ``clearance.decisions`` works it out:
            the file's xxh128, or a digest over all files below a folder or of the whole card.
        by: who, as given.
        because: why, as given.
    """

    code: str
    path: bytes
    checksum: bytes
    by: str
    because: str


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything known when the verdict is asked for.

    Attributes:
        inventory: of the card, from the walk that opened the run.
        card_states: a :class:`CardState` byte for each entry of the inventory.
        drives: in the order given.
        policy: see there.
        is_same_mounting: the card never left: same unique mount id, same held descriptor.
        is_as_listed: the last look's walk found exactly the inventory, facts unchanged.
        is_layout_without_clip: a known card layout in which not one clip lies.
        left_out_footage: among what is left out something has a clip's signature.
        left_out_bytes: size of all that is left out.
        checksums: xxh128 by entry number, raw, 16 bytes each, zeros where unknown; for decisions.
        clip_findings: settleable ones, from the look at the clips (``clip-unfinished`` ...).
        sent_differs: files whose bytes differ from the sender's or recorder's own list.
        notices: findings that keep nothing.
        decisions: what persons have settled.
        uncrossed_mounts: paths of other file systems mounted inside the card.
        listing_errors: folders of the card that could not be listed, with the reason.
        is_card_present: the card is in the reader now.
        is_ledger_written: the ledger took everything down so far; without it no word is given.
        is_folder_card: what stands for the card is a folder on a volume that is itself a drive and
            no card, so that no camera can format what lies beside it.
        card_changes: what the last look found added, gone or changed; never while
            ``is_as_listed``.
        left_out_clips: paths of what is left out and has a clip's signature.
        causes: what the system said about single files, for the words of a hold; decides nothing.
    """

    inventory: Inventory
    card_states: bytes
    drives: tuple[DriveFacts, ...]
    policy: Policy = field(default_factory=Policy)
    is_same_mounting: bool = True
    is_as_listed: bool = True
    is_layout_without_clip: bool = False
    left_out_footage: bool = False
    left_out_bytes: int = 0
    checksums: bytes = b""
    clip_findings: tuple[Finding, ...] = ()
    sent_differs: tuple[Finding, ...] = ()
    notices: tuple[Finding, ...] = ()
    decisions: tuple[Decision, ...] = ()
    uncrossed_mounts: tuple[Finding, ...] = ()
    listing_errors: tuple[Finding, ...] = ()
    is_card_present: bool = True
    is_ledger_written: bool = True
    is_folder_card: bool = False
    card_changes: tuple[Finding, ...] = ()
    left_out_clips: tuple[bytes, ...] = ()
    causes: tuple[Finding, ...] = ()
