"""Drives as things: what they are, when they came into use, what went wrong with them."""

from dataclasses import dataclass

from offload.ledger.columns import pack_list, plain, unpack_list, whole
from offload.ledger.database import Ledger, Row

MOST = 1000
"""No list is longer."""


@dataclass(frozen=True, slots=True)
class DriveHints:
    """What a drive says about itself at this moment.

    Attributes:
        name: as the settings or the command call it.
        volume_id: of the file system; empty where there is none.
        marker: the random number in its marker file; empty where there is none.
        path: the folder given, on this machine.
        fs_type: the system's name for the file system.
        devices: identities of the physical devices below.
        size_bytes, free_bytes: of the file system.
    """

    name: str
    volume_id: str
    marker: str
    path: bytes
    fs_type: str
    devices: frozenset[str]
    size_bytes: int
    free_bytes: int


@dataclass(frozen=True, slots=True)
class KnownDrive:
    """A drive that was used.

    Attributes:
        drive: its number in the ledger.
        hints: as at its last use.
        first_used_ns, last_used_ns: nanoseconds since 1970.
        retired_ns: since when it takes no more; None while it does.
    """

    drive: int
    hints: DriveHints
    first_used_ns: int
    last_used_ns: int
    retired_ns: int | None


@dataclass(frozen=True, slots=True)
class Fault:
    """One time that a drive failed."""

    drive: int
    offload: int | None
    text: str
    at_ns: int


_DRIVE = (
    "id, name, volume_id, marker, path, fs_type, devices, size_bytes, free_bytes,"
    " first_used_ns, last_used_ns, retired_ns"
)


def use(ledger: Ledger, hints: DriveHints, at_ns: int) -> int:
    """A drive is used: the one that has this name now is brought up to date, or a new one made.

    The caller has compared volume id and marker before; a name is no identity.

    Returns:
        Its number.
    """
    values = (
        plain(hints.volume_id),
        hints.marker,
        hints.path,
        plain(hints.fs_type),
        pack_list(sorted(hints.devices)),
        whole(hints.size_bytes),
        whole(hints.free_bytes),
    )
    with ledger.writing():
        known = in_use(ledger, hints.name)
        if known is None:
            return ledger.insert(
                "INSERT INTO drives (name, volume_id, marker, path, fs_type, devices, size_bytes,"
                " free_bytes, first_used_ns, last_used_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (plain(hints.name), *values, at_ns, at_ns),
            )
        ledger.change(
            "UPDATE drives SET volume_id = ?, marker = ?, path = ?, fs_type = ?, devices = ?,"
            " size_bytes = ?, free_bytes = ?, last_used_ns = max(last_used_ns, ?) WHERE id = ?",
            (*values, at_ns, known.drive),
        )
        return known.drive


def in_use(ledger: Ledger, name: str) -> KnownDrive | None:
    """The drive that has this name and is not retired."""
    row = ledger.row(
        f"SELECT {_DRIVE} FROM drives WHERE name = ? AND retired_ns IS NULL", (plain(name),)
    )
    return _drive(row) if row else None


def get(ledger: Ledger, drive: int) -> KnownDrive:
    """One drive by its number."""
    row = ledger.row(f"SELECT {_DRIVE} FROM drives WHERE id = ?", (drive,))
    if row is None:
        raise RuntimeError(f"no drive {drive}")
    return _drive(row)


def find_by_volume(ledger: Ledger, volume_id: str) -> tuple[KnownDrive, ...]:
    """Drives with this volume id, retired ones too; a cloned drive has its original's."""
    rows = ledger.rows(
        f"SELECT {_DRIVE} FROM drives WHERE volume_id = ? ORDER BY id DESC LIMIT {MOST}",
        (plain(volume_id),),
    )
    return tuple(_drive(row) for row in rows)


def all_known(ledger: Ledger) -> tuple[KnownDrive, ...]:
    """All drives, the first used first; a production has tens of them."""
    rows = ledger.rows(f"SELECT {_DRIVE} FROM drives ORDER BY id LIMIT {MOST}")
    return tuple(_drive(row) for row in rows)


def retire(ledger: Ledger, drive: int, at_ns: int) -> None:
    """The drive takes no more; its name is free for another."""
    ledger.change(
        "UPDATE drives SET retired_ns = ? WHERE id = ? AND retired_ns IS NULL", (at_ns, drive)
    )


def add_fault(ledger: Ledger, fault: Fault) -> None:
    """Write down that a drive failed."""
    ledger.insert(
        "INSERT INTO faults (drive, offload, text, at_ns) VALUES (?, ?, ?, ?)",
        (fault.drive, fault.offload, plain(fault.text), fault.at_ns),
    )


def faults_of(ledger: Ledger, drive: int, count: int = 20) -> tuple[Fault, ...]:
    """The last faults of a drive, the newest first."""
    rows = ledger.rows(
        "SELECT drive, offload, text, at_ns FROM faults WHERE drive = ?"
        " ORDER BY at_ns DESC LIMIT ?",
        (drive, min(count, MOST)),
    )
    return tuple(Fault(*row) for row in rows)


def _drive(row: Row) -> KnownDrive:
    number, name, volume_id, marker, path, fs_type, devices, size, free, *rest = row
    known = frozenset(unpack_list(devices))
    hints = DriveHints(name, volume_id, marker, path, fs_type, known, size, free)
    return KnownDrive(number, hints, *rest)
