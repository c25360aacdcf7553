"""Rolls: what the production calls one card's worth of material, and what it was called before."""

from dataclasses import dataclass

from offload.ledger.columns import plain
from offload.ledger.database import Ledger, Row

MOST = 1000
"""No list is longer; older ones are asked for by ``before_ns``."""


@dataclass(frozen=True, slots=True)
class NewRoll:
    """A roll as it is first written down.

    Attributes:
        name: ``A001``, or ``unnamed-K7-4M2P`` until a person says more.
        card: the card's number.
        code: card code, fixed for the roll.
        content_root: raw xxh128 root hash of its content.
        production, day: as the folder template has them; the day as ``YYYY-MM-DD``.
        made_ns: nanoseconds since 1970.
    """

    name: str
    card: int
    code: str
    content_root: bytes
    production: str
    day: str
    made_ns: int


@dataclass(frozen=True, slots=True)
class Roll:
    """A roll and its number in the ledger; the other attributes as for :class:`NewRoll`."""

    roll: int
    name: str
    card: int
    code: str
    content_root: bytes
    production: str
    day: str
    made_ns: int


@dataclass(frozen=True, slots=True)
class Renaming:
    """One change of a roll's name, by whom and why."""

    old: str
    new: str
    by: str
    because: str
    at_ns: int


_ROLL = "id, name, card, code, content_root, production, day, made_ns"


def add(ledger: Ledger, roll: NewRoll) -> int:
    """A roll not known before; returns its number. Two cards may give two of one name."""
    return ledger.insert(
        "INSERT INTO rolls (name, card, code, content_root, production, day, made_ns)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            plain(roll.name),
            roll.card,
            roll.code,
            roll.content_root,
            plain(roll.production),
            roll.day,
            roll.made_ns,
        ),
    )


def get(ledger: Ledger, roll: int) -> Roll:
    """One roll by its number."""
    row = ledger.row(f"SELECT {_ROLL} FROM rolls WHERE id = ?", (roll,))
    if row is None:
        raise RuntimeError(f"no roll {roll}")
    return Roll(*row)


def find(ledger: Ledger, text: str) -> tuple[Roll, ...]:
    """The rolls that a person may mean: by name, by card code, by an earlier name.

    Returns:
        The newest first; several when the word is not unique.
    """
    word = plain(text)
    found = _rolls(ledger, "name = ?", word) or _rolls(ledger, "code = ?", word.upper())
    if found:
        return found
    rows = ledger.rows(
        "SELECT DISTINCT roll FROM names WHERE old = ? ORDER BY roll DESC LIMIT 50", (word,)
    )
    return tuple(get(ledger, int(row[0])) for row in rows)


def of_card(ledger: Ledger, card: int) -> tuple[Roll, ...]:
    """All rolls of a card, the newest first; a recorder's card makes one each day."""
    return _rolls(ledger, "card = ?", card)


def of_day(ledger: Ledger, day: str) -> tuple[Roll, ...]:
    """The rolls of one production day, the newest first."""
    return _rolls(ledger, "day = ?", day)


def newest(ledger: Ledger, count: int = MOST, *, before_ns: int = 1 << 62) -> tuple[Roll, ...]:
    """The newest rolls.

    Args:
        count: how many at most; never more than ``MOST``.
        before_ns: only those made before; for the next page.
    """
    rows = ledger.rows(
        f"SELECT {_ROLL} FROM rolls WHERE made_ns < ? ORDER BY made_ns DESC LIMIT ?",
        (before_ns, min(count, MOST)),
    )
    return tuple(Roll(*row) for row in rows)


def rename(ledger: Ledger, roll: int, change: Renaming) -> None:
    """Give a roll another name; the old one is kept."""
    with ledger.writing():
        ledger.insert(
            "INSERT INTO names (roll, old, new, by, because, at_ns) VALUES (?, ?, ?, ?, ?, ?)",
            (
                roll,
                plain(change.old),
                plain(change.new),
                plain(change.by),
                plain(change.because),
                change.at_ns,
            ),
        )
        ledger.change("UPDATE rolls SET name = ? WHERE id = ?", (plain(change.new), roll))


def names_before(ledger: Ledger, roll: int) -> tuple[Renaming, ...]:
    """All changes of a roll's name, the oldest first."""
    rows = ledger.rows(
        "SELECT old, new, by, because, at_ns FROM names WHERE roll = ? ORDER BY at_ns", (roll,)
    )
    return tuple(Renaming(*row) for row in rows)


def _rolls(ledger: Ledger, where: str, value: int | str) -> tuple[Roll, ...]:
    rows: list[Row] = ledger.rows(
        f"SELECT {_ROLL} FROM rolls WHERE {where} ORDER BY made_ns DESC LIMIT {MOST}", (value,)
    )
    return tuple(Roll(*row) for row in rows)
