"""Whether a folder can hold the ledger: a local disk where logging and locking work.

On shares, database files were found locked, unreadable after a kill, or short of a transaction
that another machine had been told was kept. So the type of the file system is looked at first,
and then what matters is tried: a write-ahead log, its shared memory, and locks that another
process respects (https://www.sqlite.org/wal.html, "Disadvantages", and "How To Corrupt", part 2).
"""

import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from dataclasses import dataclass

from offload.errors import LedgerError, reason

SHARES = frozenset(
    {
        "9p",
        "afpfs",
        "afs",
        "ceph",
        "cifs",
        "coda",
        "davfs",
        "fuse.curlftpfs",
        "fuse.davfs",
        "fuse.glusterfs",
        "fuse.rclone",
        "fuse.sshfs",
        "gfs2",
        "glusterfs",
        "lustre",
        "ncpfs",
        "nfs",
        "nfs4",
        "ocfs2",
        "smb2",
        "smb3",
        "smbfs",
        "virtiofs",
        "webdav",
    }
)
"""File systems that other machines write to as well, by the names that systems give them."""

_IN_MEMORY = frozenset({"ramfs", "tmpfs"})
_MOUNTS = "/proc/self/mountinfo"
_TRY_TIMEOUT_S = 30

# Run by a second interpreter: prints "locked" where the first one's lock is respected.
_OTHER_PROCESS = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], timeout=0, isolation_level=None)
try:
    connection.execute("BEGIN IMMEDIATE")
except sqlite3.OperationalError as error:
    print("locked" if error.sqlite_errorcode & 0xFF == 5 else error)
else:
    print("free")
"""


@dataclass(frozen=True, slots=True)
class Place:
    """What is known of the folder.

    Attributes:
        fs_type: the system's name for the file system; empty where it is not known.
        is_ram: what lies there is gone after a power cut.
    """

    fs_type: str
    is_ram: bool


def refuse_unfit(home: bytes, *, fs_type: str = "") -> Place:
    """Try whether a folder can hold a ledger; leaves nothing behind.

    Args:
        home: the folder, which exists.
        fs_type: the file system's name, where the caller knows it; looked up otherwise.

    Raises:
        LedgerError: a share, or a place where logging or locking does not work.
    """
    try:
        known = fs_type or file_system(home)
    except OSError as error:
        raise unfit(home, f"the folder does not answer: {reason(error)}") from error
    if known in SHARES:
        raise unfit(home, f"it is on a share ({known}), which other machines write to as well")
    try:
        trial = tempfile.mkdtemp(prefix=b".try-", dir=home)
    except OSError as error:
        raise unfit(home, f"nothing can be written there: {reason(error)}") from error
    try:
        _try_database(home, os.path.join(trial, b"trial.sqlite"))
    finally:
        # What it ignores does not include a folder that opens and tells nothing.
        with contextlib.suppress(OSError):
            shutil.rmtree(trial, ignore_errors=True)
    return Place(known, known in _IN_MEMORY)


def file_system(folder: bytes) -> str:
    """The name of the file system that holds a folder; empty where the system does not say.

    The mount table is searched by device number, so that no link or bind mount misleads.
    Source: proc(5), ``/proc/pid/mountinfo``.

    Raises:
        OSError: the folder does not answer.
    """
    device = os.stat(folder).st_dev
    wanted = f"{os.major(device)}:{os.minor(device)}".encode()
    try:
        with open(_MOUNTS, "rb") as table:
            lines = [line.split() for line in table]
    except OSError:
        return ""
    for fields in reversed(lines):
        if len(fields) > 9 and fields[2] == wanted and b"-" in fields:
            return fields[fields.index(b"-") + 1].decode("ascii", "replace")
    return ""


def unfit(path: bytes, why: str) -> LedgerError:
    """The error for a place that does not do."""
    return LedgerError(
        f"the ledger cannot be kept here: {why}",
        path=path,
        meaning="nothing was begun; no card was touched",
        remedy="keep it on a disk inside this machine: [station] home in the settings, "
        "or OFFLOAD_HOME",
    )


def _try_database(home: bytes, path: bytes) -> None:
    try:
        connection = sqlite3.connect(path, isolation_level=None)
        try:
            mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            if mode != "wal":
                raise unfit(home, "write-ahead logging does not work there")
            connection.execute("CREATE TABLE trial (number INTEGER)")
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("INSERT INTO trial VALUES (1)")
            _try_lock(home, path)
            connection.execute("COMMIT")
        finally:
            connection.close()
    except sqlite3.Error as error:
        why = "write-ahead logging or shared memory does not work there"
        raise unfit(home, f"{why} ({error})") from error


def _try_lock(home: bytes, path: bytes) -> None:
    command = [sys.executable, "-I", "-c", _OTHER_PROCESS, os.fsdecode(path)]
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=_TRY_TIMEOUT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise unfit(home, f"whether locks work could not be tried ({error})") from error
    if done.stdout.strip() != "locked":
        said = done.stdout.strip() or done.stderr.strip()[-200:]
        raise unfit(home, f"locks of one process are not seen by another ({said})")
