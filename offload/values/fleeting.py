"""Folders whose content may go at any moment: trash, snapshots, unfinished copies.

A copy below one of them never counts (design, decision 6).

Sources: FreeDesktop.org trash specification 1.0 (``.Trash``, ``.Trash-UID``, ``Trash/files``), ZFS
(``.zfs/snapshot``), MS-SMB2 (``@GMT-`` tokens of previous versions); the rest is common practice of
desktop systems and file servers.
"""

import re

_NAMES = frozenset(
    {
        b".trash",
        b".trashes",
        b"$recycle.bin",
        b"recycler",
        b"recycled",
        b"#recycle",
        b"@recycle",
        b".recycle",
        b".snapshot",
        b".snapshots",
        b"#snapshot",
        b"@snapshots",
        b".zfs",
        b".mobilebackups",
        b"backups.backupdb",
    }
)
_FORMS = re.compile(rb"\.trash-[0-9]+|@gmt-[0-9.-]+|.+\.incomplete", re.DOTALL)
_HOME_TRASH = (b"trash", b"files")


def fleeting_part(path: bytes) -> bytes:
    """The first part of a path (absolute or not) that makes all below it fleeting; else empty."""
    parts = path.split(b"/")
    folded = [part.lower() for part in parts]
    for at, part in enumerate(folded):
        is_home_trash = tuple(folded[at : at + 2]) == _HOME_TRASH
        if part in _NAMES or is_home_trash or _FORMS.fullmatch(part):
            return parts[at]
    return b""


def is_fleeting(path: bytes) -> bool:
    """Whether what lies at ``path`` may go at any moment."""
    return bool(fleeting_part(path))
