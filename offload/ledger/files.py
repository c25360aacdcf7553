"""Checksums and states of a card's files, written with each sync batch of a run."""

from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from offload.checksum import digest_size
from offload.ledger import inventories, offloads
from offload.ledger.columns import (
    ENTRY_BYTES,
    content_of,
    pack_entries,
    pack_list,
    scatter,
    unpack_entries,
    unpack_list,
)
from offload.ledger.database import Ledger, Row
from offload.ledger.faults import damaged
from offload.ledger.likeness import alike, runs
from offload.values.entries import Entries

_BATCHES_AT_ONCE = 32
_EARLIER_OFFLOADS = 8


@dataclass(frozen=True, slots=True)
class FileColumns:
    """What is known of the files of a listing: columns in the order of its entries.

    Attributes:
        states: a byte of :class:`~offload.values.facts.CardState` each, 0 where nothing is known.
        digests: raw digests by checksum name, of fixed length, zeros where not known.
        known: for each checksum name one byte an entry, 1 where its digest is known.
    """

    states: bytes
    digests: Mapping[str, bytes]
    known: Mapping[str, bytes]

    def digest(self, name: str, at: int) -> bytes | None:
        """The raw digest of entry number ``at``; None where it is not known."""
        if name not in self.digests or not self.known[name][at]:
            return None
        size = self.size(name)
        return self.digests[name][at * size : (at + 1) * size]

    def size(self, name: str) -> int:
        """Length of one raw digest of a column."""
        return len(self.digests[name]) // len(self.known[name])


def add(
    ledger: Ledger,
    offload: int,
    entries: Sequence[int],
    states: bytes,
    digests: Mapping[str, bytes],
) -> None:
    """Write one batch; later batches overrule earlier ones for the same entries.

    Args:
        offload: number of the offload.
        entries: entry numbers in the offload's inventory, in any order.
        states: a byte of ``CardState`` for each.
        digests: by checksum name, the raw digests one after the other in the same order; empty
            for a batch of states alone.

    Raises:
        RuntimeError: columns of unequal length.
    """
    names = tuple(digests)
    sizes = [digest_size(name) * len(entries) for name in names]
    if len(states) != len(entries) or [len(digests[name]) for name in names] != sizes:
        raise RuntimeError("the columns of a batch of files differ in length")
    numbers, checksums = pack_entries(entries), pack_list(names)
    packed = b"".join(digests[name] for name in names)
    ledger.insert(
        "INSERT INTO files (offload, entries, states, checksums, digests, content)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (
            offload,
            numbers,
            states,
            checksums,
            packed,
            content_of(numbers, states, checksums.encode(), packed),
        ),
    )


def load(ledger: Ledger, offload: int, count: int) -> FileColumns:
    """All that is known from one offload.

    Args:
        count: entries in its inventory.

    Raises:
        LedgerError: a batch is damaged.
    """
    states = bytearray(count)
    columns = _Columns(count)
    for row in _batches(ledger, offload):
        names, sizes = _checksums(ledger, row)
        _refuse_damaged(ledger, row, count, sum(sizes))
        entries = unpack_entries(row[1])
        scatter(states, entries, row[2], 1)
        rest = memoryview(row[4])
        for name, size in zip(names, sizes, strict=True):
            columns.put(name, size, entries, rest[: size * len(entries)])
            rest = rest[size * len(entries) :]
    return columns.made(states)


def load_earlier(ledger: Ledger, card: int, entries: Entries) -> FileColumns:
    """Checksums of earlier offloads of a card, for the entries that look the same.

    The same are path and size, and the time to 2 s and modulo quarter hours, since drivers and
    summer time move it. Such facts only choose what to reuse; everything is read again before it
    counts. The states are all 0 therefore.

    Args:
        card: the card's number.
        entries: of the listing now.
    """
    columns = _Columns(len(entries))
    for offload in offloads.of_card(ledger, card)[:_EARLIER_OFFLOADS]:
        before = inventories.load(ledger, offload.inventory).entries
        found = load(ledger, offload.offload, len(before))
        for now, then, length in runs(alike(entries, before)):
            for name in found.digests:
                columns.take(name, now, found, then, length)
    return columns.made(bytearray(len(entries)))


class _Columns:
    """Digests on their way into columns; one is made when its first digest comes."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._digests: dict[str, bytearray] = {}
        self._known: dict[str, bytearray] = {}

    def put(self, name: str, size: int, entries: "array[int]", digests: bytes | memoryview) -> None:
        if name not in self._digests:
            self._digests[name] = bytearray(size * self._count)
            self._known[name] = bytearray(self._count)
        scatter(self._digests[name], entries, digests, size)
        scatter(self._known[name], entries, b"\1" * len(entries), 1)

    def take(self, name: str, now: int, found: FileColumns, then: int, length: int) -> None:
        """Take what is known for ``then`` and those after it; what is here already stays."""
        mine = self._known[name][now : now + length] if name in self._known else b""
        if not any(mine) and all(found.known[name][then : then + length]):
            size = found.size(name)
            piece = memoryview(found.digests[name])[then * size : (then + length) * size]
            self.put(name, size, array("I", range(now, now + length)), piece)
            return
        for step in range(length):
            digest = found.digest(name, then + step)
            if digest is not None and not (mine and mine[step]):
                self.put(name, len(digest), array("I", (now + step,)), digest)

    def made(self, states: bytearray) -> FileColumns:
        """The columns; they are taken from here one by one, so that none is there twice."""
        digests = {name: bytes(self._digests.pop(name)) for name in list(self._digests)}
        return FileColumns(
            bytes(states), digests, {name: bytes(marks) for name, marks in self._known.items()}
        )


def _batches(ledger: Ledger, offload: int) -> Iterator[Row]:
    last = 0
    while True:
        rows = ledger.rows(
            "SELECT id, entries, states, checksums, digests, content FROM files"
            " WHERE offload = ? AND id > ? ORDER BY id LIMIT ?",
            (offload, last, _BATCHES_AT_ONCE),
        )
        if not rows:
            return
        yield from rows
        last = rows[-1][0]


def _checksums(ledger: Ledger, row: Row) -> tuple[tuple[str, ...], list[int]]:
    try:
        names = unpack_list(row[3])
        return names, [digest_size(name) for name in names]
    except ValueError as error:
        raise damaged(ledger.path, f"batch {row[0]} of files") from error


def _refuse_damaged(ledger: Ledger, row: Row, count: int, digest_bytes: int) -> None:
    number, entries, states, checksums, digests, content = row
    rows = len(states)
    is_whole = len(entries) == rows * ENTRY_BYTES and len(digests) == rows * digest_bytes
    is_whole = is_whole and content == content_of(entries, states, checksums.encode(), digests)
    if not is_whole or max(unpack_entries(entries), default=-1) >= count:
        raise damaged(ledger.path, f"batch {number} of files")
