"""Which physical devices a volume lies on, on whatever system; the rules: ``separation``."""

import sys

import psutil

from offload.volumes import block_tree
from offload.volumes.separation import Physical
from offload.volumes.volume import Volume

__all__ = ["Physical", "is_system_disk", "lane_devices", "physical_devices", "read_counter_bytes"]


def physical_devices(volume: Volume) -> Physical:
    """What the volume's bytes lie on, on this machine. Never raises: then it is not known."""
    if sys.platform == "darwin":
        from offload.volumes.mac_physical import MacPhysical

        return MacPhysical().of(volume)
    if sys.platform == "win32":
        from offload.volumes.windows_volumes import WindowsTable

        return WindowsTable().physical(volume)
    from offload.volumes.linux_physical import PhysicalReader

    return PhysicalReader().of(volume)


def lane_devices(volume: Volume) -> frozenset[str]:
    """Readers, disks or servers that a volume shares its speed by with others that have one too.

    For queues, never for what counts as separate: image files on one disk have lanes of their own.
    """
    if sys.platform != "linux":
        return physical_devices(volume).devices
    from offload.volumes.linux_physical import PhysicalReader

    return PhysicalReader().lane(volume)


def is_system_disk(volume: Volume) -> bool:
    """Whether the volume is on a disk that this computer runs from: never taken for a card."""
    if sys.platform == "darwin":
        from offload.volumes.mac_physical import MacPhysical

        return MacPhysical().is_system_disk(volume)
    if sys.platform == "win32":
        from offload.volumes.windows_volumes import WindowsTable

        return WindowsTable().is_system_disk(volume)
    from offload.volumes.linux_physical import is_linux_system_disk

    return is_linux_system_disk(volume)


def read_counter_bytes(counter: str) -> int | None:
    """Bytes ever read from a block device since it appeared, None where that is not told.

    Args:
        counter: one of :attr:`Physical.counters`.
    """
    if ":" in counter:
        return block_tree.read_counter_bytes(counter)
    told = psutil.disk_io_counters(perdisk=True).get(counter)
    return told.read_bytes if told else None


def moved_bytes(counter: str) -> int | None:
    """Bytes ever read from a block device or written to it, None where that is not told.

    Args:
        counter: one of :attr:`Physical.counters`.
    """
    if ":" in counter:
        return block_tree.moved_bytes(counter)
    told = psutil.disk_io_counters(perdisk=True).get(counter)
    return told.read_bytes + told.write_bytes if told else None
