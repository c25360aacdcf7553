"""What the database says when it fails, in people's words."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from offload.errors import LedgerError

_KEPT = "nothing is cleared that cannot be recorded; the copies and their records are untouched"
_PROOF = "no proof is lost: each copy carries its own record, checked by: offload verify FOLDER"

# Primary result codes, https://www.sqlite.org/rescode.html
_ERROR, _PERM, _BUSY, _LOCKED, _READONLY, _IOERR = 1, 3, 5, 6, 8, 10
_CORRUPT, _FULL, _CANTOPEN, _NOTADB = 11, 13, 14, 26

_DAMAGED = (
    "the ledger is damaged",
    _PROOF,
    "move this file aside and keep it; the next command begins a new ledger",
)

_WORDS: dict[int, tuple[str, str, str]] = {
    _FULL: (
        "the disk with the ledger is full",
        _KEPT,
        "make room on the disk, then give the same command again",
    ),
    _BUSY: (
        "another program keeps the ledger locked",
        _KEPT,
        "wait until it has ended, then give the same command again",
    ),
    _LOCKED: (
        "another program keeps the ledger locked",
        _KEPT,
        "wait until it has ended, then give the same command again",
    ),
    _CORRUPT: _DAMAGED,
    _NOTADB: ("this file is not a ledger", _PROOF, _DAMAGED[2]),
    _READONLY: (
        "the ledger cannot be written",
        _KEPT,
        "give yourself write permission, or keep the ledger elsewhere: [station] home",
    ),
    _PERM: (
        "the ledger may not be opened",
        _KEPT,
        "give yourself permission, or keep the ledger elsewhere: [station] home",
    ),
    _CANTOPEN: (
        "the ledger cannot be opened",
        _KEPT,
        "see that its folder is there and may be written",
    ),
    _IOERR: (
        "the disk with the ledger failed",
        _KEPT,
        "check that disk, then give the same command again",
    ),
}


@contextmanager
def told(path: bytes) -> Iterator[None]:
    """Turn what the database raises about the disk into a :class:`LedgerError`.

    A broken rule of the schema or a wrong statement is our own bug and passes through.

    Args:
        path: the ledger's file, shown in the error.
    """
    try:
        yield
    except sqlite3.Error as error:
        words = _WORDS.get(getattr(error, "sqlite_errorcode", 0) & 0xFF)
        if words is None:
            raise
        what, meaning, remedy = words
        detail = getattr(error, "sqlite_errorname", "")
        raise LedgerError(
            f"{what} ({detail})", path=path, meaning=meaning, remedy=remedy
        ) from error


def damaged(path: bytes, detail: str) -> LedgerError:
    """The error for damage that we found ourselves."""
    what, meaning, remedy = _DAMAGED
    return LedgerError(f"{what} ({detail})", path=path, meaning=meaning, remedy=remedy)
