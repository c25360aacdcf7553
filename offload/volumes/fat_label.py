"""When a FAT volume was formatted: the time of the label's own entry in the root folder.

Cameras and computers write that entry while they format, or when somebody names the volume anew;
nothing else touches it. exFAT's label has no time, and no other file system of cards tells.

Source: Microsoft's FAT general overview 1.03, sections "FAT directory structure" (volume entry,
times) and "boot sector and BPB". Read from the block device, never written.
"""

import os
import struct
from datetime import UTC, datetime

from offload.volumes.dirty import fat_width
from offload.volumes.volume import Volume

_BOOT_BYTES = 512
_ENTRY_BYTES = 32
_MOST_ENTRIES = 512
_VOLUME = 0x08
_ENDED, _DELETED = 0x00, 0xE5


def read_format_time(volume: Volume) -> int | None:
    """When a mounted FAT volume was formatted or last named.

    Returns:
        Nanoseconds since 1970, the local time of whoever did it read as if it were UTC, so off by
        up to 14 hours; None where the volume does not say, or may not be read.
    """
    return read_device_format_time(volume.device_node) if volume.device_node else None


def read_device_format_time(node: bytes) -> int | None:
    """The same of a block device, or of an image."""
    try:
        fd = os.open(node, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        return _label_time(_root_folder(fd))
    except (OSError, struct.error):
        return None
    finally:
        os.close(fd)


def _root_folder(fd: int) -> bytes:
    """The beginning of the root folder; empty where this is no FAT."""
    boot = os.pread(fd, _BOOT_BYTES, 0)
    width = fat_width(boot) if len(boot) == _BOOT_BYTES else None
    if width is None:
        return b""
    sector, cluster, reserved, tables = struct.unpack_from("<HBHB", boot, 11)
    per_table = struct.unpack_from("<H", boot, 22)[0] or struct.unpack_from("<I", boot, 36)[0]
    at = (reserved + tables * per_table) * sector
    length = _MOST_ENTRIES * _ENTRY_BYTES
    if width == 32:
        at += (struct.unpack_from("<I", boot, 44)[0] - 2) * cluster * sector
        # The first cluster alone: the label is among the first entries that were made.
        length = min(length, cluster * sector)
    return os.pread(fd, length, at) if at > 0 else b""


def _label_time(folder: bytes) -> int | None:
    for at in range(0, len(folder) - _ENTRY_BYTES + 1, _ENTRY_BYTES):
        first, attributes = folder[at], folder[at + 11]
        if first == _ENDED:
            return None
        # Parts of long names have the volume's bit too, and three others.
        if first != _DELETED and attributes & 0x3F & ~0x20 == _VOLUME:
            return _time(*struct.unpack_from("<HH", folder, at + 22))
    return None


def _time(time: int, date: int) -> int | None:
    try:
        moment = datetime(
            1980 + (date >> 9),
            date >> 5 & 15,
            date & 31,
            time >> 11,
            time >> 5 & 63,
            min(59, 2 * (time & 31)),
            tzinfo=UTC,
        )
    except ValueError:
        return None
    # A clock that was never set formats in 1980, and says nothing.
    return int(moment.timestamp()) * 1_000_000_000 if moment.year > 1980 else None
