"""What is known of a drive from the kind of its file system: names, largest file, price of a name.

Kinds are called as the system's mount table calls them. ``fuseblk`` is what Linux calls both NTFS
and exFAT when a program outside the kernel serves them, and so it gets the rules of both.

Sources: owner's page "File System Functionality Comparison" (largest file, name length); FAT
general overview 1.03 and exFAT specification (32 bytes a directory entry: one or two for the file,
one more for each 13 or 15 UTF-16 units of its name); kernel documentation of ext4 (sizes for
blocks of 4 KiB).
"""

from dataclasses import dataclass, replace

from offload.transfer.preflight.names import (
    APFS,
    EXFAT,
    FAT,
    HFS_PLUS,
    LINUX,
    NTFS,
    STRICTEST,
    NameRules,
)

FAT_LARGEST = (1 << 32) - 1


@dataclass(frozen=True, slots=True)
class FileSystemKind:
    """One kind of file system.

    Attributes:
        names: its rules for names.
        largest_file_bytes: None where no file on a card comes near it, or nothing is known.
        entry_bytes: what a name costs on the disk beside its content, without its length.
        length_factor: and for each byte of the name.
        is_settled: the on-disk format itself decides about names, so that a driver that lets more
            through proves nothing: the drive will be read elsewhere.
    """

    names: NameRules
    largest_file_bytes: int | None = None
    entry_bytes: int = 1024
    length_factor: int = 2
    is_settled: bool = True


_FAT = FileSystemKind(FAT, FAT_LARGEST, entry_bytes=64, length_factor=3)
_EXFAT = FileSystemKind(EXFAT, entry_bytes=128, length_factor=3)
# An MFT record of 1 KiB for each file and an index entry with the name.
_NTFS = FileSystemKind(NTFS)
_LINUX = FileSystemKind(LINUX, entry_bytes=512)
_EXT4 = replace(_LINUX, largest_file_bytes=(1 << 44) - 4096)
_EXT3 = replace(_LINUX, largest_file_bytes=(1 << 41) - 4096)
_UNKNOWN = FileSystemKind(STRICTEST, is_settled=False)

_KINDS = {
    "vfat": _FAT,
    "fat32": _FAT,
    "msdos": _FAT,
    "exfat": _EXFAT,
    "ntfs": _NTFS,
    "ntfs3": _NTFS,
    "fuseblk": replace(_NTFS, names=replace(NTFS, title="NTFS or exFAT")),
    "hfs": FileSystemKind(HFS_PLUS),
    "hfsplus": FileSystemKind(HFS_PLUS),
    "apfs": FileSystemKind(APFS),
    "ext2": _EXT3,
    "ext3": _EXT3,
    "ext4": _EXT4,
} | dict.fromkeys(("xfs", "btrfs", "f2fs", "bcachefs", "zfs", "jfs", "tmpfs", "overlay"), _LINUX)


def kind_of(fs_type: str) -> FileSystemKind:
    """What is known of a kind; the strictest sensible rules for shares and unknown ones."""
    return _KINDS.get(fs_type.lower(), _UNKNOWN)
