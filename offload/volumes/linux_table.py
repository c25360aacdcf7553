"""The volumes of a Linux machine: mount table, ids, devices and room put together."""

import os
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from functools import partial

from offload.errors import reason
from offload.values.paths import to_text
from offload.volumes import kinds, mount_ids, mountinfo
from offload.volumes.block_tree import device_number
from offload.volumes.bounded import CALLS, BoundedCalls, NotAnsweringError
from offload.volumes.linux_devices import DeviceFacts, LinuxDevices
from offload.volumes.mountinfo import MountRow
from offload.volumes.volume import Mounting, Volume, VolumeError

ANSWER_S = 2.0
"""How long a file system may take to tell its size or to open a folder."""

RowReader = Callable[[], tuple[MountRow, ...]]


@dataclass(frozen=True, slots=True)
class LinuxTable:
    """Reads what is mounted.

    Attributes:
        read_rows: reads the mount table.
        devices: asks about the devices below.
        calls: bounds every call into a file system.
        answer_s: seconds that a file system has to answer.
    """

    read_rows: RowReader = mountinfo.read_rows
    devices: LinuxDevices = field(default_factory=LinuxDevices)
    calls: BoundedCalls = CALLS
    answer_s: float = ANSWER_S

    def read(self) -> tuple[Volume, ...]:
        """Every volume, in the order of the mount table; views into the kernel left out.

        A file system that does not answer is there all the same, without its size.
        """
        rows = self.read_rows()
        wanted = [row for row in rows if row.fs_type not in kinds.PSEUDO]
        return self._volumes(wanted, rows)

    def of_path(self, path: bytes) -> Volume:
        """The volume that ``path`` lies on, links followed.

        Raises:
            VolumeError: it does not exist, cannot be reached, or its file system does not answer.
        """
        absolute = os.path.abspath(path)
        # One key for all of a mounting, so that a dead one can never tie up more than one thread.
        row = mountinfo.visible_at(self.read_rows(), absolute)
        key = ("open", row.mount_id if row else absolute)
        try:
            fd = self.calls.call(key, lambda: _open_path(absolute), self.answer_s, os.close)
        except OSError as error:
            raise _unreachable(absolute, error) from error
        try:
            return self.of_fd(fd)
        finally:
            os.close(fd)

    def of_fd(self, fd: int) -> Volume:
        """The volume in which a descriptor was opened, whatever has been mounted over it since.

        Raises:
            VolumeError: that mounting has left the mount table.
        """
        table_id = mount_ids.table_id_of(fd)
        unique = mount_ids.unique_id_of(fd)
        rows = self.read_rows()
        for row in rows:
            if row.mount_id == table_id:
                volume = self._volumes([row], rows)[0]
                # The same table id with another unique one: unmounted, and the number given anew.
                if unique is None or not volume.is_mount_id_unique or volume.mount_id == unique:
                    return volume
        raise VolumeError(
            "the file system is no longer mounted",
            meaning="What was read or written there last is not shown to be there now.",
            remedy="Plug it in again, then repeat the command.",
        )

    def of_device(self, device: str) -> Volume | None:
        """A volume whose file system has this number (``major:minor``); None when none has it."""
        rows = self.read_rows()
        for row in rows:
            if row.device == device:
                return self._volumes([row], rows)[0]
        return None

    def mountings(self) -> tuple[Mounting, ...]:
        """What is mounted now; asks no file system and starts no command.

        A volume that was pulled without being unmounted is still in the mount table, but has left.
        """
        rows = self.read_rows()
        ids, covered = mount_ids.unique_ids(), mountinfo.covered_ids(rows)
        return tuple(
            Mounting(_key(row, ids), row.mount_point, row.mount_id in covered)
            for row in rows
            if row.fs_type not in kinds.PSEUDO and self._has_device(row.device)
        )

    def describe(self, mounting: Mounting) -> Volume | None:
        """All that is known of one mounting; None when it has left meanwhile."""
        rows, ids = self.read_rows(), mount_ids.unique_ids()
        for row in rows:
            if _key(row, ids) == mounting.key:
                return self._volumes([row], rows)[0]
        return None

    def is_mounted(self, volume: Volume) -> bool:
        """Whether this very mounting and its device are still there; touches no file system."""
        if not self._has_device(volume.device):
            return False
        if volume.is_mount_id_unique:
            return mount_ids.is_mounted(volume.mount_id)
        same = (volume.mount_id, volume.device, volume.mount_point)
        rows = self.read_rows()
        return any((row.mount_id, row.device, row.mount_point) == same for row in rows)

    def _has_device(self, device: str) -> bool:
        """Whether a block device is still plugged in; others are not told of here.

        Its number is not given to another device as long as something is mounted on it.
        """
        tree = self.devices.tree
        return device.startswith("0:") or tree.exists(device) or not tree.is_told()

    def _volumes(self, wanted: list[MountRow], rows: tuple[MountRow, ...]) -> tuple[Volume, ...]:
        ids = mount_ids.unique_ids()
        covered = mountinfo.covered_ids(rows)
        block = {row.mount_id: _block_device(row) for row in wanted}
        facts = self.devices.facts(device for device in block.values() if device)
        rooms = self._rooms(row for row in wanted if row.mount_id not in covered)
        return tuple(
            _volume(
                row,
                facts.get(block[row.mount_id], DeviceFacts()),
                rooms.get(_room_key(row)),
                unique=ids.get(row.mount_id),
                is_covered=row.mount_id in covered,
            )
            for row in wanted
        )

    def _rooms(self, rows: Iterable[MountRow]) -> dict[Hashable, os.statvfs_result | None]:
        asked: dict[Hashable, Callable[[], os.statvfs_result | None]] = {}
        for row in rows:
            if row.fs_type not in kinds.PSEUDO:
                asked[_room_key(row)] = partial(_room_of, row)
        return self.calls.call_all(asked, self.answer_s)


def _volume(
    row: MountRow,
    facts: DeviceFacts,
    room: os.statvfs_result | None,
    *,
    unique: int | None,
    is_covered: bool,
) -> Volume:
    is_read_only = b"ro" in row.options or b"ro" in row.fs_options
    return Volume(
        mount_point=row.mount_point,
        source=row.source,
        fs_type=row.fs_type,
        options=(*row.options, *row.fs_options),
        is_read_only=is_read_only,
        device=row.device,
        mount_id=row.mount_id if unique is None else unique,
        is_mount_id_unique=unique is not None,
        mounting=mount_ids.mounting_name(unique) if unique is not None else "",
        root=row.root,
        is_covered=is_covered,
        is_answering=is_covered or room is not None,
        label=facts.label,
        volume_id=facts.volume_id,
        capacity_bytes=room.f_blocks * room.f_frsize if room else None,
        free_bytes=room.f_bavail * room.f_frsize if room else None,
        device_node=facts.node,
        bus=facts.bus or ("network" if kinds.is_network(row.fs_type) else ""),
        model=facts.model,
        reader=facts.reader,
        updates_access_times=not is_read_only and b"noatime" not in row.options,
    )


def _room_key(row: MountRow) -> Hashable:
    return ("room", row.mount_id, row.mount_point)


def _key(row: MountRow, ids: dict[int, int]) -> tuple[object, ...]:
    return (ids.get(row.mount_id, -row.mount_id), row.device, row.mount_point)


def _block_device(row: MountRow) -> str:
    """The block device that tells label and id; empty when the file system is on none."""
    if row.fs_type not in kinds.ON_BLOCK_DEVICE:
        return ""
    if not row.device.startswith("0:"):
        return row.device
    # btrfs has a number of its own; its source names one of its devices.
    return device_number(row.source) if row.source.startswith(b"/dev/") else ""


def _room_of(row: MountRow) -> os.statvfs_result | None:
    """The room of this very mounting: its path may lead elsewhere by now."""
    fd = _open_path(row.mount_point)
    try:
        if mount_ids.table_id_of(fd) != row.mount_id:
            return None
        return os.fstatvfs(fd)
    finally:
        os.close(fd)


def _open_path(path: bytes) -> int:
    return os.open(path, os.O_PATH | os.O_CLOEXEC)


def _unreachable(path: bytes, error: OSError) -> VolumeError:
    if isinstance(error, NotAnsweringError):
        return VolumeError(
            f"the file system does not answer ({error})",
            path=path,
            meaning="Nothing can be read or proven there while it is silent.",
            remedy="Look at the cable or the network, then repeat the command.",
        )
    return VolumeError(
        f"it cannot be reached: {reason(error)}",
        path=path,
        remedy=f"Look at whether the drive is mounted: ls -d -- '{to_text(path)}'",
    )
