"""Every earlier form of the ledger becomes the present one, with all that is in it."""

import os
import sqlite3

import pytest

from offload.ledger import Ledger, schema, standing
from offload.ledger.schema import APPLICATION_ID, LATEST, statements, steps

_ROWS = """
INSERT INTO cards (id, volume_id, label, size_bytes, fs_type, digest, first_seen_ns, last_seen_ns)
  VALUES (1, 'v', x'41', 9, 'exfat', 'd1', 1, 2), (2, 'v', x'41', 9, 'exfat', 'd2', 1, 3);
INSERT INTO inventories (id, content, digest, files, bytes, entries, left_out)
  VALUES (1, x'00', 'd1', 1, 1, x'', x''), (2, x'01', 'd2', 1, 1, x'', x'');
INSERT INTO mountings (key, card, mount_point, reader, arrived_ns, left_ns)
  VALUES ('m1', 1, x'2f', '', 1, 2), ('m2', 2, x'2f', '', 1, 2);
INSERT INTO offloads (id, key, kind, card, inventory, digest, state, policy, checksums, mounting,
    host, pid, started_ns, changed_ns, ended_ns, answer)
  VALUES (1, 'k', 'copy', 1, 1, 'd1', 'ended',
    '{"copies_needed":2,"separate_drives":true,"card_reads":2,"declared_separate":[]}', '[]', 'm1',
    'h', 1, 1, 2, 2, 'cleared'),
  (2, 'k', 'copy', 2, 2, 'd2', 'ended',
    '{"copies_needed":2,"separate_drives":true,"card_reads":2,"declared_separate":[]}', '[]', 'm2',
    'h', 1, 1, 2, 2, 'held');
"""
"""Rows that the first form took: one card cleared and one held, both out."""


def make(home: bytes, version: int) -> bytes:
    """A ledger as the program left it when it knew so many steps."""
    os.makedirs(home)
    path = os.path.join(home, b"ledger.sqlite")
    connection = sqlite3.connect(path, isolation_level=None)
    for number in range(1, version + 1):
        for statement in statements(steps()[number]):
            connection.execute(statement)
        if number == 1:
            for statement in statements(_ROWS):
                connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {version}")
    connection.close()
    return path


def form(ledger: Ledger) -> set[tuple[str, str, str]]:
    rows = ledger.rows("SELECT type, name, coalesce(sql, '') FROM sqlite_schema")
    return {(kind, name, " ".join(sql.split())) for kind, name, sql in rows}


def test_steps_are_numbered_without_a_gap() -> None:
    assert list(steps()) == list(range(1, LATEST + 1))


@pytest.mark.parametrize("version", range(1, LATEST + 1))
def test_every_form_becomes_the_present_one(home: bytes, version: int) -> None:
    make(home, version)
    with Ledger(home) as ledger, Ledger(home + b"-fresh") as fresh:
        assert form(ledger) == form(fresh)
        assert ledger.problems(thorough=True) == ()
        assert ledger.row("SELECT count(*) FROM offloads") == (2,)


def test_cards_cleared_before_are_not_taken_for_unproven(home: bytes) -> None:
    make(home, 1)
    with Ledger(home) as ledger:
        assert [each.card.card for each in standing.not_proven(ledger)] == [2]


def test_step_that_fails_leaves_the_old_form(home: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    path = make(home, 1)
    broken = {**steps(), 2: steps()[2] + "\nINSERT INTO nowhere VALUES (1);\n"}
    with monkeypatch.context() as patched:
        patched.setattr(schema, "steps", lambda: broken)
        with pytest.raises(sqlite3.OperationalError):
            Ledger(home)
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_schema")]
        assert "queue" not in names
    connection.close()
    Ledger(home).close()


def test_script_that_ends_in_half_a_statement_is_our_bug() -> None:
    with pytest.raises(RuntimeError, match="half a statement"):
        list(statements("CREATE TABLE a (x);\nCREATE TABLE"))


def test_trigger_stays_one_statement() -> None:
    script = "CREATE TRIGGER t BEFORE UPDATE ON a\nBEGIN SELECT 1; SELECT 2; END;\nSELECT 3;\n"
    assert len(list(statements(script))) == 2
