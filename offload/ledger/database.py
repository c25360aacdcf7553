"""The ledger's file: opened, kept durable, shared by threads and processes.

Rules:

* One connection of a process writes, under a lock; another reads, so that a face never waits for
  a commit that a busy disk delays. Between processes the database's own locks decide.
* A transaction is on the disk when :meth:`Ledger.writing` has ended: write-ahead log,
  ``synchronous=FULL``, and on macOS ``fullfsync`` (https://www.sqlite.org/pragma.html).
* The file that was opened must still be the file at the path whenever something is written: a
  service whose database was swapped under it must not go on as if nothing were.
"""

import contextlib
import os
import sqlite3
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Self

from offload.errors import LedgerError, reason
from offload.ledger import faults, place, schema

FILE_NAME = b"ledger.sqlite"

Row = tuple[Any, ...]
Value = int | str | bytes | float | None

_HEADER_SIZE = 100


class Ledger:
    """The station's memory. Safe to use from several threads."""

    def __init__(self, home: bytes, *, wait_s: float = 20.0) -> None:
        """Open the ledger in a folder, making both where they are missing.

        Args:
            home: the folder that holds everything of the station.
            wait_s: how long to wait for another process's transaction, seconds.

        Raises:
            LedgerError: the place does not do, or the file is damaged, foreign or locked.
        """
        self.home = home
        self.path = os.path.join(home, FILE_NAME)
        self._depth = 0
        self._is_doomed = False
        self._owner = 0
        self._write_lock = threading.RLock()
        self._read_lock = threading.Lock()
        _make_folder(home)
        if not os.path.exists(self.path):
            place.refuse_unfit(home)
        _refuse_truncated(self.path)
        with faults.told(self.path):
            self._writer = _connect(self.path, wait_s)
            try:
                _set_up(self._writer, self.path)
                self._reader = _connect(self.path, wait_s)
            except BaseException:
                _close_quietly(self._writer)
                raise
        self._identity = _identity(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close both connections; what was committed stays."""
        with self._write_lock, self._read_lock:
            self._reader.close()
            self._writer.close()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction; a nested one joins it, and they stand or fall together.

        Raises:
            LedgerError: it is not on the disk; nothing of it is in the ledger.
        """
        with self._write_lock, faults.told(self.path):
            if self._depth:
                with self._joined() as connection:
                    yield connection
                return
            self._refuse_replaced()
            try:
                self._writer.execute("BEGIN IMMEDIATE")
                self._depth, self._owner, self._is_doomed = 1, threading.get_ident(), False
                yield self._writer
                self._commit()
            except BaseException:
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                raise
            finally:
                self._depth = self._owner = 0

    def rows(self, sql: str, values: Sequence[Value] = ()) -> list[Row]:
        """All rows of a question; inside :meth:`writing` it sees what was written so far."""
        with faults.told(self.path):
            if self._owner == threading.get_ident():
                return self._writer.execute(sql, values).fetchall()
            with self._read_lock:
                return self._reader.execute(sql, values).fetchall()

    def row(self, sql: str, values: Sequence[Value] = ()) -> Row | None:
        """The first row of a question, if any."""
        found = self.rows(sql, values)
        return found[0] if found else None

    def insert(self, sql: str, values: Sequence[Value]) -> int:
        """Add one row, in a transaction of its own unless inside one; returns its number."""
        with self.writing() as connection:
            number = connection.execute(sql, values).lastrowid
        if number is None:
            raise RuntimeError(f"not an insertion: {sql}")
        return number

    def change(self, sql: str, values: Sequence[Value]) -> int:
        """Change rows, in a transaction of its own unless inside one; returns how many."""
        with self.writing() as connection:
            return connection.execute(sql, values).rowcount

    def problems(self, *, thorough: bool = False) -> tuple[str, ...]:
        """What the database's own check finds wrong; empty when it is sound.

        Args:
            thorough: compare every index with its table too; reads the whole file, and takes
                some seconds a gigabyte.
        """
        check = "integrity_check" if thorough else "quick_check"
        try:
            found = [str(row[0]) for row in self.rows(f"PRAGMA {check}(20)")]
            found += [f"{row[0]} row {row[1]} points nowhere" for row in self.rows(_ORPHANS)]
        except LedgerError as error:
            return (str(error),)
        return tuple(text for text in found if text != "ok")

    @contextmanager
    def _joined(self) -> Iterator[sqlite3.Connection]:
        self._depth += 1
        try:
            yield self._writer
        except BaseException:
            self._is_doomed = True
            raise
        finally:
            self._depth -= 1

    def _commit(self) -> None:
        if self._is_doomed:
            raise RuntimeError("a part of this transaction failed, so the whole cannot be kept")
        self._writer.execute("COMMIT")

    def _refuse_replaced(self) -> None:
        if _identity(self.path) != self._identity:
            raise LedgerError(
                "the ledger's file was moved, removed or replaced while it was in use",
                path=self.path,
                meaning="nothing is cleared that cannot be recorded",
                remedy="put it back, then stop and start again",
            )


_ORPHANS = 'SELECT "table", rowid FROM pragma_foreign_key_check LIMIT 20'


def _connect(path: bytes, wait_s: float) -> sqlite3.Connection:
    # The library's own autocommit; transactions are opened and closed here by word. Any path
    # bytes are taken by the operating system's encoding.
    connection = sqlite3.connect(
        path, timeout=wait_s, isolation_level=None, check_same_thread=False
    )
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA cache_size = -8192")
        if sys.platform == "darwin":
            connection.execute("PRAGMA fullfsync = ON")
            connection.execute("PRAGMA checkpoint_fullfsync = ON")
    except BaseException:
        connection.close()
        raise
    return connection


def _close_quietly(connection: sqlite3.Connection) -> None:
    # What went wrong before is on its way; the descriptors must not stay behind.
    with contextlib.suppress(sqlite3.Error):
        connection.close()


def _set_up(connection: sqlite3.Connection, path: bytes) -> None:
    connection.execute("PRAGMA trusted_schema = OFF")
    # The form is looked at first: a foreign database must not even change its journal.
    schema.refuse_foreign(connection, path)
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise place.unfit(path, f"write-ahead logging is not possible there ({mode})")
    schema.bring_up_to_date(connection, path)


def _make_folder(home: bytes) -> None:
    try:
        os.makedirs(home, mode=0o700, exist_ok=True)
    except OSError as error:
        raise LedgerError(
            f"the ledger's folder cannot be made: {reason(error)}",
            path=home,
            remedy="give yourself permission, or keep the ledger elsewhere: [station] home",
        ) from error


def _identity(path: bytes) -> tuple[int, int] | None:
    try:
        facts = os.stat(path)
    except OSError:
        return None
    return facts.st_dev, facts.st_ino


def _refuse_truncated(path: bytes) -> None:
    """A file shorter than its own head says is damaged, unless a log is there to mend it.

    The database itself notices only when a question meets the missing part.
    Source: https://www.sqlite.org/fileformat2.html#the_database_header
    """
    try:
        with open(path, "rb") as file:
            head = file.read(_HEADER_SIZE)
            size = os.fstat(file.fileno()).st_size
    except FileNotFoundError:
        return
    except OSError as error:
        raise LedgerError(f"the ledger cannot be read: {reason(error)}", path=path) from error
    if not head or _has_log(path):
        return
    page = int.from_bytes(head[16:18], "big")
    pages = int.from_bytes(head[28:32], "big")
    if head[24:28] == head[92:96] and size < pages * (65536 if page == 1 else page):
        raise faults.damaged(path, f"{size} bytes are there of {pages * page}")


def _has_log(path: bytes) -> bool:
    try:
        return os.stat(path + b"-wal").st_size > 0
    except OSError:
        return False
