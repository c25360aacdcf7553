"""Checksums and states of a card's files, written with each sync batch of a run."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from offload.checksum import digest_size
from offload.ledger import inventories, offloads
from offload.ledger.columns import (
    ENTRY_BYTES,
    content_of,
    pack_entries,
    pack_list,
    unpack_entries,
    unpack_list,
)
from offload.ledger.database import Ledger, Row
from offload.ledger.faults import damaged
from offload.values.entries import Entries

_BATCHES_AT_ONCE = 32
_EARLIER_OFFLOADS = 8
_QUARTER_HOUR_NS = 900 * 10**9
_GRANULARITY_NS = 2 * 10**9


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
        size = len(self.digests[name]) // len(self.known[name])
        return self.digests[name][at * size : (at + 1) * size]


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
    digests: dict[str, bytearray] = {}
    known: dict[str, bytearray] = {}
    for row in _batches(ledger, offload):
        names, sizes = _checksums(ledger, row)
        _refuse_damaged(ledger, row, count, sum(sizes))
        entries = unpack_entries(row[1])
        for at, state in zip(entries, row[2], strict=True):
            states[at] = state
        start = 0
        for name, size in zip(names, sizes, strict=True):
            column = digests.setdefault(name, bytearray(size * count))
            marks = known.setdefault(name, bytearray(count))
            for at in entries:
                column[at * size : (at + 1) * size] = row[4][start : start + size]
                marks[at] = 1
                start += size
    return FileColumns(
        bytes(states),
        {name: bytes(column) for name, column in digests.items()},
        {name: bytes(marks) for name, marks in known.items()},
    )


def load_earlier(ledger: Ledger, card: int, entries: Entries) -> FileColumns:
    """Checksums of earlier offloads of a card, for the entries that look the same.

    The same are path and size, and the time to 2 s and modulo quarter hours, since drivers and
    summer time move it. Such facts only choose what to reuse; everything is read again before it
    counts. The states are all 0 therefore.

    Args:
        card: the card's number.
        entries: of the listing now.
    """
    count = len(entries)
    digests: dict[str, bytearray] = {}
    known: dict[str, bytearray] = {}
    for offload in offloads.of_card(ledger, card)[:_EARLIER_OFFLOADS]:
        before = inventories.load(ledger, offload.inventory).entries
        columns = load(ledger, offload.offload, len(before))
        for now, then in _same(entries, before):
            for name in columns.digests:
                digest = columns.digest(name, then)
                marks = known.setdefault(name, bytearray(count))
                if digest is None or marks[now]:
                    continue
                column = digests.setdefault(name, bytearray(len(digest) * count))
                column[now * len(digest) : (now + 1) * len(digest)] = digest
                marks[now] = 1
    return FileColumns(
        bytes(count),
        {name: bytes(column) for name, column in digests.items()},
        {name: bytes(known[name]) for name in digests},
    )


def is_same_time(one_ns: int, other_ns: int) -> bool:
    """Whether two modification times differ by no more than driver and summer time make."""
    apart = abs(one_ns - other_ns) % _QUARTER_HOUR_NS
    return min(apart, _QUARTER_HOUR_NS - apart) <= _GRANULARITY_NS


def _same(now: Entries, before: Entries) -> Iterator[tuple[int, int]]:
    # Both are sorted by path, so one walk through both finds all pairs.
    then = 0
    for at in range(len(now)):
        path = now.path(at)
        while then < len(before) and before.path(then) < path:
            then += 1
        if then == len(before):
            return
        if before.path(then) == path and before.size_bytes(then) == now.size_bytes(at):
            one, other = now[at], before[then]
            if one.kind is other.kind and is_same_time(one.mtime_ns, other.mtime_ns):
                yield at, then


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
