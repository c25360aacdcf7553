"""How many bytes a full reading of a file must fetch from its device at the least.

Holes and reserved, unwritten space are not fetched; inline content comes with the metadata; of an
encoded (compressed) extent only its existence is known. So the sum can deny that a file was read
from the device; it never proves it. Source: Linux ``Documentation/filesystems/fiemap.rst``.
"""

import array
import errno
import fcntl
import os
import struct
import sys
from collections.abc import Sequence
from typing import NamedTuple

from offload.storage.root import Root

_FS_IOC_FIEMAP = 0xC020660B
_HEAD = struct.Struct("=QQLLLL")
_EXTENT = struct.Struct("=QQQQQLLLL")
_BATCH = 64

_LAST = 0x1
_UNKNOWN = 0x2
_DELAYED = 0x4
_ENCODED = 0x8
_INLINE = 0x200
_TAIL = 0x400
_UNWRITTEN = 0x800
_NOWHERE = _UNKNOWN | _DELAYED | _INLINE | _TAIL | _UNWRITTEN
_EVERYTHING = 1 << 62


class _Extent(NamedTuple):
    logical: int
    physical: int
    length: int
    flags: int


_SMALLEST = 4096
_NOT_OFFERED = frozenset({errno.EOPNOTSUPP, errno.ENOTTY, errno.ENOSYS, errno.EINVAL})


def mapped_bytes(fd: int, facts: os.stat_result) -> int:
    """Bytes on the device that belong to the file ``fd``, at the least."""
    if not facts.st_size:
        return 0
    if sys.platform == "linux":
        try:
            return min(facts.st_size, _by_extents(fd, facts.st_size))
        except OSError as error:
            if error.errno not in _NOT_OFFERED:
                raise
    return min(facts.st_size, facts.st_blocks * 512)


def fetched_at_least(root: Root, files: Sequence[tuple[bytes, int]], fetched_bytes: int) -> int:
    """How much of what was read below one root lies on its device at the least.

    Args:
        root: where; a handle of its own is opened.
        files: path and size (bytes) of each file that was read whole. One that cannot be asked
            any more is taken to lie on the device whole: what is not known never makes evidence
            easier to have.
        fetched_bytes: all that was read, files that were not read to their end included.
    """
    in_part = max(0, fetched_bytes - sum(size_bytes for _, size_bytes in files))
    try:
        with root.again() as mine:
            return in_part + sum(_mapped_at(mine, path, size) for path, size in files)
    except OSError:
        return fetched_bytes


def _mapped_at(root: Root, path: bytes, size_bytes: int) -> int:
    try:
        fd, facts = root.open_with_facts(path)
    except OSError:
        return size_bytes
    try:
        return mapped_bytes(fd, facts)
    except OSError:
        return size_bytes
    finally:
        os.close(fd)


def data_ranges(fd: int) -> list[tuple[int, int]]:
    """Where a file's data lie on their device: (start, end) in bytes; empty where nobody tells.

    Two files with a range in common share extents: a reflink, or what deduplication has left, is
    no copy of its own. Inline content and what is not written yet lies nowhere.
    """
    if sys.platform != "linux":
        return []
    ranges: list[tuple[int, int]] = []
    start = 0
    while True:
        try:
            found = _extents(fd, start, _EVERYTHING - start)
        except OSError:
            return []
        ranges += [
            (extent.physical, extent.physical + extent.length)
            for extent in found
            if not extent.flags & _NOWHERE and extent.length
        ]
        if len(found) < _BATCH or found[-1].flags & _LAST:
            return ranges
        start = found[-1].logical + found[-1].length


def _by_extents(fd: int, size_bytes: int) -> int:
    total = 0
    start = 0
    while start < size_bytes:
        found = _extents(fd, start, size_bytes - start)
        for extent in found:
            total += _least(min(extent.length, size_bytes - extent.logical), extent.flags)
            start = extent.logical + extent.length
        if len(found) < _BATCH or found[-1].flags & _LAST:
            break
    return total


def _extents(fd: int, start: int, length: int) -> list[_Extent]:
    buffer = array.array("B", bytes(_HEAD.size + _BATCH * _EXTENT.size))
    _HEAD.pack_into(buffer, 0, start, length, 0, 0, _BATCH, 0)
    fcntl.ioctl(fd, _FS_IOC_FIEMAP, buffer)
    count = _HEAD.unpack_from(buffer)[3]
    found = []
    for at in range(min(count, _BATCH)):
        fields = _EXTENT.unpack_from(buffer, _HEAD.size + at * _EXTENT.size)
        found.append(_Extent(fields[0], fields[1], fields[2], fields[5]))
    return found


def _least(length: int, flags: int) -> int:
    if flags & _NOWHERE:
        return 0
    return min(length, _SMALLEST) if flags & _ENCODED else max(length, 0)
