"""What the volume calls of Windows answer, and the interface that they stand behind.

Source: the system's documentation of GetDriveTypeW, GetVolumeInformationW, GetDiskFreeSpaceExW and
STORAGE_DEVICE_DESCRIPTOR.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class WindowsPlace:
    """One place where a volume can be reached.

    Attributes:
        path: root with its closing backslash, such as ``E:\\``.
        volume: the volume's own name with its number; empty for a share.
        share: the share's name (``\\\\server\\name``); empty for a local volume.
        drive_type: as GetDriveTypeW has it.
    """

    path: str
    volume: str = ""
    share: str = ""
    drive_type: int = 3


@dataclass(frozen=True, slots=True)
class WindowsFacts:
    """GetVolumeInformationW and GetDiskFreeSpaceExW: label, serial, flags, kind, room."""

    label: str
    serial: int
    flags: int
    fs_type: str
    capacity_bytes: int
    free_bytes: int


@dataclass(frozen=True, slots=True)
class WindowsDisk:
    """One disk below a volume: its number, bus type, names and serial number."""

    number: int
    bus_type: int
    model: str = ""
    serial: str = ""


class VolumeCalls(Protocol):
    """The system's calls."""

    def places(self) -> Iterable[WindowsPlace]:
        """Every place where a volume or share can be reached; asks no file system."""

    def facts(self, path: str) -> WindowsFacts:
        """What the file system tells; may wait for a server. Raises ``OSError``."""

    def disks(self, volume: str) -> tuple[WindowsDisk, ...]:
        """The disks that a local volume lies on; empty where they are not told."""

    def place_of(self, path: str) -> str:
        """The root of the volume that holds ``path``. Raises ``OSError``."""

    def system_place(self) -> str:
        """The root of the volume that the system runs from."""
