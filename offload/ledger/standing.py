"""Where each card and each roll stands: in the reader, out and safe, out and not proven."""

from dataclasses import dataclass
from enum import Enum

from offload.ledger import cards, clearances, offloads, rolls
from offload.ledger.cards import KnownCard, Mounting
from offload.ledger.clearances import Clearance
from offload.ledger.database import Ledger, Row
from offload.ledger.offloads import Offload, State
from offload.ledger.rolls import Roll
from offload.values.verdict import Answer

MOST = 1000
"""No list is longer."""


class Place(Enum):
    """Where a card is, and what that means."""

    IN_READER = "in-reader"
    OUT_WAS_SAFE = "out-was-safe"
    """As it was listed when it left, a verdict had cleared it."""
    OUT_NOT_PROVEN = "out-not-proven"
    """Nobody knows whether its material exists anywhere else: the loudest alarm there is."""
    DISMISSED = "dismissed"
    """Out, not proven, and a person has said that it needs no more care."""


@dataclass(frozen=True, slots=True)
class CardStanding:
    """One card with all that a line about it needs.

    Attributes:
        card: the card.
        place: where it is.
        rolls: its rolls, the newest first.
        mounting: the last one; None for a card known from records only.
        offload: the last one; None before the first.
        clearance: the last one; None before the first.
    """

    card: KnownCard
    place: Place
    rolls: tuple[Roll, ...]
    mounting: Mounting | None
    offload: Offload | None
    clearance: Clearance | None


@dataclass(frozen=True, slots=True)
class RollStanding:
    """One roll as a line of a list.

    Attributes:
        roll: the roll.
        offload: number of its last offload; None where there is none.
        state: how far that is.
        answer: its verdict's.
        changed_ns: when that was last written, nanoseconds since 1970; 0 where there is none.
        files, total_bytes: on the card when it was listed for it.
        proven_copies: drives on which all of it was proven by it.
    """

    roll: Roll
    offload: int | None
    state: State | None
    answer: Answer | None
    changed_ns: int
    files: int
    total_bytes: int
    proven_copies: int


_IS_CARD = f"fs_type <> '{cards.DELIVERY}'"
_UNPROVEN = "(digest = '' OR digest <> proven_digest) AND digest <> dismissed_digest"


def of_card(ledger: Ledger, card: int) -> CardStanding:
    """Where one card stands."""
    known = cards.get(ledger, card)
    mounting = cards.last_mounting(ledger, card)
    newest = offloads.last_of_card(ledger, card)
    return CardStanding(
        known,
        _place(ledger, card, mounting),
        rolls.of_card(ledger, card),
        mounting,
        newest,
        clearances.last_of_card(ledger, card),
    )


def seen_since(ledger: Ledger, since_ns: int) -> tuple[CardStanding, ...]:
    """Every card that was seen at that time or later: the cards of the day; last seen first."""
    rows = ledger.rows(
        f"SELECT id FROM cards WHERE last_seen_ns >= ? AND {_IS_CARD}"
        f" ORDER BY last_seen_ns DESC LIMIT {MOST}",
        (since_ns,),
    )
    return tuple(of_card(ledger, row[0]) for row in rows)


def not_proven(ledger: Ledger) -> tuple[CardStanding, ...]:
    """Every card, of any day, whose last listing no verdict has cleared; last seen first.

    Cards in a reader are among them. What a handover lists first.
    """
    rows = ledger.rows(
        f"SELECT id FROM cards WHERE ({_UNPROVEN}) AND {_IS_CARD}"
        f" ORDER BY last_seen_ns DESC LIMIT {MOST}"
    )
    return tuple(of_card(ledger, row[0]) for row in rows)


def dismiss(ledger: Ledger, card: int) -> None:
    """A person has said that the card as last listed needs no more care (see ``decisions``)."""
    ledger.change("UPDATE cards SET dismissed_digest = digest WHERE id = ?", (card,))


def take_up(ledger: Ledger, card: int) -> None:
    """More has become known of a card of which nobody needed to take care."""
    ledger.change("UPDATE cards SET dismissed_digest = '-' WHERE id = ?", (card,))


def newest_rolls(
    ledger: Ledger, count: int = 100, *, before_ns: int = 1 << 62
) -> tuple[RollStanding, ...]:
    """The newest rolls with their last offload.

    Args:
        count: how many at most; never more than ``MOST``.
        before_ns: only those made before; for the next page.
    """
    rows = ledger.rows(
        "SELECT rolls.id, rolls.name, rolls.card, rolls.code, rolls.content_root,"
        " rolls.production, rolls.day, rolls.made_ns,"
        " last.id, last.state, last.answer, last.changed_ns, listed.files, listed.bytes,"
        " (SELECT count(*) FROM copies WHERE copies.offload = last.id AND copies.state = 'proven')"
        " FROM rolls"
        " LEFT JOIN offloads AS last"
        " ON last.id = (SELECT max(id) FROM offloads WHERE roll = rolls.id)"
        " LEFT JOIN inventories AS listed ON listed.id = last.inventory"
        " WHERE made_ns < ? ORDER BY made_ns DESC LIMIT ?",
        (before_ns, min(count, MOST)),
    )
    return tuple(_roll_standing(row) for row in rows)


def _place(ledger: Ledger, card: int, mounting: Mounting | None) -> Place:
    if mounting is not None and mounting.left_ns is None:
        return Place.IN_READER
    row = ledger.row(
        f"SELECT {_UNPROVEN}, digest = dismissed_digest FROM cards WHERE id = ?", (card,)
    )
    if row is None or row[0]:
        return Place.OUT_NOT_PROVEN
    return Place.DISMISSED if row[1] else Place.OUT_WAS_SAFE


def _roll_standing(row: Row) -> RollStanding:
    offload, state, answer, changed_ns, files, total_bytes, proven = row[8:]
    return RollStanding(
        Roll(*row[:8]),
        offload,
        State(state) if state else None,
        Answer(answer) if answer else None,
        changed_ns or 0,
        files or 0,
        total_bytes or 0,
        proven,
    )
