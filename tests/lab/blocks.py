"""Where a file's bytes lie in the image under its file system, and changing them there.

A change made here goes behind the back of the mounted file system: only a reading that really
comes from the device can see it. Sources: kernel documentation ``fiemap.rst``; btrfs on-disk
format (chunk tree) as printed by ``btrfs inspect-internal dump-tree``.
"""

import fcntl
import mmap
import os
import re
import struct
import subprocess
from dataclasses import dataclass
from pathlib import Path

_FS_IOC_FIEMAP = 0xC020660B
_HEAD = struct.Struct("=QQLLLL")
_EXTENT = struct.Struct("=QQQQQLLLL")
_EXTENTS = 512
_FLAG_SYNC = 1
_IS_UNKNOWN = 0x2
_IS_DELAYED = 0x4
_IS_ENCODED = 0x8
_IS_INLINE = 0x200
PATTERN_BYTES = 48


class BlockError(AssertionError):
    """The bytes looked for have no place of their own in the image; a failure of the test."""


@dataclass(frozen=True, slots=True)
class Extent:
    """One run of a file: offsets in the file and on the device, length in bytes."""

    logical: int
    physical: int
    length: int
    flags: int

    @property
    def is_encoded(self) -> bool:
        """Compressed: bytes on the device are not the file's bytes."""
        return bool(self.flags & _IS_ENCODED)


def extents(path: Path) -> list[Extent]:
    """The extents of a file as its file system tells them, after syncing it."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        room = bytearray(_HEAD.size + _EXTENTS * _EXTENT.size)
        _HEAD.pack_into(room, 0, 0, 2**63 - 1, _FLAG_SYNC, 0, _EXTENTS, 0)
        fcntl.ioctl(descriptor, _FS_IOC_FIEMAP, room)
    finally:
        os.close(descriptor)
    count = _HEAD.unpack_from(room)[3]
    found = []
    for number in range(count):
        part = _EXTENT.unpack_from(room, _HEAD.size + number * _EXTENT.size)
        found.append(Extent(part[0], part[1], part[2], part[5]))
    return found


def extent_at(path: Path, offset: int) -> Extent:
    """The extent that holds byte ``offset`` of the file.

    Raises:
        BlockError: the byte has no place on the device (a hole, inline, not yet written).
    """
    for extent in extents(path):
        if extent.logical <= offset < extent.logical + extent.length:
            if extent.flags & (_IS_UNKNOWN | _IS_DELAYED | _IS_INLINE):
                raise BlockError(f"{path}: byte {offset} has no block of its own")
            return extent
    raise BlockError(f"{path}: byte {offset} lies in no extent")


def btrfs_physical(image: Path, logical: int) -> int:
    """The first place on the device of a btrfs logical address.

    Raises:
        BlockError: no chunk holds it.
    """
    done = subprocess.run(
        ["btrfs", "inspect-internal", "dump-tree", "-t", "chunk", os.fspath(image)],
        check=True,
        capture_output=True,
        text=True,
    )
    chunk = re.compile(
        r"CHUNK_ITEM (\d+)\) itemoff .*?\n\s+length (\d+) .*?stripe 0 devid \d+ offset (\d+)",
        re.DOTALL,
    )
    for start, length, offset in chunk.findall(done.stdout):
        if int(start) <= logical < int(start) + int(length):
            return int(offset) + logical - int(start)
    raise BlockError(f"no btrfs chunk holds {logical}")


def places(image: Path, pattern: bytes) -> list[int]:
    """Every offset in the image at which ``pattern`` lies."""
    found: list[int] = []
    with image.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as view:
        at = view.find(pattern)
        while at >= 0:
            found.append(at)
            at = view.find(pattern, at + 1)
    return found


def only_place(image: Path, pattern: bytes) -> int:
    """The one offset at which ``pattern`` lies.

    Raises:
        BlockError: it lies nowhere or more than once; fill test files with random bytes.
    """
    found = places(image, pattern)
    if len(found) != 1:
        raise BlockError(f"{image.name}: the pattern lies at {len(found)} places, not at one")
    return found[0]


def flip(image: Path, offset: int, mask: int = 0x01, length: int = 1) -> None:
    """Flip the bits of ``mask`` in ``length`` bytes of the image, and nothing else."""
    with image.open("r+b", buffering=0) as file:
        file.seek(offset)
        old = file.read(length)
        if len(old) != length:
            raise BlockError(f"{image.name} ends before {offset + length}")
        file.seek(offset)
        file.write(bytes(byte ^ mask for byte in old))


def overwrite(image: Path, offset: int, data: bytes) -> None:
    """Put ``data`` into the image at ``offset``."""
    with image.open("r+b", buffering=0) as file:
        file.seek(offset)
        file.write(data)


def differing_ranges(one: Path, other: Path, *, grain: int = 512) -> list[tuple[int, int]]:
    """Start and end of every run of ``grain``-sized pieces in which two images differ."""
    ranges: list[tuple[int, int]] = []
    with one.open("rb") as left, other.open("rb") as right:
        at = 0
        while True:
            a, b = left.read(1 << 20), right.read(1 << 20)
            if not a and not b:
                return ranges
            if a != b:
                _add_pieces(ranges, at, a, b, grain)
            at += max(len(a), len(b))


def _add_pieces(
    ranges: list[tuple[int, int]], at: int, left: bytes, right: bytes, grain: int
) -> None:
    for start in range(0, max(len(left), len(right)), grain):
        if left[start : start + grain] == right[start : start + grain]:
            continue
        begin = at + start
        if ranges and ranges[-1][1] == begin:
            ranges[-1] = (ranges[-1][0], begin + grain)
        else:
            ranges.append((begin, begin + grain))
