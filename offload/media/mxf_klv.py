"""MXF's chain of key, length and value (SMPTE ST 377-1, and ST 336 for the lengths).

Only keys and lengths are read; the chain must land exactly on the end of the file.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from offload.media.reading import BoundedReader
from offload.media.structure import MalformedError
from offload.values.clips import ClipCode

PREFIX = b"\x06\x0e\x2b\x34"
MAX_RUN_IN_BYTES = 65_536
CHECK = "klv-chain"
_HEADER_KEY = bytes.fromhex("060e2b34020501010d01020101")  # 13 bytes, then kk ss 00
_HEAD_BYTES = 25


class Item(Enum):
    """What a value is, told by its key."""

    HEADER = "header partition"
    BODY = "body partition"
    FOOTER = "footer partition"
    PRIMER = "primer"
    RANDOM_INDEX = "random index"
    INDEX = "index"
    METADATA = "metadata"
    ESSENCE = "essence"
    SYSTEM = "system item"
    ENCRYPTED = "encrypted essence"
    FILL = "fill"
    DARK = "unknown"

    @property
    def is_partition(self) -> bool:
        """Whether it begins a partition."""
        return self in (Item.HEADER, Item.BODY, Item.FOOTER)


_PARTITIONS = {
    0x02: Item.HEADER,
    0x03: Item.BODY,
    0x04: Item.FOOTER,
    0x05: Item.PRIMER,
    0x11: Item.RANDOM_INDEX,
}


@dataclass(frozen=True, slots=True)
class Klv:
    """One item of the chain.

    Attributes:
        key: 16 bytes.
        item: what it is.
        start: where the key begins.
        value: where the value begins.
        end: first position behind the value.
    """

    key: bytes
    item: Item
    start: int
    value: int
    end: int

    @property
    def length(self) -> int:
        """Bytes of the value."""
        return self.end - self.value


def find_header(head: bytes) -> int | None:
    """Where the header partition begins in a file's first 64 KiB and some; None where nowhere."""
    at = head.find(_HEADER_KEY)
    while at >= 0:
        if head[at + 13 : at + 14] == b"\x02":
            return at
        at = head.find(_HEADER_KEY, at + 1)
    return None


def classify(key: bytes) -> Item:
    """What the value behind a key is. The key's version byte takes no part."""
    kind, field = key[4:7], key[8:13]
    if field == b"\x0d\x01\x02\x01\x01":
        if kind == b"\x02\x05\x01":
            return _PARTITIONS.get(key[13], Item.DARK)
        return Item.INDEX if key[13] == 0x10 else Item.DARK
    if kind == b"\x01\x02\x01" and field[:4] == b"\x0d\x01\x03\x01":
        return Item.ESSENCE
    if kind[:1] == b"\x02" and field[:4] == b"\x0d\x01\x03\x01":
        return Item.ENCRYPTED if key[12] == 0x02 and key[13] == 0x7E else Item.SYSTEM
    if key[4:6] == b"\x02\x53":
        return Item.METADATA
    if kind == b"\x01\x01\x01" and key[8:12] == b"\x03\x01\x02\x10":
        return Item.FILL
    return Item.DARK


def chain(reader: BoundedReader, start: int) -> Iterator[Klv]:
    """Every item from ``start`` to the end of the file.

    Raises:
        MalformedError: no item begins where one should, or one reaches past the end of the file.
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    known: dict[bytes, Item] = {}
    at, size = start, reader.size
    while at < size:
        reader.step()
        head = reader.read_at(at, _HEAD_BYTES)
        if head[:4] != PREFIX or len(head) < 17:
            raise MalformedError(CHECK, _strange(head), at)
        key = head[:16]
        item = known.get(key)
        if item is None:
            item = classify(key)
            if len(known) < 4096:
                known[key] = item
        value, length = _length(head, at)
        end = value + length
        if end > size:
            raise MalformedError(
                CHECK,
                f"{item.value} at byte {at} says it ends at byte {end}, the file ends at {size}",
                at,
                ClipCode.CUT_SHORT,
            )
        yield Klv(key, item, at, value, end)
        at = end


def read_klv(reader: BoundedReader, at: int) -> Klv | None:
    """The item that begins at ``at``; None where none does.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    head = reader.read_at(at, _HEAD_BYTES)
    if head[:4] != PREFIX or len(head) < 17:
        return None
    try:
        value, length = _length(head, at)
    except MalformedError:
        return None
    return Klv(head[:16], classify(head[:16]), at, value, value + length)


def _length(head: bytes, at: int) -> tuple[int, int]:
    """Where the value begins and its length, from the BER length behind the key."""
    first = head[16]
    if first < 0x80:
        return at + 17, first
    count = first & 0x7F
    if not 1 <= count <= 8 or len(head) < 17 + count:
        raise MalformedError(CHECK, "an item with an impossible length", at)
    return at + 17 + count, int.from_bytes(head[17 : 17 + count], "big")


def _strange(head: bytes) -> str:
    if len(head) < 17:
        return "the file ends inside a key"
    return "no key begins here" if any(head) else "zeros stand where a key should begin"
