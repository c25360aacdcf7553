"""What an offload reported, kept with it: bounded, and saying how much did not fit."""

from collections.abc import Iterable

from offload.ledger.columns import plain
from offload.ledger.database import Ledger
from offload.values.findings import Finding

MOST_KEPT = 10_000
"""Findings of one offload; a card that fails at each of a million frames fills no disk."""


def add(ledger: Ledger, offload: int, found: Iterable[Finding], at_ns: int) -> None:
    """Write findings down; those beyond the bound are counted."""
    rows = [
        (offload, each.code, plain(each.text), each.path, plain(each.drive), at_ns)
        for each in found
    ]
    with ledger.writing() as connection:
        have = connection.execute(
            "SELECT count(*) FROM findings WHERE offload = ?", (offload,)
        ).fetchone()[0]
        room = max(0, MOST_KEPT - int(have))
        connection.executemany(
            "INSERT INTO findings (offload, code, text, path, drive, at_ns)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            rows[:room],
        )
        if len(rows) > room:
            ledger.change(
                "UPDATE offloads SET findings_beyond = findings_beyond + ? WHERE id = ?",
                (len(rows) - room, offload),
            )


def of_offload(ledger: Ledger, offload: int, count: int = MOST_KEPT) -> tuple[Finding, ...]:
    """The findings of one offload in the order in which they came."""
    rows = ledger.rows(
        "SELECT code, text, path, drive FROM findings WHERE offload = ? ORDER BY id LIMIT ?",
        (offload, count),
    )
    return tuple(Finding(*row) for row in rows)
