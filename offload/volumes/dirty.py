"""Whether a file system says of itself that it was not unmounted cleanly.

The flag is read from the block device and never written. A driver sets it itself when it mounts
for writing, so a set flag means something only before the mounting or on a read-only one; a flag
that is not set always means clean. Sources: exFAT specification, section 3.1.13 (VolumeFlags); FAT
general overview 1.03, section "FAT volume initialization and dirty bits" (the two high bits of the
second entry); for NTFS the volume information attribute as the ntfs-3g documentation of the on-disk
layout gives it (from memory: no specification is published).
"""

import os
import struct
from dataclasses import dataclass
from enum import Enum

from offload.errors import reason
from offload.volumes.volume import Volume

_BOOT_BYTES = 512
_MAX_RECORD = 1 << 16

_EXFAT_FLAGS_AT = 106
_EXFAT_DIRTY = 0x0002
_EXFAT_MEDIA_FAILURE = 0x0004

_NTFS_VOLUME_RECORD = 3
_NTFS_VOLUME_INFORMATION = 0x70
_NTFS_END = 0xFFFFFFFF
_NTFS_DIRTY = 0x0001

_FAT_STATE_AT = {12: 37, 16: 37, 32: 65}
_FAT_STATE_DIRTY = 0x01
_FAT_CLEAN = {16: 0x8000, 32: 0x0800_0000}
_FAT_NO_ERROR = {16: 0x4000, 32: 0x0400_0000}


class Closing(Enum):
    """How the file system was left the last time it was written to."""

    CLEAN = "clean"
    NOT_CLEAN = "not-clean"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class VolumeState:
    """What a file system says of itself.

    Attributes:
        closing: how it was left.
        has_failed: it has recorded errors of the medium.
        reason: why nothing can be said, a phrase; else empty.
    """

    closing: Closing
    has_failed: bool = False
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Flags:
    is_dirty: bool
    has_failed: bool = False


def read_state(volume: Volume) -> VolumeState:
    """What a mounted volume says of itself, as far as that means anything while it is mounted."""
    if not volume.device_node:
        return VolumeState(Closing.UNKNOWN, reason="it lies on no block device that can be read")
    state = read_device_state(volume.device_node)
    if state.closing is Closing.NOT_CLEAN and not volume.is_read_only:
        return VolumeState(
            Closing.UNKNOWN, state.has_failed, "mounting it for writing sets the flag by itself"
        )
    return state


def read_device_state(node: bytes) -> VolumeState:
    """What the exFAT, FAT or NTFS on a block device (or in an image) says of itself."""
    try:
        fd = os.open(node, os.O_RDONLY | os.O_CLOEXEC)
    except OSError as error:
        return VolumeState(Closing.UNKNOWN, reason=f"its device cannot be read: {reason(error)}")
    try:
        flags = _read_flags(fd)
    except OSError as error:
        return VolumeState(Closing.UNKNOWN, reason=f"its device cannot be read: {reason(error)}")
    except (struct.error, ValueError):
        return VolumeState(Closing.UNKNOWN, reason="its first blocks contradict themselves")
    finally:
        os.close(fd)
    if flags is None:
        return VolumeState(Closing.UNKNOWN, reason="this kind of file system keeps no such flag")
    closing = Closing.NOT_CLEAN if flags.is_dirty else Closing.CLEAN
    return VolumeState(closing, flags.has_failed)


def _read_flags(fd: int) -> _Flags | None:
    boot = os.pread(fd, _BOOT_BYTES, 0)
    if len(boot) < _BOOT_BYTES:
        return None
    kind = boot[3:11]
    if kind == b"EXFAT   ":
        value = int.from_bytes(boot[_EXFAT_FLAGS_AT : _EXFAT_FLAGS_AT + 2], "little")
        return _Flags(bool(value & _EXFAT_DIRTY), bool(value & _EXFAT_MEDIA_FAILURE))
    if kind == b"NTFS    ":
        return _ntfs_flags(fd, boot)
    return _fat_flags(fd, boot)


def _fat_flags(fd: int, boot: bytes) -> _Flags | None:
    width = fat_width(boot)
    if width is None:
        return None
    sector, reserved = struct.unpack_from("<H", boot, 11)[0], struct.unpack_from("<H", boot, 14)[0]
    is_dirty = bool(boot[_FAT_STATE_AT[width]] & _FAT_STATE_DIRTY)
    if width == 12:
        return _Flags(is_dirty)
    size = width // 8
    entry = int.from_bytes(os.pread(fd, size, sector * reserved + size), "little")
    return _Flags(is_dirty or not entry & _FAT_CLEAN[width], not entry & _FAT_NO_ERROR[width])


def fat_width(boot: bytes) -> int | None:
    """Bits of a table entry; None when this is no FAT. By the count of clusters, nothing else."""
    sector, cluster, reserved, tables, entries, small = struct.unpack_from("<HBHBHH", boot, 11)
    per_table, large = struct.unpack_from("<H", boot, 22)[0], struct.unpack_from("<I", boot, 32)[0]
    per_table = per_table or struct.unpack_from("<I", boot, 36)[0]
    is_fat = sector in (512, 1024, 2048, 4096) and cluster and not cluster & (cluster - 1)
    if not is_fat or not reserved or tables not in (1, 2) or boot[510:512] != b"\x55\xaa":
        return None
    root = -(-entries * 32 // sector)
    clusters = ((small or large) - reserved - tables * per_table - root) // cluster
    if clusters <= 0 or not per_table:
        return None
    return 12 if clusters < 4085 else 16 if clusters < 65525 else 32


def _ntfs_flags(fd: int, boot: bytes) -> _Flags:
    sector, cluster = struct.unpack_from("<HB", boot, 11)
    table = struct.unpack_from("<Q", boot, 48)[0]
    size = _ntfs_record_size(boot, sector * cluster)
    start = table * sector * cluster + _NTFS_VOLUME_RECORD * size
    record = _ntfs_repaired(os.pread(fd, size, start), sector)
    at = struct.unpack_from("<H", record, 20)[0]
    while True:
        kind, length = struct.unpack_from("<II", record, at)
        if kind == _NTFS_VOLUME_INFORMATION:
            content = struct.unpack_from("<H", record, at + 20)[0]
            flags = struct.unpack_from("<H", record, at + content + 10)[0]
            return _Flags(bool(flags & _NTFS_DIRTY))
        if kind == _NTFS_END or length < 16:
            raise ValueError("no volume information")
        at += length


def _ntfs_record_size(boot: bytes, cluster_bytes: int) -> int:
    count = struct.unpack_from("<b", boot, 64)[0]
    size: int = count * cluster_bytes if count > 0 else 1 << -count
    if not 512 <= size <= _MAX_RECORD:
        raise ValueError("no possible record size")
    return size


def _ntfs_repaired(record: bytes, sector: int) -> bytes:
    """The record with the last two bytes of each sector put back from its update sequence."""
    if record[:4] != b"FILE" or sector < 256:
        raise ValueError("no file record")
    at, count = struct.unpack_from("<HH", record, 4)
    whole = bytearray(record)
    for number in range(1, count):
        end = number * sector
        if end > len(whole) or whole[end - 2 : end] != record[at : at + 2]:
            raise ValueError("a record that was not written whole")
        whole[end - 2 : end] = record[at + 2 * number : at + 2 * number + 2]
    return bytes(whole)
