"""How values stand in columns: packed batches, outside text, lists.

A batch is a row with columns of equal length, little-endian: entry numbers of the inventory (4
bytes each), states (1 byte each), digests (one checksum after the other, each for all entries),
facts (five numbers of 8 bytes each). A row of its own for every frame of a card would cost ten
times the room and the time, and no question is asked of single files of all rolls.
"""

import json
import struct
import sys
from array import array
from collections.abc import Iterable, Sequence

from offload.checksum import COMPARE, digest_of

ENTRY_BYTES = 4
_FACTS = struct.Struct("<QQQqq")
FACTS_BYTES = _FACTS.size

Facts = tuple[int, int, int, int, int]
"""Device, inode, size, modification and change time of one file; times in nanoseconds."""

NO_FACTS: Facts = (0, 0, 0, 0, 0)


def pack_entries(numbers: Sequence[int]) -> bytes:
    """Entry numbers as little-endian 32 bits."""
    column = array("I", numbers)
    if sys.byteorder == "big":
        column.byteswap()
    return column.tobytes()


def unpack_entries(packed: bytes) -> "array[int]":
    """The entry numbers of a batch."""
    column = array("I")
    column.frombytes(packed)
    if sys.byteorder == "big":
        column.byteswap()
    return column


def scatter(
    column: bytearray, entries: "array[int]", values: bytes | memoryview, width: int
) -> None:
    """Put the values of a batch, ``width`` bytes each, where their entries are in a column.

    Batches mostly hold entries that follow each other; those are put down in one piece.
    """
    count = len(entries)
    if count and entries == array("I", range(entries[0], entries[0] + count)):
        column[entries[0] * width : (entries[0] + count) * width] = values
        return
    for row, at in enumerate(entries):
        column[at * width : (at + 1) * width] = values[row * width : (row + 1) * width]


def pack_facts(rows: Iterable[Facts]) -> bytes:
    """File facts, 40 bytes each."""
    return b"".join(_FACTS.pack(*row) for row in rows)


def unpack_facts(packed: bytes) -> list[Facts]:
    """The file facts of a batch."""
    return list(_FACTS.iter_unpack(packed))


def raw(text: str) -> bytes:
    """Outside text, a volume's label, as bytes; any text survives."""
    return text.encode("utf-8", "surrogateescape")


def unraw(kept: bytes) -> str:
    """The outside text that :func:`raw` was given."""
    return kept.decode("utf-8", "surrogateescape")


def plain(text: str) -> str:
    """Text that the database takes: what is no text at all is shown escaped."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def content_of(*columns: bytes) -> bytes:
    """The checksum kept with a batch, over its columns and their lengths."""
    lengths = b"".join(len(column).to_bytes(8, "little") for column in columns)
    return digest_of(COMPARE, b"".join((lengths, *columns)))


def whole(number: int) -> int:
    """A count of bytes that the database takes: a damaged card may claim more than there is."""
    return max(-(1 << 63), min((1 << 63) - 1, number))


def pack_list(values: Iterable[str]) -> str:
    """A list of words as JSON."""
    return json.dumps(list(values))


def unpack_list(kept: str) -> tuple[str, ...]:
    """The list of words."""
    return tuple(json.loads(kept))
