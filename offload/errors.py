"""Errors that carry what happened, to which path, what it means and what to do.

One base, then families by whose side failed. The facts are attributes; the text is made in
``__str__`` from escaped parts, and no decision ever reads it. What a caller got wrong in the order
of calls is our own bug and stays a ``RuntimeError``, outside this tree.
"""

import errno
import os

from offload.values.paths import to_text


class OffloadError(Exception):
    """Something that a person has to know about.

    Args:
        what: what happened, one sentence without the path.
        path: where, as bytes (shown escaped); empty where there is no path.
        meaning: what it means for the footage; may be empty.
        remedy: the next action, a command where there is one; may be empty.

    Attributes:
        code: kebab-case name of the kind, stable, for ``--json`` and for looking it up.
        exit_code: what the program ends with when this reaches the command line.
    """

    code = "error"
    exit_code = 3

    def __init__(
        self, what: str, *, path: bytes = b"", meaning: str = "", remedy: str = ""
    ) -> None:
        super().__init__(what)
        self.what = what
        self.path = path
        self.meaning = meaning
        self.remedy = remedy

    def __str__(self) -> str:
        where = f"{to_text(self.path)}: " if self.path else ""
        return f"{where}{self.what}"


class UsageError(OffloadError):
    """The command or its arguments cannot be meant; by the user's doing."""

    code = "usage"
    exit_code = 2


class SettingsError(OffloadError):
    """The settings file has a wrong key or value; by its editor's doing."""

    code = "settings"
    exit_code = 2


class CardError(OffloadError):
    """The card cannot be read, or is no longer the one it was; by card, reader or person."""

    code = "card"


class DriveError(OffloadError):
    """A drive cannot be used, or has failed; the other drives go on."""

    code = "drive"


class MismatchError(OffloadError):
    """Two things that must be equal differ: bytes, names or recorded checksums."""

    code = "mismatch"
    exit_code = 1


class RecordError(OffloadError):
    """A manifest, signature, checksum list or clearance is malformed or does not hold.

    Args:
        line: the line in the file, from 1; 0 where unknown.
    """

    code = "record"
    exit_code = 1

    def __init__(
        self,
        what: str,
        *,
        path: bytes = b"",
        line: int = 0,
        meaning: str = "",
        remedy: str = "",
    ) -> None:
        super().__init__(what, path=path, meaning=meaning, remedy=remedy)
        self.line = line

    def __str__(self) -> str:
        text = super().__str__()
        return f"{text} (line {self.line})" if self.line else text


class LedgerError(OffloadError):
    """The station's database cannot be read or written; nothing is cleared that is not recorded."""

    code = "ledger"


class BusyError(OffloadError):
    """Another run holds the card or the roll; nothing was touched."""

    code = "busy"


def reason(error: OSError) -> str:
    """What the system said, in its own words: ``input/output error (EIO)``."""
    if error.errno is None:
        return str(error) or type(error).__name__
    name = errno.errorcode.get(error.errno, str(error.errno))
    return f"{os.strerror(error.errno).lower()} ({name})"
