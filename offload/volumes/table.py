"""What is mounted on this machine: one question, whatever the system."""

import sys
from typing import Protocol

from offload.volumes.volume import Mounting, Volume


class Table(Protocol):
    """Reads one system's mounted volumes."""

    def read(self) -> tuple[Volume, ...]:
        """Every volume that is mounted now."""

    def of_path(self, path: bytes) -> Volume:
        """The volume that a path lies on."""

    def of_fd(self, fd: int) -> Volume:
        """The volume in which a descriptor was opened."""

    def mountings(self) -> tuple[Mounting, ...]:
        """What is mounted now; asks no file system and starts no command."""

    def describe(self, mounting: Mounting) -> Volume | None:
        """All that is known of one mounting; None when it has left meanwhile."""

    def is_mounted(self, volume: Volume) -> bool:
        """Whether a volume's very mounting is still there."""


def system_table() -> Table:
    """The reader for this system."""
    if sys.platform == "darwin":
        from offload.volumes.diskutil import DiskutilTable

        return DiskutilTable()
    if sys.platform == "win32":
        from offload.volumes.windows_volumes import WindowsTable

        return WindowsTable()
    from offload.volumes.linux_table import LinuxTable

    return LinuxTable()


def read_volumes(table: Table | None = None) -> tuple[Volume, ...]:
    """Every mounted volume, views into the kernel left out; never held up by a dead share."""
    return (table or system_table()).read()


def volume_of(place: bytes | int, table: Table | None = None) -> Volume:
    """The volume of a path, or of an open descriptor whatever has been mounted over it since.

    Raises:
        VolumeError: the path cannot be reached, the file system does not answer, or the
            descriptor's mounting has left the mount table.
    """
    reader = table or system_table()
    return reader.of_fd(place) if isinstance(place, int) else reader.of_path(place)


def is_mounted(volume: Volume, table: Table | None = None) -> bool:
    """Whether this very mounting is still there: cheap, and touches no file system.

    Where the system has no unique ids (``is_mount_id_unique``), one that went and came back with
    the same number in the same place looks the same.
    """
    return (table or system_table()).is_mounted(volume)
