"""The volumes of a macOS machine: the mounted list, and ``diskutil`` for what is below.

Sources: getmntinfo(3) by way of psutil, which never waits for a dead server; diskutil(8),
``info -plist`` (keys from memory; recorded answers of our own in the tests). Mountings have no
unique id here: the file system's device number stands for it, and the flag says so.
"""

import os
import plistlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from xml.parsers.expat import ExpatError

import psutil

from offload.errors import reason
from offload.volumes import kinds
from offload.volumes.block_tree import device_number
from offload.volumes.bounded import CALLS, BoundedCalls, NotAnsweringError
from offload.volumes.commands import Runner, run
from offload.volumes.volume import Mounting, Volume, VolumeError

_COMMAND_S = 10.0
ANSWER_S = 2.0
_HIDDEN = frozenset({"autofs", "devfs", "nullfs"})
Plist = dict[str, object]


@dataclass(frozen=True, slots=True)
class MacMount:
    """One mounted file system as the kernel lists it: source, place, kind, options."""

    source: bytes
    mount_point: bytes
    fs_type: str
    options: tuple[bytes, ...]


def system_mounts() -> tuple[MacMount, ...]:
    """What is mounted now."""
    return tuple(
        MacMount(
            os.fsencode(entry.device),
            os.fsencode(entry.mountpoint),
            entry.fstype,
            tuple(os.fsencode(entry.opts).split(b",")),
        )
        for entry in psutil.disk_partitions(all=True)
    )


def _room_of(place: bytes) -> tuple[int, int]:
    room = os.statvfs(place)
    return room.f_blocks * room.f_frsize, room.f_bavail * room.f_frsize


def disk_info(what: str, runner: Runner) -> Plist:
    """``diskutil info -plist`` of one device; empty where it tells nothing."""
    return parse_plist(runner(["diskutil", "info", "-plist", what], _COMMAND_S).output)


def parse_plist(output: bytes) -> Plist:
    """A property list that is a dictionary; empty when it is none."""
    try:
        parsed = plistlib.loads(output)
    except (plistlib.InvalidFileException, ExpatError, ValueError, AttributeError):
        return {}
    return parsed if isinstance(parsed, dict) else {}


def text(plist: Plist, *keys: str) -> str:
    """The first of the keys that holds some text."""
    for key in keys:
        value = plist.get(key)
        if isinstance(value, str) and value:
            return value
    return ""


@dataclass(frozen=True, slots=True)
class DiskutilTable:
    """Reads what is mounted.

    Attributes:
        mounts: lists what is mounted.
        run: runs a command.
        number_of: ``major:minor`` of a device node, empty where it is none.
        room_of: size and room of a mount point, bytes.
        calls: bounds every call into a file system.
    """

    mounts: Callable[[], Iterable[MacMount]] = system_mounts
    run: Runner = run
    number_of: Callable[[bytes], str] = device_number
    room_of: Callable[[bytes], tuple[int, int]] = _room_of
    calls: BoundedCalls = CALLS

    def read(self) -> tuple[Volume, ...]:
        """Every volume that is mounted."""
        return tuple(self._volume(mount, is_covered=c) for mount, c in self._listed())

    def mountings(self) -> tuple[Mounting, ...]:
        """What is mounted now; asks no file system and starts no command."""
        return tuple(Mounting(_key(m), m.mount_point, c) for m, c in self._listed())

    def describe(self, mounting: Mounting) -> Volume | None:
        """All that is known of one mounting; None when it has left meanwhile."""
        for mount, is_covered in self._listed():
            if _key(mount) == mounting.key:
                return self._volume(mount, is_covered=is_covered)
        return None

    def of_path(self, path: bytes) -> Volume:
        """The volume that ``path`` lies on, links followed.

        Raises:
            VolumeError: it does not exist, cannot be reached, or does not answer.
        """
        absolute = os.path.abspath(path)
        try:
            facts = self.calls.call(("stat", absolute), lambda: os.stat(absolute), ANSWER_S)
        except NotAnsweringError as error:
            raise VolumeError(f"the file system does not answer ({error})", path=path) from error
        except OSError as error:
            raise VolumeError(f"it cannot be reached: {reason(error)}", path=path) from error
        return self._of_number(facts.st_dev)

    def of_fd(self, fd: int) -> Volume:
        """The volume in which a descriptor was opened.

        Raises:
            VolumeError: it is no longer mounted.
        """
        return self._of_number(os.fstat(fd).st_dev)

    def _listed(self) -> list[tuple[MacMount, bool]]:
        """What is mounted, each with whether a later one lies over it."""
        wanted = [m for m in self.mounts() if m.fs_type not in _HIDDEN]
        places = [mount.mount_point for mount in wanted]
        return [(m, m.mount_point in places[at + 1 :]) for at, m in enumerate(wanted)]

    def is_mounted(self, volume: Volume) -> bool:
        """Whether the same device is still mounted in the same place; touches no file system."""
        same = (volume.source, volume.mount_point)
        return any((mount.source, mount.mount_point) == same for mount in self.mounts())

    def _of_number(self, number: int) -> Volume:
        for volume in self.read():
            if volume.mount_id == number:
                return volume
        raise VolumeError(
            "the file system is no longer mounted",
            meaning="What was read or written there last is not shown to be there now.",
            remedy="Plug it in again, then repeat the command.",
        )

    def _volume(self, mount: MacMount, *, is_covered: bool) -> Volume:
        is_local = mount.source.startswith(b"/dev/")
        info = disk_info(os.fsdecode(mount.source), self.run) if is_local else {}
        room = None if is_covered else self._room(mount)
        number = self._number(mount) if room or is_local else ""
        is_read_only = b"ro" in mount.options or b"read-only" in mount.options
        return Volume(
            mount_point=mount.mount_point,
            source=mount.source,
            fs_type=mount.fs_type,
            options=mount.options,
            is_read_only=is_read_only,
            device=number or "0:0",
            mount_id=_packed(number),
            is_mount_id_unique=False,
            is_covered=is_covered,
            is_answering=is_covered or room is not None,
            label=text(info, "VolumeName"),
            volume_id=text(info, "VolumeUUID", "DiskUUID"),
            capacity_bytes=room[0] if room else None,
            free_bytes=room[1] if room else None,
            device_node=mount.source if is_local else b"",
            bus="network" if kinds.is_network(mount.fs_type) else text(info, "BusProtocol").lower(),
            model=text(info, "MediaName", "IORegistryEntryName"),
            reader=text(info, "DeviceTreePath"),
            updates_access_times=not is_read_only and b"noatime" not in mount.options,
        )

    def _room(self, mount: MacMount) -> tuple[int, int] | None:
        key = ("room", mount.mount_point)
        try:
            return self.calls.call(key, lambda: self.room_of(mount.mount_point), ANSWER_S)
        except OSError:
            return None

    def _number(self, mount: MacMount) -> str:
        if mount.source.startswith(b"/dev/"):
            return self.number_of(mount.source)
        key = ("number", mount.mount_point)
        try:
            facts = self.calls.call(key, lambda: os.stat(mount.mount_point), ANSWER_S)
        except OSError:
            return ""
        return f"{os.major(facts.st_dev)}:{os.minor(facts.st_dev)}"


def _key(mount: MacMount) -> tuple[bytes, bytes]:
    return (mount.source, mount.mount_point)


def _packed(number: str) -> int:
    major, _, minor = number.partition(":")
    return os.makedev(int(major), int(minor)) if minor else 0
