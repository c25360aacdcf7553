"""A small ``/sys`` of block devices, laid out as the kernel does, for machines we do not have.

The paths are formed after kernel documentation ``ABI/stable/sysfs-block`` and what Linux shows for
such hardware (from memory for SAS and FireWire).
"""

import os
from pathlib import Path

PCI = "devices/pci0000:00/0000:00:14.0"


class FakeSysfs:
    """Builds devices below a folder."""

    def __init__(self, root: Path) -> None:
        self.root = root
        for folder in ("block", "dev/block", "fs/btrfs"):
            (root / folder).mkdir(parents=True)

    def disk(self, number: str, place: str, **attributes: str) -> Path:
        """A disk ``major:minor`` at a path below the root; attributes by name, ``__`` for ``/``."""
        folder = self.root / place
        folder.mkdir(parents=True)
        self._number(folder, number)
        self._link(self.root / "block" / folder.name, folder)
        for name, value in attributes.items():
            self.put(folder, name.replace("__", "/"), value)
        return folder

    def partition(self, number: str, disk: Path, index: int) -> Path:
        """Partition ``index`` of a disk."""
        folder = disk / f"{disk.name}{index}"
        folder.mkdir()
        self.put(folder, "partition", str(index))
        self._number(folder, number)
        return folder

    def scsi(self, number: str, name: str, way: str, address: str, **attributes: str) -> Path:
        """A disk behind SCSI, as USB and SATA disks are: ``way`` down to its host."""
        host, channel, target, _ = address.split(":")
        unit = f"{way}/host{host}/target{host}:{channel}:{target}/{address}"
        folder = self.disk(number, f"{unit}/block/{name}")
        self._link(folder / "device", self.root / unit)
        for key, value in attributes.items():
            self.put(self.root / unit, key, value)
        return folder

    def usb(self, number: str, name: str, port: str, address: str, serial: str) -> Path:
        """A disk behind a USB bridge in ``port``, with that bridge's serial number."""
        usb = self.root / PCI / "usb2" / port
        folder = self.scsi(number, name, f"{PCI}/usb2/{port}/{port}:1.0", address)
        facts = {"idVendor": "1d6b", "idProduct": "0104", "product": "Bridge", "serial": serial}
        for key, value in facts.items():
            self.put(usb, key, value)
        return folder

    def members(self, folder: Path, *members: Path) -> None:
        """Say that a mapper or RAID device is put together from others."""
        for member in members:
            self._link(folder / "slaves" / member.name, member)

    def btrfs(self, uuid: str, *devices: Path) -> None:
        """A mounted btrfs with all its devices."""
        for device in devices:
            self._link(self.root / "fs/btrfs" / uuid / "devices" / device.name, device)

    def put(self, folder: Path, name: str, value: str) -> None:
        """One attribute."""
        file = folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(value + "\n")

    def _number(self, folder: Path, number: str) -> None:
        self.put(folder, "dev", number)
        self._link(self.root / "dev/block" / number, folder)

    def _link(self, link: Path, target: Path) -> None:
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(os.path.relpath(target, link.parent))
