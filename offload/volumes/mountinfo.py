"""The Linux mount table, ``/proc/self/mountinfo``.

Source: proc_pid_mountinfo(5). Fields are separated by blanks; blank, tab, newline, backslash and
``#`` inside a field are written as a backslash and three octal digits. Names are bytes: a label
chosen on another machine becomes a mount point here.
"""

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass

TABLE = b"/proc/self/mountinfo"
_MAX_BYTES = 16 << 20
_READINGS = 5
_ESCAPE = re.compile(rb"\\([0-7]{3})")
_DEVICE = re.compile(rb"\d+:\d+")


@dataclass(frozen=True, slots=True)
class MountRow:
    """One line of the mount table, unescaped.

    Attributes:
        mount_id: the kernel's small id, given again after an unmounting.
        parent_id: id of the mounting it is mounted on.
        device: ``major:minor`` of the file system.
        root: folder of the file system that is mounted.
        mount_point: absolute path.
        options: options of this mounting.
        fs_type: kind of file system.
        source: what was mounted.
        fs_options: options of the file system.
    """

    mount_id: int
    parent_id: int
    device: str
    root: bytes
    mount_point: bytes
    options: tuple[bytes, ...]
    fs_type: str
    source: bytes
    fs_options: tuple[bytes, ...]


def read_rows(table: bytes = TABLE) -> tuple[MountRow, ...]:
    """The mount table now.

    The kernel hands the table out a page at a time, and mounts may come and go in between: it is
    read until two readings agree (at most five times, since a table may never come to rest).

    Raises:
        OSError: there is no such table.
    """
    before = _read(table)
    for _ in range(_READINGS - 1):
        after = _read(table)
        if after == before:
            break
        before = after
    return parse_rows(before)


def parse_rows(text: bytes) -> tuple[MountRow, ...]:
    """The rows of a table's text; a line that is none is left out."""
    rows = (_parse_row(line) for line in text.split(b"\n"))
    return tuple(row for row in rows if row is not None)


def unescape(field: bytes) -> bytes:
    """A field with its octal escapes undone."""
    return _ESCAPE.sub(lambda found: bytes([int(found.group(1), 8) & 0xFF]), field)


def visible_at(rows: Iterable[MountRow], path: bytes) -> MountRow | None:
    """The mounting that an absolute path without links leads into, mounts over mounts regarded."""
    children = {(row.parent_id, row.mount_point): row for row in rows}
    return _descend(children, _top_root(children.values()), path)


def covered_ids(rows: Iterable[MountRow]) -> frozenset[int]:
    """Ids of mountings whose own mount point leads into another mounting."""
    table = tuple(rows)
    children = {(row.parent_id, row.mount_point): row for row in table}
    root = _top_root(table)
    covered = set()
    for row in table:
        seen = _descend(children, root, row.mount_point)
        if seen is not None and seen.mount_id != row.mount_id:
            covered.add(row.mount_id)
    return frozenset(covered)


def _read(table: bytes) -> bytes:
    descriptor = os.open(table, os.O_RDONLY | os.O_CLOEXEC)
    try:
        parts: list[bytes] = []
        size = 0
        while size < _MAX_BYTES:
            part = os.read(descriptor, 1 << 16)
            if not part:
                break
            parts.append(part)
            size += len(part)
    finally:
        os.close(descriptor)
    return b"".join(parts)


def _parse_row(line: bytes) -> MountRow | None:
    fields = line.split(b" ")
    try:
        # Any number of optional fields stands before the lone dash.
        dash = fields.index(b"-", 6)
        fs_type, source, fs_options = fields[dash + 1 : dash + 4]
        mount_id, parent_id = int(fields[0]), int(fields[1])
    except ValueError:
        return None
    if not _DEVICE.fullmatch(fields[2]):
        return None
    return MountRow(
        mount_id=mount_id,
        parent_id=parent_id,
        device=fields[2].decode("ascii"),
        root=unescape(fields[3]),
        mount_point=unescape(fields[4]),
        options=_options(fields[5]),
        fs_type=unescape(fs_type).decode("utf-8", "surrogateescape"),
        source=unescape(source),
        fs_options=_options(fs_options),
    )


def _options(field: bytes) -> tuple[bytes, ...]:
    # Split before unescaping: an escaped comma belongs to a value.
    return tuple(unescape(option) for option in field.split(b","))


def _top_root(rows: Iterable[MountRow]) -> MountRow | None:
    """The mounting that ``/`` is looked up in, before anything stacked on it."""
    table = tuple(rows)
    ids = {row.mount_id for row in table}
    for row in table:
        if row.mount_point == b"/" and (row.parent_id not in ids or row.parent_id == row.mount_id):
            return row
    return None


def _descend(
    children: dict[tuple[int, bytes], MountRow], root: MountRow | None, path: bytes
) -> MountRow | None:
    here = root
    if here is None:
        return None
    for place in _prefixes(path):
        seen: set[int] = set()
        while (over := children.get((here.mount_id, place))) and over.mount_id not in seen:
            seen.add(over.mount_id)
            here = over
    return here


def _prefixes(path: bytes) -> list[bytes]:
    places = [b"/"]
    at = b""
    for part in path.split(b"/"):
        if part:
            at += b"/" + part
            places.append(at)
    return places
