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


def _by_extents(fd: int, size_bytes: int) -> int:
    total = 0
    start = 0
    while start < size_bytes:
        found = _extents(fd, start, size_bytes - start)
        for logical, length, flags in found:
            total += _least(min(length, size_bytes - logical), flags)
            start = logical + length
        if len(found) < _BATCH or found[-1][2] & _LAST:
            break
    return total


def _extents(fd: int, start: int, length: int) -> list[tuple[int, int, int]]:
    buffer = array.array("B", bytes(_HEAD.size + _BATCH * _EXTENT.size))
    _HEAD.pack_into(buffer, 0, start, length, 0, 0, _BATCH, 0)
    fcntl.ioctl(fd, _FS_IOC_FIEMAP, buffer)
    count = _HEAD.unpack_from(buffer)[3]
    found = []
    for at in range(min(count, _BATCH)):
        fields = _EXTENT.unpack_from(buffer, _HEAD.size + at * _EXTENT.size)
        found.append((fields[0], fields[2], fields[5]))
    return found


def _least(length: int, flags: int) -> int:
    if flags & (_UNKNOWN | _DELAYED | _INLINE | _TAIL | _UNWRITTEN):
        return 0
    return min(length, _SMALLEST) if flags & _ENCODED else max(length, 0)
