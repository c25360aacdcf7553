"""What persons decide: appended, never changed, taken up by whoever runs.

Kinds are ``settle`` (a hold, bound to code, path and content), ``name`` (a roll's), ``card``
(treat this volume as one), ``take-over`` (from a handover) and what else a command asks for.
"""

from dataclasses import dataclass

from offload.ledger.columns import plain
from offload.ledger.database import Ledger, Row
from offload.values.facts import Decision

MOST = 1000
"""No list is longer."""

SETTLE = "settle"


@dataclass(frozen=True, slots=True)
class NewDecision:
    """A person's word.

    Attributes:
        kind: see the module.
        by, because: who and why, as given.
        at_ns: nanoseconds since 1970.
        card, roll: what it is about.
        code: the hold's code, for ``settle``.
        path: the clip's; empty for the whole.
        checksum: raw xxh128 of the content that it was given for; empty for the whole.
        value: the new name, or what else the kind needs.
    """

    kind: str
    by: str
    because: str
    at_ns: int
    card: int | None = None
    roll: int | None = None
    code: str = ""
    path: bytes = b""
    checksum: bytes = b""
    value: str = ""


@dataclass(frozen=True, slots=True)
class KeptDecision:
    """A decision and its number in the ledger."""

    decision: int
    word: NewDecision


_WORD = "decisions.id, kind, by, because, at_ns, card, roll, code, path, checksum, value"
_VALUES = "(kind, by, because, at_ns, card, roll, code, path, checksum, value)"


def add(ledger: Ledger, new: NewDecision) -> int:
    """Write a decision down; returns its number."""
    return ledger.insert(
        f"INSERT INTO decisions {_VALUES} VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            new.kind,
            plain(new.by),
            plain(new.because),
            new.at_ns,
            new.card,
            new.roll,
            new.code,
            new.path,
            new.checksum,
            plain(new.value),
        ),
    )


def settled(ledger: Ledger, card: int) -> tuple[Decision, ...]:
    """What was settled for a card, for the verdict; whether it still binds is decided there."""
    rows = ledger.rows(
        "SELECT code, path, checksum, by, because FROM decisions WHERE card = ? AND kind = ?"
        f" ORDER BY id DESC LIMIT {MOST}",
        (card, SETTLE),
    )
    return tuple(Decision(*row) for row in rows)


def settled_of_any(ledger: Ledger) -> tuple[Decision, ...]:
    """What was settled lately, for whatever card; the caller sees to it that the content is one."""
    rows = ledger.rows(
        "SELECT code, path, checksum, by, because FROM decisions WHERE kind = ?"
        f" ORDER BY id DESC LIMIT {MOST}",
        (SETTLE,),
    )
    return tuple(Decision(*row) for row in rows)


def of_roll(ledger: Ledger, roll: int) -> tuple[KeptDecision, ...]:
    """All decisions about a roll, the oldest first."""
    return _kept(
        ledger.rows(
            f"SELECT {_WORD} FROM decisions WHERE roll = ? ORDER BY id LIMIT {MOST}", (roll,)
        )
    )


def waiting(ledger: Ledger, kind: str) -> tuple[KeptDecision, ...]:
    """Decisions of a kind that nobody has taken up yet, the oldest first."""
    return _kept(
        ledger.rows(
            f"SELECT {_WORD} FROM decisions WHERE kind = ? AND NOT EXISTS"
            " (SELECT 1 FROM answered WHERE decision = decisions.id)"
            f" ORDER BY id LIMIT {MOST}",
            (kind,),
        )
    )


def answer(ledger: Ledger, decision: int, outcome: str, at_ns: int) -> None:
    """A decision was taken up; once for each."""
    ledger.insert(
        "INSERT INTO answered (decision, outcome, at_ns) VALUES (?, ?, ?)",
        (decision, plain(outcome), at_ns),
    )


def _kept(rows: list[Row]) -> tuple[KeptDecision, ...]:
    return tuple(KeptDecision(row[0], NewDecision(*row[1:])) for row in rows)
