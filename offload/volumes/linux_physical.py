"""Which physical devices a Linux volume's bytes lie on; the rules stand in ``separation``.

partition -> disk; mapper, RAID and cache devices -> members; loop file -> what its file lies on;
btrfs -> all its devices; overlay -> its upper and its lower folders; share -> the server; memory ->
nothing.
"""

import os
from dataclasses import dataclass, field, replace

from offload.volumes import kinds, mountinfo
from offload.volumes.block_tree import BlockTree, device_number
from offload.volumes.disk_identity import Disk, DiskIdentities
from offload.volumes.linux_table import LinuxTable
from offload.volumes.mountinfo import MountRow
from offload.volumes.overlay import folders
from offload.volumes.separation import RAM, Physical, together
from offload.volumes.servers import Servers
from offload.volumes.shares import physical_of_share
from offload.volumes.volume import Volume, VolumeError

_MAX_DEPTH = 16


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

    def lane(self, volume: Volume) -> frozenset[str]:
        """What the volume shares its speed by; an image file is read at its own pace."""
        disks = bottom_disks(self.tree, volume.fs_type, volume.device, volume.source)
        if not disks:
            return self.of(volume).devices
        return frozenset().union(*(self.identities.of(disk).identities for disk in disks))

    def _of_volume(self, volume: Volume, depth: int) -> Physical:
        if depth > _MAX_DEPTH:
            return Physical(reason="there are too many layers below it")
        if volume.fs_type in kinds.MEMORY:
            return RAM
        if kinds.is_network(volume.fs_type):
            return physical_of_share(volume, self.servers, self._own_disks)
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
        found = together(below)
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
            return together([self._of_block(member, depth + 1) for member in members])
        if name.startswith("loop"):
            return self._of_loop(disk, depth)
        return _from_disk(disk, self.identities.of(disk))

    def _of_loop(self, device: str, depth: int) -> Physical:
        itself = Physical(
            devices=frozenset({f"disk:{device}"}),
            reason="nothing shows where the image file behind it lies",
        )
        path, file = self.tree.backing_file(device), self.tree.loop_file(device)
        if file is not None:
            volume = self.table.of_device(file[0]) or self._of_verified(path, file)
            return self._of_volume(volume, depth + 1) if volume else itself
        try:
            below = self._of_volume(self.table.of_path(path), depth + 1)
        except VolumeError:
            return itself
        # The path is only what it was called; nothing shows that it still leads to the same file.
        return replace(
            below, devices=below.devices | itself.devices, is_known=False, reason=itself.reason
        )

    def _of_verified(self, path: bytes, file: tuple[str, int]) -> Volume | None:
        """The volume of a path that still leads to this very file (a btrfs subvolume's)."""
        try:
            volume = self.table.of_path(path)
            facts = self.table.calls.call(path, lambda: os.stat(path), self.table.answer_s)
        except (OSError, VolumeError):
            return None
        number = f"{os.major(facts.st_dev)}:{os.minor(facts.st_dev)}"
        return volume if (number, facts.st_ino) == file else None

    def _of_overlay(self, volume: Volume, depth: int) -> Physical:
        below: list[Physical] = []
        for folder in folders(volume):
            try:
                below.append(self._of_volume(self.table.of_path(folder), depth + 1))
            except VolumeError:
                below.append(Physical(reason="nothing shows where the overlay's folders lie"))
        return together(below) if below else Physical(reason="the overlay names no folders")

    def _own_disks(self) -> Physical:
        return together([self._of_block(disk, 1) for disk in self._plain_disks()])

    def _plain_disks(self) -> tuple[str, ...]:
        names = ((disk, self.tree.name(disk)) for disk in self.tree.disks())
        return tuple(disk for disk, name in names if not name.startswith(("loop", "ram", "zram")))


_SYSTEM_PLACES = frozenset(
    {b"/", b"/boot", b"/boot/efi", b"/efi", b"/home", b"/nix", b"/opt", b"/usr", b"/var"}
)


def is_linux_system_disk(
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
        disk for row in system for disk in bottom_disks(blocks, row.fs_type, row.device, row.source)
    }
    mine = bottom_disks(blocks, volume.fs_type, volume.device, volume.source)
    return bool(used & mine)


def bottom_disks(tree: BlockTree, fs_type: str, device: str, source: bytes) -> set[str]:
    """The disks below a file system, as ``major:minor``; a loop device is its own disk here."""
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
