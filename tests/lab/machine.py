"""A machine on which every loop device is a disk of its own.

All images of the laboratory lie on one disk, which the program works out and rightly refuses to
count as two. Tests that need separate drives hand in surroundings in which a loop device is the
bottom of things; everything else, read counters among it, is the real machine.
"""

from dataclasses import replace

from offload.jobs.surroundings import Surroundings
from offload.volumes.physical import Physical, physical_devices
from offload.volumes.volume import Volume


def physical_by_loop(volume: Volume) -> Physical:
    """The real answer, except that a loop device counts as a disk."""
    found = physical_devices(volume)
    if not found.counters or not volume.device_node.startswith(b"/dev/loop"):
        return found
    devices = frozenset(f"disk:{counter}" for counter in found.counters)
    return replace(found, devices=devices, is_known=True, disks=frozenset(found.counters))


def loops_as_disks() -> Surroundings:
    """Surroundings for jobs run within the test's process."""
    return Surroundings(physical=physical_by_loop)
