"""The volumes of a Windows machine, by its volume calls.

The calls stand behind a small interface, so that recorded answers can stand for another machine.
Source: the system's documentation of "Volume management functions", "GetVolumeInformationW",
"STORAGE_BUS_TYPE" and "VOLUME_DISK_EXTENTS". Mountings have no unique id here: it is made from the
volume's name, and the flag says so.
"""

import hashlib
import os
import sys
from dataclasses import dataclass, field

from offload.errors import reason
from offload.volumes.bounded import CALLS, BoundedCalls, NotAnsweringError
from offload.volumes.separation import Physical, together
from offload.volumes.servers import Servers
from offload.volumes.shares import physical_of_share
from offload.volumes.volume import Mounting, Volume, VolumeError
from offload.volumes.windows_answers import VolumeCalls, WindowsDisk, WindowsFacts, WindowsPlace

ANSWER_S = 2.0
_FILE_READ_ONLY_VOLUME = 0x0008_0000
_DRIVE_REMOTE = 4
_DRIVE_RAM = 6
_SERIAL_MASK = 0xFFFF_FFFF

_BUSES = {
    1: "scsi", 3: "ata", 4: "firewire", 6: "fibre", 7: "usb", 8: "raid", 9: "iscsi", 10: "sas",
    11: "sata", 12: "sd", 13: "mmc", 14: "virtual", 15: "image", 16: "spaces", 17: "nvme",
}  # fmt: skip
_KNOWN_BUSES = frozenset({"ata", "firewire", "mmc", "nvme", "sas", "sata", "sd"})


def _system_calls() -> VolumeCalls:
    if sys.platform == "win32":
        from offload.volumes.windows_calls import WindowsCalls

        return WindowsCalls()
    raise RuntimeError("the calls of Windows were asked for on another system")


@dataclass(frozen=True, slots=True)
class WindowsTable:
    """Reads what is mounted.

    Attributes:
        asked: the system's calls.
        servers: tells servers apart.
        calls: bounds every call into a file system.
    """

    asked: VolumeCalls = field(default_factory=_system_calls)
    servers: Servers = field(default_factory=Servers)
    calls: BoundedCalls = CALLS

    def read(self) -> tuple[Volume, ...]:
        """Every volume that can be reached by a path."""
        return tuple(self._volume(place) for place in self.asked.places())

    def of_path(self, path: bytes) -> Volume:
        """The volume that ``path`` lies on.

        Raises:
            VolumeError: it cannot be reached or does not answer.
        """
        try:
            name = os.path.abspath(os.fsdecode(path))
            root = self.calls.call(("place", name), lambda: self.asked.place_of(name), ANSWER_S)
        except NotAnsweringError as error:
            raise VolumeError(f"the file system does not answer ({error})", path=path) from error
        except OSError as error:
            raise VolumeError(f"it cannot be reached: {reason(error)}", path=path) from error
        for place in self.asked.places():
            if place.path.casefold() == root.casefold():
                return self._volume(place)
        raise _gone(path)

    def of_fd(self, fd: int) -> Volume:
        """The volume of an open file, by the serial number of its file system.

        Raises:
            VolumeError: it is no longer there, or two volumes have its serial number.
        """
        serial = os.fstat(fd).st_dev & _SERIAL_MASK
        text = _serial(serial)
        found = [volume for volume in self.read() if volume.volume_id == text]
        if len({volume.source for volume in found}) != 1:
            raise _gone(b"")
        return found[0]

    def mountings(self) -> tuple[Mounting, ...]:
        """What can be reached now; asks no file system."""
        return tuple(Mounting(p, os.fsencode(p.path), False) for p in self.asked.places())

    def describe(self, mounting: Mounting) -> Volume | None:
        """All that is known of one volume; None when it has left meanwhile."""
        for place in self.asked.places():
            if place == mounting.key:
                return self._volume(place)
        return None

    def is_mounted(self, volume: Volume) -> bool:
        """Whether the same volume can still be reached in the same place."""
        same = (os.fsdecode(volume.source), os.fsdecode(volume.mount_point))
        return any((p.volume or p.share, p.path) == same for p in self.asked.places())

    def physical(self, volume: Volume) -> Physical:
        """What a volume lies on; the rules stand in ``separation``."""
        if volume.is_network or (volume.source.startswith(b"\\\\") and b"?" not in volume.source):
            return physical_of_share(volume, self.servers, self._own_disks)
        if volume.bus == "memory":
            return Physical(frozenset({"memory"}), True, True, reason="it lies in memory")
        disks = self.asked.disks(os.fsdecode(volume.source))
        return together(_physical(disk) for disk in disks)

    def is_system_disk(self, volume: Volume) -> bool:
        """Whether the volume is on a disk that this computer runs from."""
        system = self.asked.system_place()
        if os.fsdecode(volume.mount_point).casefold() == system.casefold():
            return True
        roots = [p for p in self.asked.places() if p.path.casefold() == system.casefold()]
        used = {d.number for place in roots for d in self.asked.disks(place.volume)}
        return bool(used & {d.number for d in self.asked.disks(os.fsdecode(volume.source))})

    def _own_disks(self) -> Physical:
        local = [place.volume for place in self.asked.places() if place.volume]
        return together(_physical(d) for volume in local for d in self.asked.disks(volume))

    def _volume(self, place: WindowsPlace) -> Volume:
        facts = self._facts(place)
        is_remote = place.drive_type == _DRIVE_REMOTE
        disks = self.asked.disks(place.volume) if place.volume else ()
        name = place.volume or place.share
        return Volume(
            mount_point=os.fsencode(place.path),
            source=os.fsencode(name),
            fs_type="smbfs" if is_remote else facts.fs_type.lower() if facts else "",
            options=(),
            is_read_only=bool(facts and facts.flags & _FILE_READ_ONLY_VOLUME),
            device="0:0",
            mount_id=int.from_bytes(hashlib.sha256(name.encode()).digest()[:7], "big"),
            is_mount_id_unique=False,
            is_answering=facts is not None,
            label=facts.label if facts else "",
            volume_id=_serial(facts.serial) if facts and not is_remote else "",
            capacity_bytes=facts.capacity_bytes if facts else None,
            free_bytes=facts.free_bytes if facts else None,
            bus=_bus(place, disks),
            model=disks[0].model if disks else "",
            updates_access_times=not (facts and facts.flags & _FILE_READ_ONLY_VOLUME),
        )

    def _facts(self, place: WindowsPlace) -> WindowsFacts | None:
        key = ("room", place.path)
        try:
            return self.calls.call(key, lambda: self.asked.facts(place.path), ANSWER_S)
        except OSError:
            return None


def _bus(place: WindowsPlace, disks: tuple[WindowsDisk, ...]) -> str:
    if place.drive_type == _DRIVE_REMOTE:
        return "network"
    if place.drive_type == _DRIVE_RAM:
        return "memory"
    return _BUSES.get(disks[0].bus_type, "") if disks else ""


def _physical(disk: WindowsDisk) -> Physical:
    name = f"PhysicalDrive{disk.number}"
    devices = {f"disk:{name}"}
    if disk.serial.strip("0 "):
        devices.add(f"serial:{disk.serial.strip()}")
    bus = _BUSES.get(disk.bus_type, "")
    reason = "a disk of its own"
    if bus == "usb":
        reason = "this system does not show which USB enclosure it sits in"
    elif bus not in _KNOWN_BUSES:
        reason = "its controller does not show which disks it lies on"
    return Physical(
        devices=frozenset(devices),
        is_known=bus in _KNOWN_BUSES,
        counters=(name,),
        disks=frozenset({name}),
        reason=reason,
    )


def _serial(number: int) -> str:
    return f"{number >> 16 & 0xFFFF:04X}-{number & 0xFFFF:04X}"


def _gone(path: bytes) -> VolumeError:
    return VolumeError(
        "the file system is no longer mounted, or cannot be told from another",
        path=path,
        meaning="What was read or written there last is not shown to be there now.",
        remedy="Plug it in again, then repeat the command.",
    )
