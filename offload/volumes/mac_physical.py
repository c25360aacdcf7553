"""Which physical devices a macOS volume's bytes lie on; the rules stand in ``separation``.

An APFS volume lies on its container's physical stores. A USB disk is known only where the USB tree
shows which bridge it is behind. Sources: diskutil(8), system_profiler(8) (keys from memory;
recorded answers of our own in the tests).
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice

from offload.volumes import kinds
from offload.volumes.commands import Runner, run
from offload.volumes.diskutil import Plist, disk_info, parse_plist, text
from offload.volumes.separation import Physical, together
from offload.volumes.servers import Servers
from offload.volumes.shares import physical_of_share
from offload.volumes.volume import Volume

_COMMAND_S = 20.0
_MAX_DEPTH = 16
_MAX_ITEMS = 10_000
_KNOWN_BUSES = frozenset({"FireWire", "NVMe", "PCI-Express", "SAS", "SATA", "Secure Digital"})


@dataclass(frozen=True, slots=True)
class MacPhysical:
    """Works out what volumes of one macOS machine lie on.

    Attributes:
        run: runs a command.
        servers: tells servers apart.
    """

    run: Runner = run
    servers: Servers = field(default_factory=Servers)

    def of(self, volume: Volume) -> Physical:
        """What the volume lies on. Never raises: what cannot be worked out is not known."""
        if kinds.is_network(volume.fs_type):
            return physical_of_share(volume, self.servers, self._own_disks)
        if volume.fs_type in kinds.MEMORY:
            return Physical(frozenset({"memory"}), True, True, reason="it lies in memory")
        if not volume.device_node:
            return Physical(reason="nothing shows what block device it lies on")
        return self._of_device(volume.device_node.decode("ascii", "replace"), 0)

    def is_system_disk(self, volume: Volume) -> bool:
        """Whether the volume is on a disk that this computer runs from."""
        if volume.mount_point == b"/" or volume.mount_point.startswith(b"/System/Volumes/"):
            return True
        if not volume.device_node:
            return False
        return bool(self.of(volume).disks & self._of_device("/", 0).disks)

    def _of_device(self, device: str, depth: int) -> Physical:
        info = disk_info(device, self.run)
        stores = list(_stores(info))
        if stores and depth < _MAX_DEPTH:
            return together(self._of_device(store, depth + 1) for store in stores)
        whole = text(info, "ParentWholeDisk")
        if not whole or depth >= _MAX_DEPTH:
            return Physical(reason="nothing shows what block device it lies on")
        return self._of_disk(whole, disk_info(whole, self.run) if whole != device else info)

    def _of_disk(self, disk: str, info: Plist) -> Physical:
        devices = {f"disk:{disk}"}
        doubt = self._doubt(info)
        if text(info, "BusProtocol") == "USB":
            bridge = _bridge(self._usb_tree(), disk)
            devices |= bridge
            doubt = doubt or ("" if bridge else "nothing shows which USB enclosure it sits in")
        return Physical(
            devices=frozenset(devices),
            is_known=not doubt,
            counters=(disk,),
            nodes=(f"/dev/{disk}".encode(),),
            disks=frozenset({disk}),
            reason=doubt or "a disk of its own",
        )

    def _doubt(self, info: Plist) -> str:
        if text(info, "VirtualOrPhysical") != "Physical":
            return "it is no physical disk: an image, a set of disks, or memory"
        bus = text(info, "BusProtocol")
        if bus not in _KNOWN_BUSES and bus != "USB" and info.get("Internal") is not True:
            return "its controller does not show which disks it lies on"
        guest = self.run(["sysctl", "-n", "kern.hv_vmm_present"], _COMMAND_S)
        if guest.output.strip() == b"1":
            return "this computer is a virtual machine: nothing shows what its disks lie on"
        return ""

    def _own_disks(self) -> Physical:
        listed = self.run(["diskutil", "list", "-plist", "physical"], _COMMAND_S)
        names = parse_plist(listed.output).get("WholeDisks")
        disks = [name for name in names if isinstance(name, str)] if isinstance(names, list) else []
        return together(self._of_device(disk, 0) for disk in disks)

    def _usb_tree(self) -> object:
        kinds_asked = ("SPUSBDataType", "SPUSBHostDataType")
        told = self.run(["system_profiler", "-json", *kinds_asked], _COMMAND_S)
        try:
            return json.loads(told.output)
        except ValueError:
            return {}


def _stores(info: Plist) -> Iterator[str]:
    entries = info.get("APFSPhysicalStores")
    for entry in entries if isinstance(entries, list) else ():
        store = text(entry, "APFSPhysicalStore", "DeviceIdentifier") if _is_plist(entry) else ""
        if store:
            yield store


def _is_plist(value: object) -> bool:
    return isinstance(value, dict)


def _bridge(tree: object, disk: str) -> set[str]:
    """Identities of the USB device that carries ``disk``: its place and its serial number."""
    for device in islice(_dictionaries(tree), _MAX_ITEMS):
        media = device.get("Media")
        entries = media if isinstance(media, list) else []
        if not any(isinstance(e, dict) and e.get("bsd_name") == disk for e in entries):
            continue
        place, serial = text(device, "location_id"), text(device, "serial_num")
        maker, product = text(device, "vendor_id"), text(device, "product_id")
        found = {f"usb:{place}"} if place else set()
        return found | ({f"usb-serial:{maker}:{product}:{serial}"} if serial.strip("0") else set())
    return set()


def _dictionaries(tree: object) -> Iterator[Plist]:
    waiting = [tree]
    while waiting:
        here = waiting.pop()
        if isinstance(here, dict):
            yield here
            waiting += here.values()
        elif isinstance(here, list):
            waiting += here
