"""Block devices as ``/sys`` shows them: partitions, members, loop files, the way to the disk.

Source: kernel documentation ``ABI/testing/sysfs-block``, ``ABI/stable/sysfs-block``,
``admin-guide/devices.txt``. A device is called by its ``major:minor`` here, never by a name that
another device may carry a minute later.
"""

import fcntl
import os
import re
import struct
from dataclasses import dataclass

_SECTOR_BYTES = 512  # the unit of the stat file, whatever the device's own sectors are
_SECTORS_READ = 2  # block/stat.rst: third field
_SECTORS_WRITTEN = 6
_DEVICE = re.compile(r"\d+:\d+")
_USB_DEVICE = "idVendor"
_MAX_DEPTH = 40
_LOOP_GET_STATUS64 = 0x4C05
_LOOP_INFO_BYTES = 232


def read_counter_bytes(block_device: str, sys_root: str = "/sys") -> int | None:
    """Bytes ever read from a block device since it appeared, None where that is not told.

    Args:
        block_device: ``major:minor``.
        sys_root: where sysfs is mounted.
    """
    text = read_attribute(f"{sys_root}/dev/block/{block_device}/stat")
    fields = text.split()
    if len(fields) <= _SECTORS_READ or not fields[_SECTORS_READ].isdigit():
        return None
    return int(fields[_SECTORS_READ]) * _SECTOR_BYTES


def moved_bytes(block_device: str, sys_root: str = "/sys") -> int | None:
    """Bytes ever read from a block device or written to it, None where that is not told.

    Args:
        block_device: ``major:minor``.
        sys_root: where sysfs is mounted.
    """
    fields = read_attribute(f"{sys_root}/dev/block/{block_device}/stat").split()
    if len(fields) <= _SECTORS_WRITTEN:
        return None
    moved = (fields[_SECTORS_READ], fields[_SECTORS_WRITTEN])
    return sum(map(int, moved)) * _SECTOR_BYTES if all(map(str.isdigit, moved)) else None


def read_attribute(path: str) -> str:
    """One attribute of sysfs without its newline; empty where there is none."""
    try:
        with open(path, "rb") as file:
            return file.read(4096).decode("utf-8", "surrogateescape").strip()
    except OSError:
        return ""


@dataclass(frozen=True, slots=True)
class BlockTree:
    """The block devices of one machine.

    Attributes:
        sys_root: where sysfs is mounted.
        dev_root: where device nodes are.
    """

    sys_root: str = "/sys"
    dev_root: str = "/dev"

    def path(self, device: str) -> str:
        """The device's own folder in sysfs, links resolved; empty when there is no such device."""
        if not self.exists(device):
            return ""
        return os.path.realpath(f"{self.sys_root}/dev/block/{device}")

    def exists(self, device: str) -> bool:
        """Whether there is such a device now."""
        return bool(_DEVICE.fullmatch(device)) and os.path.exists(
            f"{self.sys_root}/dev/block/{device}"
        )

    def is_told(self) -> bool:
        """Whether the system tells of block devices at all (a confined process may see none)."""
        return os.path.isdir(f"{self.sys_root}/dev/block")

    def name(self, device: str) -> str:
        """The kernel's name, such as ``sda1``; empty when there is no such device."""
        return os.path.basename(self.path(device))

    def node(self, device: str) -> bytes:
        """The device's node; empty where there is none that leads to this very device."""
        for line in read_attribute(f"{self.path(device)}/uevent").split("\n"):
            key, _, value = line.partition("=")
            if key != "DEVNAME":
                continue
            node = f"{self.dev_root}/{value}"
            return os.fsencode(node) if _is_node_of(node, device) else b""
        return b""

    def whole(self, device: str) -> str:
        """The disk that a partition is on; the device itself when it is no partition."""
        path = self.path(device)
        if not path or not os.path.exists(f"{path}/partition"):
            return device
        return self.number(os.path.dirname(path)) or device

    def members(self, device: str) -> tuple[str, ...]:
        """The devices that a mapper, RAID or cache device is put together from."""
        folder = f"{self.path(device)}/slaves"
        try:
            names = sorted(os.listdir(folder))
        except OSError:
            return ()
        numbers = (self.number(f"{folder}/{name}") for name in names)
        return tuple(number for number in numbers if number)

    def disks(self) -> tuple[str, ...]:
        """Every device that is no partition."""
        try:
            names = sorted(os.listdir(f"{self.sys_root}/block"))
        except OSError:
            return ()
        numbers = (self.number(f"{self.sys_root}/block/{name}") for name in names)
        return tuple(number for number in numbers if number)

    def number(self, path: str) -> str:
        """``major:minor`` of a device's folder; empty when it tells none."""
        text = read_attribute(f"{path}/dev")
        return text if _DEVICE.fullmatch(text) else ""

    def attribute(self, device: str, name: str) -> str:
        """One attribute of the disk that ``device`` is on, such as ``device/model``."""
        path = self.path(self.whole(device))
        return read_attribute(f"{path}/{name}") if path else ""

    def backing_file(self, device: str) -> bytes:
        """The file behind a loop device; empty when it is none."""
        path = self.path(self.whole(device))
        try:
            with open(f"{path}/loop/backing_file", "rb") as file:
                return file.read(8192).removesuffix(b"\n")
        except OSError:
            return b""

    def loop_file(self, device: str) -> tuple[str, int] | None:
        """File system (``major:minor``) and inode of the file behind a loop device.

        The path that sysfs shows may lead to another file by now; this is the file itself. None
        where the device may not be opened (loop(4), ``LOOP_GET_STATUS64``).
        """
        room = bytearray(_LOOP_INFO_BYTES)
        try:
            fd = os.open(self.node(self.whole(device)), os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return None
        try:
            fcntl.ioctl(fd, _LOOP_GET_STATUS64, room)
        except OSError:
            return None
        finally:
            os.close(fd)
        number, inode = struct.unpack_from("=QQ", room)
        return f"{os.major(number)}:{os.minor(number)}", inode

    def btrfs_devices(self, device: str) -> tuple[str, ...]:
        """All devices of the btrfs that ``device`` is one of; empty when it is of none."""
        folder = f"{self.sys_root}/fs/btrfs"
        for name in _listed(folder):
            entries = f"{folder}/{name}/devices"
            numbers = tuple(self.number(f"{entries}/{entry}") for entry in _listed(entries))
            if device in numbers:
                return tuple(number for number in numbers if number)
        return ()

    def usb_device(self, device: str) -> str:
        """The folder of the USB device nearest above the disk; empty when there is none."""
        path = self.path(self.whole(device))
        for _ in range(_MAX_DEPTH):
            if len(path) <= len(self.sys_root):
                return ""
            if os.path.exists(f"{path}/{_USB_DEVICE}"):
                return path
            path = os.path.dirname(path)
        return ""


def device_number(node: bytes) -> str:
    """``major:minor`` of a block device's node; empty when it is no such node."""
    try:
        facts = os.stat(node)
    except (OSError, ValueError):
        return ""
    if facts.st_mode & 0o170000 != 0o060000:
        return ""
    return f"{os.major(facts.st_rdev)}:{os.minor(facts.st_rdev)}"


def _is_node_of(node: str, device: str) -> bool:
    return device_number(os.fsencode(node)) == device


def _listed(folder: str) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []
