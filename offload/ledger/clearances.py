"""Clearances: which statements were signed, for which listing and mounting, whether in force."""

from dataclasses import dataclass

from offload.ledger.columns import plain
from offload.ledger.database import Ledger, Row

MOST = 1000
"""No list is longer."""


@dataclass(frozen=True, slots=True)
class NewClearance:
    """A statement that was written and signed on every drive that it counts.

    Attributes:
        offload, card: their numbers.
        roll: number of the roll; None while the material has none.
        digest: of the inventory that it is for.
        c4: C4 ID of the statement's bytes.
        key: fingerprint of the key that signed it.
        mounting: key of the card's mounting in which it holds.
        headline: what it rests on, in one line.
        at_ns: nanoseconds since 1970.
    """

    offload: int
    card: int
    roll: int | None
    digest: str
    c4: str
    key: str
    mounting: str
    headline: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class Clearance:
    """A clearance and what became of it.

    Attributes:
        clearance: its number in the ledger.
        given: see there.
        voided_ns: since when it is void; None while it is not.
        voided_because: why; empty while it is not.
    """

    clearance: int
    given: NewClearance
    voided_ns: int | None
    voided_because: str


_GIVEN = "offload, card, roll, digest, c4, key, mounting, headline, at_ns"
_CLEARANCE = f"id, {_GIVEN}, voided_ns, voided_because"


def add(ledger: Ledger, new: NewClearance) -> int:
    """Write a clearance down, before the word is said; returns its number."""
    return ledger.insert(
        f"INSERT INTO clearances ({_GIVEN}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            new.offload,
            new.card,
            new.roll,
            new.digest,
            new.c4,
            new.key,
            plain(new.mounting),
            plain(new.headline),
            new.at_ns,
        ),
    )


def void(ledger: Ledger, clearance: int, because: str, at_ns: int) -> None:
    """The clearance holds no longer; the first reason stays, and the card counts as not proven.

    Not for a card that has left as it was: that one was safe when it left.
    """
    with ledger.writing():
        ledger.change(
            "UPDATE clearances SET voided_ns = ?, voided_because = ?"
            " WHERE id = ? AND voided_ns IS NULL",
            (at_ns, plain(because), clearance),
        )
        ledger.change(
            "UPDATE cards SET proven_digest = '' WHERE (id, proven_digest) ="
            " (SELECT card, digest FROM clearances WHERE id = ?)",
            (clearance,),
        )


def last_of_card(ledger: Ledger, card: int) -> Clearance | None:
    """The last clearance of a card, void or not."""
    return _last(ledger, "card = ?", card)


def by_c4(ledger: Ledger, c4: str) -> Clearance | None:
    """The clearance whose statement has this C4 ID."""
    return _last(ledger, "c4 = ?", c4)


def of_roll(ledger: Ledger, roll: int) -> tuple[Clearance, ...]:
    """All clearances of a roll, the newest first."""
    rows = ledger.rows(
        f"SELECT {_CLEARANCE} FROM clearances WHERE roll = ? ORDER BY at_ns DESC LIMIT {MOST}",
        (roll,),
    )
    return tuple(_clearance(row) for row in rows)


def _last(ledger: Ledger, where: str, value: int | str) -> Clearance | None:
    row = ledger.row(
        f"SELECT {_CLEARANCE} FROM clearances WHERE {where} ORDER BY at_ns DESC, id DESC LIMIT 1",
        (value,),
    )
    return _clearance(row) if row else None


def _clearance(row: Row) -> Clearance:
    number, *given, voided_ns, because = row
    return Clearance(number, NewClearance(*given), voided_ns, because)
