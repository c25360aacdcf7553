"""What the station has in line: each volume that is in, and what it waits for.

The station owns these rows and writes them anew as things change; faces only read them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from offload.ledger.columns import pack_list, plain, raw, unpack_list, unraw
from offload.ledger.database import Ledger, Row

MOST = 1000
"""No list is longer."""


class Stage(Enum):
    """What becomes of a volume that is in."""

    SETTLING = "settling"
    """Just mounted; looked at again in a moment."""
    WAITING = "waiting"
    """In line behind another that shares its reader."""
    WORKING = "working"
    DRIVE_MISSING = "drive-missing"
    """Waits for the drives named."""
    ASKING = "asking"
    """A person has to say what it is, or what its roll is called."""
    DONE = "done"
    """A verdict was given in this mounting."""


@dataclass(frozen=True, slots=True)
class Queued:
    """One volume that is in.

    Attributes:
        mounting: its key.
        mount_point: where it is, bytes.
        label: as the volume has it, unescaped.
        stage: what becomes of it.
        since_ns: since when it is in line, nanoseconds since 1970.
        why: a phrase, already safe to show: what it waits for, what is asked; what to do about it
            in lines of their own.
        drives: names of the drives that it waits for.
        lane: what it shares with others: the reader.
        card, offload: their numbers, where they are known.
    """

    mounting: str
    mount_point: bytes
    label: str
    stage: Stage
    since_ns: int
    why: str = ""
    drives: tuple[str, ...] = ()
    lane: str = ""
    card: int | None = None
    offload: int | None = None


def put(ledger: Ledger, queued: Queued) -> None:
    """Put a volume in line, or say anew how it stands; its place in line stays."""
    ledger.change(
        "INSERT INTO queue (mounting, mount_point, label, card, offload, stage, lane, why, drives,"
        " since_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (mounting) DO UPDATE SET"
        " mount_point = excluded.mount_point, label = excluded.label, card = excluded.card,"
        " offload = excluded.offload, stage = excluded.stage, lane = excluded.lane,"
        " why = excluded.why, drives = excluded.drives",
        (
            plain(queued.mounting),
            queued.mount_point,
            raw(queued.label),
            queued.card,
            queued.offload,
            queued.stage.value,
            plain(queued.lane),
            plain(queued.why),
            pack_list(queued.drives),
            queued.since_ns,
        ),
    )


def take_off(ledger: Ledger, mounting: str) -> None:
    """The volume has left."""
    ledger.change("DELETE FROM queue WHERE mounting = ?", (plain(mounting),))


def keep_only(ledger: Ledger, mountings: Iterable[str]) -> None:
    """After a restart: all others have left while nobody looked."""
    present = {plain(each) for each in mountings}
    with ledger.writing():
        for queued in in_line(ledger):
            if queued.mounting not in present:
                take_off(ledger, queued.mounting)


def in_line(ledger: Ledger) -> tuple[Queued, ...]:
    """All volumes that are in, the first come first."""
    rows = ledger.rows(
        "SELECT mounting, mount_point, label, stage, since_ns, why, drives, lane, card, offload"
        f" FROM queue ORDER BY since_ns, mounting LIMIT {MOST}"
    )
    return tuple(_queued(row) for row in rows)


def _queued(row: Row) -> Queued:
    mounting, mount_point, label, stage, since_ns, why, drives, *rest = row
    return Queued(
        mounting,
        mount_point,
        unraw(label),
        Stage(stage),
        since_ns,
        why,
        unpack_list(drives),
        *rest,
    )
