"""One short look at what lies at the top of a volume: has it come to rest, is it empty?

A volume may be seen before its content is there (a driver that is still reading, a desktop that
binds the real folder over an empty one). Two looks that agree, some time apart, say that it has
settled. The look is bounded: two levels, a few thousand names, a few hundred of them with size and
time. It opens folders read-only, asks for no access times to be stamped, and holds nothing
afterwards.
"""

import contextlib
import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any

from offload.errors import reason

_MAX_ENTRIES = 4096
_MOST_ASKED = 256
"""Entries of a folder whose size and time are asked for. A driver in user space that searches its
folder for each name takes longer for thousands than the card's whole answer may."""
_FOLDER = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_CLOEXEC", 0)
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)
_NOATIME = getattr(os, "O_NOATIME", 0)
_HAS_FOLDERS = os.scandir in os.supports_fd


@dataclass(frozen=True, slots=True)
class Look:
    """What one look saw.

    Attributes:
        digest: over the names seen, and kinds, sizes and times of those asked for.
        is_empty: nothing lies there.
        problem: why it could not be listed, a phrase; else empty.
    """

    digest: bytes
    is_empty: bool
    problem: str = ""


def look_at(mount_point: bytes) -> Look:
    """Look at the top of a volume. May hang where the file system hangs: bound it.

    Raises nothing: an error of the listing is what was seen.
    """
    try:
        # Without descriptors of folders (Windows) only the top level is seen.
        seen = _seen_from(mount_point) if _HAS_FOLDERS else _top_level(mount_point)
    except OSError as error:
        problem = reason(error)
        return Look(problem.encode(), False, problem)
    state = hashlib.sha256()
    for name, facts in sorted(seen):
        state.update(b"%d:%s%s" % (len(name), name, facts))
    return Look(state.digest(), not seen)


def _seen_from(mount_point: bytes) -> list[tuple[bytes, bytes]]:
    fd = _open(mount_point)
    try:
        return _seen(fd)
    finally:
        os.close(fd)


def _top_level(mount_point: bytes) -> list[tuple[bytes, bytes]]:
    return [(name, _told(facts)) for name, facts in _entries(mount_point, _MAX_ENTRIES)]


def _seen(top: int) -> list[tuple[bytes, bytes]]:
    device = os.fstat(top).st_dev
    entries = _entries(top, _MAX_ENTRIES)
    seen = [(name, _told(facts)) for name, facts in entries]
    for name, facts in entries:
        # What is mounted inside is another volume.
        if facts is None or not stat.S_ISDIR(facts.st_mode) or facts.st_dev != device:
            continue
        if len(seen) < _MAX_ENTRIES:
            inner = _below(top, name, _MAX_ENTRIES - len(seen))
            seen += [(name + b"/" + entry, told) for entry, told in inner]
    return seen


def _below(top: int, name: bytes, limit: int) -> list[tuple[bytes, bytes]]:
    """The entries of one inner folder; one that cannot be listed is seen as just that."""
    try:
        fd = _open(name, dir_fd=top)
    except OSError as error:
        return [(b"", reason(error).encode())]
    try:
        return [(inner, _told(facts)) for inner, facts in _entries(fd, limit)]
    except OSError as error:
        return [(b"", reason(error).encode())]
    finally:
        os.close(fd)


def _entries(folder: int | bytes, limit: int) -> list[tuple[bytes, os.stat_result | None]]:
    found: list[tuple[bytes, os.stat_result | None]] = []
    with os.scandir(folder) as listing:
        entries: Iterator[os.DirEntry[Any]] = islice(listing, limit)
        for entry in entries:
            facts = None
            # One that vanishes while it is looked at has not come to rest.
            with contextlib.suppress(FileNotFoundError):
                if len(found) < _MOST_ASKED:
                    facts = entry.stat(follow_symlinks=False)
                found.append((os.fsencode(entry.name), facts))
    return found


def _told(facts: os.stat_result | None) -> bytes:
    if facts is None:
        return b""
    return b"%d,%d,%d" % (stat.S_IFMT(facts.st_mode), facts.st_size, facts.st_mtime_ns)


def _open(path: bytes, dir_fd: int | None = None) -> int:
    flags = _FOLDER | (_NO_LINK if dir_fd is not None else 0)
    try:
        return os.open(path, flags | _NOATIME, dir_fd=dir_fd)
    except PermissionError:
        # O_NOATIME is for the owner alone (open(2)).
        return os.open(path, flags, dir_fd=dir_fd)
