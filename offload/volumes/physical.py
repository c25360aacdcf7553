"""Which physical devices the bytes of a volume lie on: computed, not believed.

Rules:

* Two volumes are shown to be separate only when both are known and share no identity below.
* A disk has several identities: its number, its unit (controller, target or card), its serial
  number, and the enclosure around it. Any one in common is one too many. The same disk under a new
  number, and two units in one enclosure or behind one bridge, are so never two.
* partition -> disk; mapper, RAID and cache devices -> members; loop file -> what its file lies on;
  btrfs -> all its devices; overlay -> its upper and its lower folders; share -> the server, by
  address; memory -> nothing.
* Known is only what is on the list: a disk by way of USB, SATA, SAS, NVMe, SD or FireWire on a real
  machine. A controller that hides its disks, a virtual machine's disks, an own share, plain FUSE
  and everything else are "not shown to be separate".
"""

from dataclasses import dataclass, field

from offload.volumes import kinds, mountinfo
from offload.volumes.block_tree import BlockTree, device_number, read_counter_bytes
from offload.volumes.disk_identity import Disk, DiskIdentities
from offload.volumes.linux_table import LinuxTable
from offload.volumes.mountinfo import MountRow
from offload.volumes.overlay import folders
from offload.volumes.servers import Servers, server_name
from offload.volumes.volume import Volume, VolumeError

__all__ = ["Physical", "PhysicalReader", "is_system_disk", "physical_devices", "read_counter_bytes"]

_MAX_DEPTH = 16


@dataclass(frozen=True, slots=True)
class Physical:
    """What a volume's bytes lie on.

    Attributes:
        devices: identities such as ``disk:8:0``, ``usb:…``, ``serial:…``, ``server:10.0.0.7``.
        is_known: nothing else can be below; if not, nothing shows the volume separate from another.
        is_ram: some of it lies in memory.
        is_network: another machine, or this one as a server, holds it.
        counters: block devices (``major:minor``) that the file system itself reads from: their
            read counters must grow when it is read past the cache.
        nodes: their device nodes, in the same order; empty bytes where there is none.
        disks: the disks at the very bottom, as ``major:minor``.
        reason: why it is not known, or what it is; a phrase.
    """

    devices: frozenset[str] = frozenset()
    is_known: bool = False
    is_ram: bool = False
    is_network: bool = False
    counters: tuple[str, ...] = ()
    nodes: tuple[bytes, ...] = ()
    disks: frozenset[str] = frozenset()
    reason: str = ""

    def is_separate_from(self, other: "Physical") -> bool:
        """Whether the two are shown to be on separate devices, neither of them memory."""
        if not (self.is_known and other.is_known) or self.is_ram or other.is_ram:
            return False
        return bool(self.devices) and bool(other.devices) and not self.devices & other.devices


RAM = Physical(
    devices=frozenset({"memory"}),
    is_known=True,
    is_ram=True,
    reason="it lies in this computer's memory",
)


@dataclass(frozen=True, slots=True)
class PhysicalReader:
    """Works out what volumes of one Linux machine lie on.

    Attributes:
        table: its mount table.
        tree: its block devices.
        identities: tells disks apart.
        servers: tells servers apart.
    """

    table: LinuxTable = field(default_factory=LinuxTable)
    tree: BlockTree = field(default_factory=BlockTree)
    identities: DiskIdentities = field(default_factory=DiskIdentities)
    servers: Servers = field(default_factory=Servers)

    def of(self, volume: Volume) -> Physical:
        """What the volume lies on. Never raises: what cannot be worked out is not known."""
        return self._of_volume(volume, 0)

    def _of_volume(self, volume: Volume, depth: int) -> Physical:
        if depth > _MAX_DEPTH:
            return Physical(reason="there are too many layers below it")
        if volume.fs_type in kinds.MEMORY:
            return RAM
        if kinds.is_network(volume.fs_type):
            return self._of_share(volume)
        if volume.fs_type == "overlay":
            return self._of_overlay(volume, depth)
        if volume.fs_type in kinds.ON_BLOCK_DEVICE:
            return self._of_file_system(volume, depth)
        return Physical(reason=f"nothing shows what a file system of kind {volume.fs_type} lies on")

    def _of_file_system(self, volume: Volume, depth: int) -> Physical:
        devices = self._own_devices(volume)
        if not devices:
            return Physical(reason="nothing shows what block device it lies on")
        below = [self._of_block(device, depth + 1) for device in devices]
        found = _together(below)
        return Physical(
            devices=found.devices,
            is_known=found.is_known,
            is_ram=found.is_ram,
            is_network=found.is_network,
            counters=devices,
            nodes=tuple(self.tree.node(device) for device in devices),
            disks=found.disks,
            reason=found.reason,
        )

    def _own_devices(self, volume: Volume) -> tuple[str, ...]:
        """The block devices that the file system itself has open."""
        device = volume.device
        if volume.fs_type == "btrfs":
            device = device_number(volume.source)
            return self.tree.btrfs_devices(device) if device else ()
        if device.startswith("0:"):
            return ()
        # An XFS may keep its files on another device than its names (xfs(5)).
        others = [volume.option(key) for key in (b"rtdev", b"logdev")]
        numbers = [device_number(other) for other in others if other]
        return () if "" in numbers else tuple(dict.fromkeys([device, *numbers]))

    def _of_block(self, device: str, depth: int) -> Physical:
        if depth > _MAX_DEPTH:
            return Physical(reason="there are too many layers below it")
        disk = self.tree.whole(device)
        name = self.tree.name(disk)
        if name.startswith(("zram", "ram")):
            return RAM
        members = self.tree.members(disk)
        if members:
            return _together([self._of_block(member, depth + 1) for member in members])
        if name.startswith("loop"):
            return self._of_loop(disk, depth)
        return _from_disk(disk, self.identities.of(disk))

    def _of_loop(self, device: str, depth: int) -> Physical:
        path = self.tree.backing_file(device)
        if not path.startswith(b"/") or path.endswith(b" (deleted)"):
            return Physical(
                devices=frozenset({f"disk:{device}"}),
                reason="nothing shows where the image file behind it lies",
            )
        try:
            return self._of_volume(self.table.of_path(path), depth + 1)
        except VolumeError as error:
            return Physical(devices=frozenset({f"disk:{device}"}), reason=error.what)

    def _of_overlay(self, volume: Volume, depth: int) -> Physical:
        below: list[Physical] = []
        for folder in folders(volume):
            try:
                below.append(self._of_volume(self.table.of_path(folder), depth + 1))
            except VolumeError:
                below.append(Physical(reason="nothing shows where the overlay's folders lie"))
        return _together(below) if below else Physical(reason="the overlay names no folders")

    def _of_share(self, volume: Volume) -> Physical:
        addresses = self.servers.addresses(volume)
        ids = frozenset(f"server:{address}" for address in addresses)
        ids |= frozenset(f"card:{card}" for card in self.servers.cards(addresses))
        if volume.fs_type not in kinds.ADDRESSED or not addresses:
            name = server_name(volume) or volume.fs_type
            return Physical(
                devices=ids, is_network=True, reason=f"nothing shows which machine serves {name}"
            )
        if self.servers.is_own(addresses):
            return self._of_own_share(ids)
        if volume.option(b"fsc") is not None:
            return self._of_cached_share(ids)
        return Physical(devices=ids, is_known=True, is_network=True, reason="a server holds it")

    def _of_own_share(self, ids: frozenset[str]) -> Physical:
        """A share of this very machine lies on one of its disks, nobody tells which."""
        disks = [self._of_block(disk, 1) for disk in self._plain_disks()]
        return Physical(
            devices=ids.union(*(disk.devices for disk in disks)),
            is_network=True,
            disks=frozenset().union(*(disk.disks for disk in disks)),
            reason="this computer itself serves it, from one of its own disks",
        )

    def _of_cached_share(self, ids: frozenset[str]) -> Physical:
        """A share that is kept on a local disk too counts as that disk as well."""
        disks = [self._of_block(disk, 1) for disk in self._plain_disks()]
        return Physical(
            devices=ids.union(*(disk.devices for disk in disks)),
            is_known=True,
            is_network=True,
            reason="a server holds it, and a disk of this computer keeps what was read",
        )

    def _plain_disks(self) -> tuple[str, ...]:
        names = ((disk, self.tree.name(disk)) for disk in self.tree.disks())
        return tuple(disk for disk, name in names if not name.startswith(("loop", "ram", "zram")))


_SYSTEM_PLACES = frozenset(
    {b"/", b"/boot", b"/boot/efi", b"/efi", b"/home", b"/nix", b"/opt", b"/usr", b"/var"}
)


def is_system_disk(
    volume: Volume, rows: tuple[MountRow, ...] | None = None, tree: BlockTree | None = None
) -> bool:
    """Whether the volume is on a disk that this computer runs from: never taken for a card.

    An image file on that disk, mounted by way of a loop device, is a volume of its own.

    Args:
        volume: the volume asked about.
        rows: the mount table; read when left out.
        tree: the block devices.
    """
    blocks = tree or BlockTree()
    table = mountinfo.read_rows() if rows is None else rows
    if volume.mount_point in _SYSTEM_PLACES:
        return True
    system = [row for row in table if row.mount_point in _SYSTEM_PLACES]
    used = {
        disk
        for row in system
        for disk in _bottom_disks(blocks, row.fs_type, row.device, row.source)
    }
    mine = _bottom_disks(blocks, volume.fs_type, volume.device, volume.source)
    return bool(used & mine)


def physical_devices(volume: Volume, reader: PhysicalReader | None = None) -> Physical:
    """What the volume's bytes lie on, on this machine."""
    return (reader or PhysicalReader()).of(volume)


def _bottom_disks(tree: BlockTree, fs_type: str, device: str, source: bytes) -> set[str]:
    if fs_type not in kinds.ON_BLOCK_DEVICE:
        return set()
    own: tuple[str, ...] = (device,)
    if device.startswith("0:"):
        number = device_number(source)
        own = tree.btrfs_devices(number) if number else ()
    found: set[str] = set()
    waiting = [(device, 0) for device in own]
    while waiting:
        here, depth = waiting.pop()
        disk = tree.whole(here)
        members = tree.members(disk) if depth < _MAX_DEPTH else ()
        waiting += [(member, depth + 1) for member in members]
        if not members:
            found.add(disk)
    return found


def _from_disk(device: str, disk: Disk) -> Physical:
    return Physical(
        devices=disk.identities,
        is_known=disk.is_known,
        is_network=disk.is_network,
        disks=frozenset({device}),
        reason=disk.reason,
    )


def _together(parts: list[Physical]) -> Physical:
    """Several devices that all hold a part of one file system."""
    unknown = [part for part in parts if not part.is_known]
    return Physical(
        devices=frozenset().union(*(part.devices for part in parts)),
        is_known=not unknown,
        is_ram=any(part.is_ram for part in parts),
        is_network=any(part.is_network for part in parts),
        disks=frozenset().union(*(part.disks for part in parts)),
        reason=(unknown or parts)[0].reason,
    )
