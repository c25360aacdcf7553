"""Which rolls were on a recorder's card, and where each of them lies on each drive.

A card that makes a roll each day has several at once; what an offload says of the whole card rests
on all of them. An offload of a card with one roll has no rows here.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from offload.ledger.database import Ledger


@dataclass(frozen=True, slots=True)
class KeptRoll:
    """One roll of a card, as one offload found it.

    Attributes:
        roll: its number in the ledger.
        inventory: number of the listing of what the roll was made of; some of it may be gone from
            the card by now.
    """

    roll: int
    inventory: int


@dataclass(frozen=True, slots=True)
class RollFolder:
    """Where one of them lies on a drive.

    Attributes:
        position: of the roll among those of the offload, from 0.
        path: the roll's folder, absolute.
        is_done: it has its name: all of it was read back and written down.
    """

    position: int
    path: bytes
    is_done: bool


def keep(ledger: Ledger, offload: int, found: Sequence[KeptRoll]) -> None:
    """Write down the rolls of a card, the oldest first."""
    with ledger.writing():
        for position, each in enumerate(found):
            ledger.change(
                "INSERT OR REPLACE INTO card_rolls (offload, position, roll, inventory)"
                " VALUES (?, ?, ?, ?)",
                (offload, position, each.roll, each.inventory),
            )


def keep_folders(ledger: Ledger, copy: int, found: Sequence[RollFolder]) -> None:
    """Write down where the rolls lie on one drive."""
    with ledger.writing():
        for each in found:
            ledger.change(
                "INSERT OR REPLACE INTO roll_folders (copy, position, path, is_done)"
                " VALUES (?, ?, ?, ?)",
                (copy, each.position, each.path, int(each.is_done)),
            )


def move_folder(ledger: Ledger, roll: int, drive: int, before: bytes, now: bytes) -> None:
    """A roll's folder on a drive is called otherwise; whichever offloads know of it.

    Args:
        roll: its number.
        drive: number of the drive, which may have been mounted anywhere at each of them.
        before, now: the folder, relative to the drive's.
    """
    rows = ledger.rows(
        "SELECT folder.copy, folder.position, folder.path FROM copies AS held"
        " JOIN roll_folders AS folder ON folder.copy = held.id"
        " JOIN card_rolls AS kept"
        " ON kept.offload = held.offload AND kept.position = folder.position"
        " WHERE held.drive = ? AND kept.roll = ?",
        (drive, roll),
    )
    with ledger.writing():
        for copy, position, path in rows:
            if path.endswith(b"/" + before):
                moved = path[: -len(before)] + now
                ledger.change(
                    "UPDATE roll_folders SET path = ? WHERE copy = ? AND position = ?",
                    (moved, copy, position),
                )


def of_offload(ledger: Ledger, offload: int) -> tuple[KeptRoll, ...]:
    """The rolls that an offload found, the oldest first; none where the card had but one."""
    rows = ledger.rows(
        "SELECT roll, inventory FROM card_rolls WHERE offload = ? ORDER BY position", (offload,)
    )
    return tuple(KeptRoll(*row) for row in rows)


def folders_of(ledger: Ledger, copy: int) -> tuple[RollFolder, ...]:
    """Where the rolls of a copy's offload lie on its drive."""
    rows = ledger.rows(
        "SELECT position, path, is_done FROM roll_folders WHERE copy = ? ORDER BY position", (copy,)
    )
    return tuple(RollFolder(position, path, bool(done)) for position, path, done in rows)
