"""Copies: one card's files on one drive, as one offload left them."""

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

from offload.ledger.columns import (
    ENTRY_BYTES,
    FACTS_BYTES,
    NO_FACTS,
    Facts,
    content_of,
    pack_entries,
    pack_facts,
    pack_list,
    plain,
    scatter,
    unpack_entries,
    unpack_list,
    whole,
)
from offload.ledger.database import Ledger, Row
from offload.ledger.faults import damaged
from offload.values.facts import CopyState, ReadBack

_BATCHES_AT_ONCE = 32
MOST = 1000
"""No list is longer."""


class Stage(Enum):
    """How far one drive is within its offload."""

    GROWING = "growing"
    """In ``ROLL.incomplete``."""
    PROVEN = "proven"
    """All of it read back and equal; it has its name."""
    PARTIAL = "partial"
    """The finished rest, as ``ROLL.partial``."""
    DROPPED = "dropped"
    """The drive failed or could not be used."""
    RECORDED = "recorded"
    """Known from its record alone; not read back since the ledger was made."""
    AWAY = "away"
    """The drive was not there; the offload waits for it by name."""


@dataclass(frozen=True, slots=True)
class NewCopy:
    """A drive takes part in an offload.

    Attributes:
        offload, drive: their numbers.
        path: the copy's folder, absolute.
        devices: identities of the physical devices below the drive now.
        mounting: key of the drive's mounting, by which later commands know whether it moved.
        started_ns: nanoseconds since 1970.
    """

    offload: int
    drive: int
    path: bytes
    devices: frozenset[str]
    mounting: str
    started_ns: int


@dataclass(frozen=True, slots=True)
class CopyResult:
    """How one drive came out, so far.

    Attributes:
        stage: see there.
        path: the copy's folder now.
        read_back: the weakest way in which its files were read back.
        proven_files: files read back in a way that counts, and equal.
        written_bytes: put on this drive by this offload.
        failure: why it was dropped; empty while it is well.
    """

    stage: Stage
    path: bytes
    read_back: ReadBack = ReadBack.NONE
    proven_files: int = 0
    written_bytes: int = 0
    failure: str = ""


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy as the ledger has it.

    Attributes:
        copy: its number in the ledger.
        drive_name: the drive's name.
        changed_ns: when ``result`` was last written.
    """

    copy: int
    offload: int
    drive: int
    drive_name: str
    devices: frozenset[str]
    mounting: str
    started_ns: int
    changed_ns: int
    result: CopyResult


@dataclass(frozen=True, slots=True)
class CopyColumns:
    """State and facts of a copy's files, in the order of the inventory's entries.

    Attributes:
        states: a byte of :class:`~offload.values.facts.CopyState` each, 0 (absent) where nothing
            was written down.
        facts: 40 bytes each, zeros where not known; see :meth:`fact`.
    """

    states: bytes
    facts: bytes

    def fact(self, at: int) -> Facts | None:
        """Device, inode, size, modification and change time of entry ``at``; None if not known."""
        found: Facts = struct.unpack_from("<QQQqq", self.facts, at * FACTS_BYTES)
        return None if found == NO_FACTS else found


_COPY = (
    "copies.id, offload, drive, drives.name, copies.devices, mounting, started_ns, changed_ns,"
    " state, copies.path, read_back, proven_files, written_bytes, failure"
)


def start(ledger: Ledger, new: NewCopy) -> int:
    """A drive takes part in an offload; returns the copy's number."""
    return ledger.insert(
        "INSERT INTO copies (offload, drive, path, devices, mounting, state, read_back,"
        " proven_files, written_bytes, started_ns, changed_ns, failure)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, 0, 0, ?, ?, '')",
        (
            new.offload,
            new.drive,
            new.path,
            pack_list(sorted(new.devices)),
            plain(new.mounting),
            Stage.GROWING.value,
            ReadBack.NONE.value,
            new.started_ns,
            new.started_ns,
        ),
    )


def tell(ledger: Ledger, copy: int, result: CopyResult, at_ns: int) -> None:
    """Write down how a copy stands now."""
    ledger.change(
        "UPDATE copies SET state = ?, path = ?, read_back = ?, proven_files = ?,"
        " written_bytes = ?, failure = ?, changed_ns = ? WHERE id = ?",
        (
            result.stage.value,
            result.path,
            result.read_back.value,
            result.proven_files,
            whole(result.written_bytes),
            plain(result.failure),
            at_ns,
            copy,
        ),
    )


def moved(ledger: Ledger, copy: int, mounting: str, devices: frozenset[str]) -> None:
    """The drive was mounted anew in the middle of its offload."""
    ledger.change(
        "UPDATE copies SET mounting = ?, devices = ? WHERE id = ?",
        (plain(mounting), pack_list(sorted(devices)), copy),
    )


def add_files(
    ledger: Ledger, copy: int, entries: Sequence[int], states: bytes, facts: Iterable[Facts]
) -> None:
    """Write one batch; later batches overrule earlier ones for the same entries.

    Args:
        copy: number of the copy.
        entries: entry numbers in the offload's inventory, in any order.
        states: a byte of ``CopyState`` for each.
        facts: for each device, inode, size, modification and change time, taken from the
            descriptor; ``NO_FACTS`` where there is no file.

    Raises:
        RuntimeError: columns of unequal length.
    """
    numbers, packed = pack_entries(entries), pack_facts(facts)
    if len(states) != len(entries) or len(packed) != FACTS_BYTES * len(entries):
        raise RuntimeError("the columns of a batch of a copy differ in length")
    ledger.insert(
        "INSERT INTO copied (copy, entries, states, facts, content) VALUES (?, ?, ?, ?, ?)",
        (copy, numbers, states, packed, content_of(numbers, states, packed)),
    )


def load(ledger: Ledger, copy: int, count: int) -> CopyColumns:
    """State and facts of all files of a copy.

    Args:
        count: entries in the offload's inventory.

    Raises:
        LedgerError: a batch is damaged.
    """
    states = bytearray(count)
    facts = bytearray(count * FACTS_BYTES)
    for batch in _batches(ledger, copy):
        _refuse_damaged(ledger, batch, count)
        entries = unpack_entries(batch[1])
        scatter(states, entries, batch[2], 1)
        scatter(facts, entries, batch[3], FACTS_BYTES)
    return CopyColumns(bytes(states), bytes(facts))


def of_offload(ledger: Ledger, offload: int) -> tuple[Copy, ...]:
    """The copies of one offload, in the order in which the drives came."""
    rows = ledger.rows(
        f"SELECT {_COPY} FROM copies JOIN drives ON drives.id = drive"
        " WHERE offload = ? ORDER BY copies.id",
        (offload,),
    )
    return tuple(_copy(row) for row in rows)


def of_roll(ledger: Ledger, roll: int) -> tuple[Copy, ...]:
    """All copies of a roll, over all its offloads; the newest first."""
    rows = ledger.rows(
        f"SELECT {_COPY} FROM copies JOIN drives ON drives.id = drive WHERE offload IN"
        f" (SELECT id FROM offloads WHERE roll = ?) ORDER BY copies.id DESC LIMIT {MOST}",
        (roll,),
    )
    return tuple(_copy(row) for row in rows)


def on_drive(
    ledger: Ledger, drive: int, *, before_ns: int = 1 << 62, count: int = MOST
) -> tuple[Copy, ...]:
    """What is on a drive, the newest first.

    Args:
        before_ns: only what started before; for the next page.
        count: how many at most.
    """
    rows = ledger.rows(
        f"SELECT {_COPY} FROM copies JOIN drives ON drives.id = drive WHERE drive = ?"
        " AND started_ns < ? ORDER BY started_ns DESC LIMIT ?",
        (drive, before_ns, min(count, MOST)),
    )
    return tuple(_copy(row) for row in rows)


@dataclass(frozen=True, slots=True)
class DriveUse:
    """What was put on a drive within a time.

    Attributes:
        copies: offloads that it took part in.
        written_bytes: their sum.
    """

    copies: int
    written_bytes: int


def written_between(ledger: Ledger, drive: int, since_ns: int, until_ns: int) -> DriveUse:
    """How much went onto a drive from one moment to before another: today's pace."""
    row = ledger.row(
        "SELECT count(*), total(written_bytes) FROM copies"
        " WHERE drive = ? AND started_ns >= ? AND started_ns < ?",
        (drive, since_ns, until_ns),
    )
    return DriveUse(row[0], int(row[1])) if row else DriveUse(0, 0)


def is_proven(state: int) -> bool:
    """Whether a state says that the file was read back from where it counts."""
    return state in (CopyState.PROVEN_DEVICE, CopyState.PROVEN_SERVER)


def _copy(row: Row) -> Copy:
    number, offload, drive, name, devices, mounting, started, changed = row[:8]
    stage, path, read_back, proven, written, failure = row[8:]
    result = CopyResult(Stage(stage), path, ReadBack(read_back), proven, written, failure)
    known = frozenset(unpack_list(devices))
    return Copy(number, offload, drive, name, known, mounting, started, changed, result)


def _refuse_damaged(ledger: Ledger, batch: Row, count: int) -> None:
    number, entries, states, facts, content = batch
    rows = len(states)
    is_whole = len(entries) == rows * ENTRY_BYTES and len(facts) == rows * FACTS_BYTES
    is_whole = is_whole and content == content_of(entries, states, facts)
    if not is_whole or max(unpack_entries(entries), default=-1) >= count:
        raise damaged(ledger.path, f"batch {number} of a copy")


def _batches(ledger: Ledger, copy: int) -> Iterator[Row]:
    last = 0
    while True:
        rows = ledger.rows(
            "SELECT id, entries, states, facts, content FROM copied WHERE copy = ? AND id > ?"
            " ORDER BY id LIMIT ?",
            (copy, last, _BATCHES_AT_ONCE),
        )
        if not rows:
            return
        yield from rows
        last = rows[-1][0]
