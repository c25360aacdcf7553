"""What is to be copied where, before anything has been done: all that preflight looks at.

Small frozen values that a job fills from what it opened and asked; nothing here reads anything.
"""

from dataclasses import dataclass, field

from offload.transfer.preflight.existing import Existing
from offload.transfer.preflight.name_map import NameMap
from offload.transfer.preflight.names import NameRules
from offload.values.entries import Entries
from offload.values.facts import Policy

Place = tuple[int, int]
"""Device and inode number of a folder: what it is, whatever it is called."""


@dataclass(frozen=True, slots=True)
class ProposedCard:
    """The card.

    Attributes:
        path: where it is mounted, absolute and real.
        entries: its inventory.
        lineage: see :func:`offload.transfer.preflight.lineage.lineage_of`.
        device: ``st_dev`` of its file system.
        volume_id: its file system's id; empty where it has none.
        devices: identities of the physical devices below.
        is_known: whether ``devices`` could be worked out.
        is_whole_volume: false where a folder on a larger volume stands for the card.
        other_run: who is working on this card already, for people; empty when nobody is.
        is_delivery: it is a delivery, or a copy of ours that goes to a further drive, and no card.
    """

    path: bytes
    entries: Entries
    lineage: tuple[Place, ...] = ()
    device: int = -1
    volume_id: str = ""
    devices: frozenset[str] = frozenset()
    is_known: bool = True
    is_whole_volume: bool = True
    other_run: str = ""
    is_delivery: bool = False

    @property
    def called(self) -> str:
        """The word for it."""
        return "delivery" if self.is_delivery else "card"


@dataclass(frozen=True, slots=True)
class ProposedDrive:
    """One drive.

    Attributes:
        name: as settings or command call it; unique.
        path: the folder given, absolute and real.
        folder: the roll's folder below it, relative.
        fs_type: kind of file system, as the mount table calls it.
        rules: its rules for names, see :func:`offload.transfer.preflight.probing.rules_for`.
        names: how the card's names are written there; worked out when None.
        existing: what lies under the roll's name there.
        lineage, device, volume_id, devices, is_known: as for the card.
        expected_volume_id: the file system found at first use; empty at first use.
        marker: the number in its marker file now; empty where there is none.
        expected_marker: the number written at first use; empty at first use.
        is_bare_mount_place: the folder lies where volumes appear and nothing is mounted there, see
            :func:`offload.transfer.preflight.identity.is_bare_mount_place`.
        refusal: why it could not be opened, for people; empty when it was.
        free_bytes: room for this user; None where the system does not tell.
        cluster_bytes: unit of allocation.
        largest_file_bytes: None to go by ``fs_type``.
        free_inodes: None where the file system has no fixed number of them.
        reserve_bytes: to stay free; None for the usual reserve.
        is_read_only: no write is taken.
        is_ram: it lies in memory.
        is_network: a server holds it.
        accepts_server: the settings let this server's word count.
        is_card: it is, or was, a card: by the ledger, or by the person who put it in.
        has_card_layout: a card's layout lies at its top, and nothing says that it is a drive (no
            record of ours, no marker, not named in the settings).
        is_unclean: it says of itself that it was not unmounted cleanly.
    """

    name: str
    path: bytes
    folder: bytes
    fs_type: str = ""
    rules: NameRules | None = None
    names: NameMap | None = None
    existing: Existing = field(default_factory=Existing)
    lineage: tuple[Place, ...] = ()
    device: int = -1
    volume_id: str = ""
    devices: frozenset[str] = frozenset()
    is_known: bool = True
    expected_volume_id: str = ""
    marker: str = ""
    expected_marker: str = ""
    is_bare_mount_place: bool = False
    refusal: str = ""
    free_bytes: int | None = None
    cluster_bytes: int = 4096
    largest_file_bytes: int | None = None
    free_inodes: int | None = None
    reserve_bytes: int | None = None
    is_read_only: bool = False
    is_ram: bool = False
    is_network: bool = False
    accepts_server: bool = False
    is_card: bool = False
    has_card_layout: bool = False
    is_unclean: bool = False


@dataclass(frozen=True, slots=True)
class Proposal:
    """One card, its drives, and what was asked for.

    Attributes:
        card: see there.
        drives: in the order given.
        policy: copies needed, separate or not, what was declared.
    """

    card: ProposedCard
    drives: tuple[ProposedDrive, ...]
    policy: Policy = field(default_factory=Policy)
