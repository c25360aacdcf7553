"""Listings of cards as they were: packed, compressed, each kept once."""

import zlib
from dataclasses import dataclass

from offload.checksum import COMPARE, digest_of
from offload.ledger.columns import whole
from offload.ledger.database import Ledger
from offload.ledger.faults import damaged
from offload.values.entries import Entries
from offload.values.inventory import Inventory

_FAST = 1
_MOST_BYTES = 1 << 30
"""A listing of ten million long paths is far below this; a damaged column must not fill memory."""


@dataclass(frozen=True, slots=True)
class KeptInventory:
    """What is known of a listing without unpacking it.

    Attributes:
        inventory: its number in the ledger.
        digest: of the inventory.
        files: regular files.
        total_bytes: their sum.
    """

    inventory: int
    digest: str
    files: int
    total_bytes: int


def keep(ledger: Ledger, inventory: Inventory) -> int:
    """Keep a listing; an equal one that is there already is used.

    Returns:
        Its number.
    """
    entries, left_out = inventory.entries.to_bytes(), inventory.left_out.to_bytes()
    content = _content(entries, left_out)
    with ledger.writing():
        row = ledger.row("SELECT id FROM inventories WHERE content = ?", (content,))
        if row is not None:
            return int(row[0])
        return ledger.insert(
            "INSERT INTO inventories (content, digest, files, bytes, entries, left_out)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (
                content,
                inventory.digest,
                inventory.file_count,
                whole(inventory.total_bytes),
                zlib.compress(entries, _FAST),
                zlib.compress(left_out, _FAST),
            ),
        )


def load(ledger: Ledger, number: int) -> Inventory:
    """A listing as it was.

    Raises:
        LedgerError: what is kept is not what was put there.
    """
    row = ledger.row(
        "SELECT content, digest, entries, left_out FROM inventories WHERE id = ?", (number,)
    )
    if row is None:
        raise RuntimeError(f"no inventory {number}")
    content, digest, entries, left_out = row
    try:
        entries, left_out = _unpacked(entries), _unpacked(left_out)
        if _content(entries, left_out) != content:
            raise ValueError("its content does not fit its checksum")
        return Inventory(Entries.from_bytes(entries), Entries.from_bytes(left_out), digest)
    except (ValueError, zlib.error) as error:
        raise damaged(ledger.path, f"inventory {number}: {error}") from error


def describe(ledger: Ledger, number: int) -> KeptInventory:
    """Count and size of a listing."""
    row = ledger.row("SELECT id, digest, files, bytes FROM inventories WHERE id = ?", (number,))
    if row is None:
        raise RuntimeError(f"no inventory {number}")
    return KeptInventory(*row)


def _content(entries: bytes, left_out: bytes) -> bytes:
    return digest_of(COMPARE, entries + left_out)


def _unpacked(packed: bytes) -> bytes:
    unpacker = zlib.decompressobj()
    content = unpacker.decompress(packed, _MOST_BYTES)
    if unpacker.unconsumed_tail or not unpacker.eof:
        raise ValueError("a listing that is cut short or far too long")
    return content
