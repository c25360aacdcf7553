"""What is to be copied where: plain values that the passes take."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from offload.storage.evidence import Medium
from offload.values.paths import join

ON_EVERY_DRIVE = -1


@dataclass(frozen=True, slots=True)
class Item:
    """One file or empty folder of the card.

    Attributes:
        number: its number in the inventory.
        path: on the card, bytes.
        size_bytes: as listed.
        mtime_ns: as listed.
        is_folder: an empty folder.
        missing_on: bit mask of the drives (by their order in the run) that have to be written.
    """

    number: int
    path: bytes
    size_bytes: int
    mtime_ns: int
    is_folder: bool = False
    missing_on: int = ON_EVERY_DRIVE


@dataclass(frozen=True, slots=True)
class Target:
    """One drive as the passes see it.

    Attributes:
        name: unique in the run.
        folder: where the copy grows, relative to the drive's root.
        medium: how its readings can be shown to come from the device.
        fs_type: for the choice of syncing.
        renamed: path on the card -> path in the copy, only where they differ.
    """

    name: str
    folder: bytes
    medium: Medium = field(default_factory=Medium)
    fs_type: str = ""
    renamed: Mapping[bytes, bytes] = field(default_factory=dict)

    def path_of(self, card_path: bytes) -> bytes:
        """Where the copy of a card's path lies, relative to the drive's root."""
        return join(self.folder, self.renamed.get(card_path, card_path))


IsStopped = Callable[[], bool]
"""Asked between blocks: whether the user wants to stop."""
