"""The form of the database: made and brought up to date by numbered steps.

``user_version`` in the file's head counts the steps taken. All steps that are missing are taken in
one transaction, so that a kill in the middle leaves the old form, whole.
"""

import re
import sqlite3
from collections.abc import Iterator
from importlib import resources

from offload.errors import LedgerError
from offload.ledger.faults import damaged

APPLICATION_ID = 0x6F666C64
"""``ofld``: marks the file as ours in the database's own head."""

_NAME = re.compile(r"(\d{4})\.sql")
_NEEDED = (3, 37, 0)  # strict tables, https://www.sqlite.org/stricttables.html


def steps() -> dict[int, str]:
    """The SQL of each step by its number, from 1."""
    found: dict[int, str] = {}
    for item in resources.files("offload.ledger.migrations").iterdir():
        match = _NAME.fullmatch(item.name)
        if match:
            found[int(match.group(1))] = item.read_text("utf-8")
    return dict(sorted(found.items()))


LATEST = 4
"""Number of the newest step; a test holds it against the files."""


def refuse_foreign(connection: sqlite3.Connection, path: bytes) -> None:
    """Look at the file's head without changing anything.

    Raises:
        LedgerError: the file is not ours, a newer program made it, or our library is too old.
    """
    _refuse_old_library(path)
    _version(connection, path)


def bring_up_to_date(connection: sqlite3.Connection, path: bytes) -> None:
    """Take the steps that this file lacks.

    Args:
        connection: in autocommit mode, not inside a transaction.
        path: the file, for errors.

    Raises:
        LedgerError: the file is not ours, or a newer program made it.
    """
    if _version(connection, path) == LATEST:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Asked again under the lock: another process may have taken the steps meanwhile.
        have = _version(connection, path)
        for number, script in steps().items():
            if number > have:
                for statement in statements(script):
                    connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {LATEST}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def statements(script: str) -> Iterator[str]:
    """The statements of a script, one by one; those of triggers stay whole."""
    pending = ""
    for line in script.splitlines(keepends=True):
        if not pending and (not line.strip() or line.startswith("--")):
            continue
        pending += line
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""
    if pending.strip():
        raise RuntimeError(f"a migration ends in half a statement: {pending!r}")


def _version(connection: sqlite3.Connection, path: bytes) -> int:
    application = _number(connection, "application_id")
    version = _number(connection, "user_version")
    if application != APPLICATION_ID and _number(connection, "schema_version"):
        raise LedgerError(
            "this database belongs to another program",
            path=path,
            meaning="it was left as it is",
            remedy="keep the ledger elsewhere: [station] home in the settings",
        )
    if version > LATEST:
        raise LedgerError(
            f"a newer version of this program made this ledger (form {version}, "
            f"this program knows {LATEST})",
            path=path,
            meaning="it was left as it is",
            remedy="use the newer version",
        )
    if version == 0 and application == APPLICATION_ID:
        raise damaged(path, "its head has lost its version")
    return version


def _number(connection: sqlite3.Connection, pragma: str) -> int:
    row = connection.execute(f"PRAGMA {pragma}").fetchone()
    return int(row[0])


def _refuse_old_library(path: bytes) -> None:
    if sqlite3.sqlite_version_info < _NEEDED:
        raise LedgerError(
            f"the SQLite library is {sqlite3.sqlite_version}, the ledger needs 3.37 or newer",
            path=path,
            remedy="use a Python that comes with a newer SQLite",
        )
