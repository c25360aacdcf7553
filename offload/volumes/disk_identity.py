"""By what one disk can be told from another, and whether it is a disk at all.

Source: kernel documentation ``ABI/testing/sysfs-block-device``, ``ABI/testing/sysfs-bus-usb``; the
paths of devices below ``/sys/devices`` as the kernel lays them out.
"""

import functools
import os
import re
from dataclasses import dataclass, field

from offload.volumes.block_tree import BlockTree, read_attribute
from offload.volumes.commands import run

_REAL_WAYS = (
    re.compile(r"/usb\d+/"),
    re.compile(r"/ata\d+/"),
    re.compile(r"/end_device-\d"),  # SAS
    re.compile(r"/nvme/nvme\d"),
    re.compile(r"/mmc_host/"),
    re.compile(r"/fw\d+/"),
)
_ISCSI = re.compile(r"/session\d+/")
_ATA_PORT = re.compile(r"(.*/ata\d+)/")
_SCSI_TARGET = re.compile(r"(.*/target\d+:\d+:\d+)/")
_NETWORK_NAMES = ("drbd", "nbd", "rbd")
_NO_SERIAL = re.compile(r"[0\W]*")


@dataclass(frozen=True, slots=True)
class Disk:
    """One disk as far as it can be told apart.

    Attributes:
        identities: every name it can be recognised by, itself and what it shares with others.
        is_known: it is a piece of hardware with nothing hidden below.
        is_network: it is reached by way of a network.
        reason: why it is not known, or how it is attached.
    """

    identities: frozenset[str]
    is_known: bool
    is_network: bool
    reason: str


@functools.cache
def is_virtual_machine() -> bool:
    """Whether this machine is itself a guest: then its disks are whatever the host says.

    Sources: the processor's ``hypervisor`` flag (x86), the device tree and ``/sys/hypervisor``
    elsewhere; systemd-detect-virt(1) where it is there. The first guest that runs the others (it
    has ``control_d``) owns the hardware.
    """
    if "control_d" in read_attribute("/proc/xen/capabilities"):
        return False
    if os.path.exists("/proc/device-tree/hypervisor") or read_attribute("/sys/hypervisor/type"):
        return True
    if re.search(r"^flags\s*:.*\bhypervisor\b", read_attribute("/proc/cpuinfo"), re.MULTILINE):
        return True
    return run(["systemd-detect-virt", "--vm", "--quiet"], 5.0).status == 0


@dataclass(frozen=True, slots=True)
class DiskIdentities:
    """Tells the disks of one machine apart.

    Attributes:
        tree: its block devices.
        is_guest: it is a virtual machine; asked of the system when None.
    """

    tree: BlockTree = field(default_factory=BlockTree)
    is_guest: bool | None = None

    def of(self, device: str) -> Disk:
        """What tells the disk ``device`` (``major:minor``, no partition) from others."""
        path = self.tree.path(device)
        if not path:
            return Disk(frozenset({f"disk:{device}"}), False, False, "its device has gone")
        found = {f"disk:{device}", *self._unit(path, device), *self._enclosure(device)}
        is_network = bool(_ISCSI.search(path)) or os.path.basename(path).startswith(_NETWORK_NAMES)
        reason = self._doubt(path, is_network=is_network)
        return Disk(frozenset(found), not reason, is_network, reason or "a disk of its own")

    def _doubt(self, path: str, *, is_network: bool) -> str:
        guest = is_virtual_machine() if self.is_guest is None else self.is_guest
        if is_network:
            return "nothing shows which disks the server behind it has"
        if guest:
            return "this computer is a virtual machine: nothing shows what its disks lie on"
        if not any(way.search(path) for way in _REAL_WAYS):
            return "its controller does not show which disks it lies on"
        return ""

    def _unit(self, path: str, device: str) -> set[str]:
        """Controller, target, port and serial number: what several disks of one unit share."""
        found = {f"serial:{serial}" for serial in self._serials(device)}
        for form in (_SCSI_TARGET, _ATA_PORT):
            place = form.match(path)
            if place:
                found.add(f"unit:{_below(place.group(1), self.tree)}")
        holder = os.path.realpath(f"{path}/device")
        if not _SCSI_TARGET.match(f"{path}/") and os.path.exists(f"{path}/device"):
            found.add(f"unit:{_below(holder, self.tree)}")
        return found

    def _serials(self, device: str) -> set[str]:
        names = ("device/serial", "device/wwid", "wwid", "device/cid")
        told = {self.tree.attribute(device, name) for name in names}
        return {" ".join(text.split()) for text in told if not _NO_SERIAL.fullmatch(text)}

    def _enclosure(self, device: str) -> set[str]:
        usb = self.tree.usb_device(device)
        if not usb:
            return set()
        found = {f"usb:{_below(usb, self.tree)}"}
        keys = ("idVendor", "idProduct", "serial")
        vendor, product, serial = (read_attribute(f"{usb}/{key}") for key in keys)
        if not _NO_SERIAL.fullmatch(serial):
            found.add(f"usb-serial:{vendor}:{product}:{serial}")
        return found


def _below(path: str, tree: BlockTree) -> str:
    return path.removeprefix(os.path.realpath(tree.sys_root))
