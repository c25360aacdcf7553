"""A machine on which every loop device is a disk of its own.

All images of the laboratory lie on one disk, which the program works out and rightly refuses to
count as two. Tests that need separate drives hand in surroundings in which a loop device is the
bottom of things; everything else, read counters among it, is the real machine.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import replace

from offload.jobs.surroundings import Surroundings
from offload.volumes import commands
from offload.volumes.commands import Outcome
from offload.volumes.linux_devices import LinuxDevices
from offload.volumes.linux_table import LinuxTable
from offload.volumes.physical import Physical, physical_devices
from offload.volumes.volume import Volume


def physical_by_loop(volume: Volume) -> Physical:
    """The real answer, except that a loop device counts as a disk."""
    found = physical_devices(volume)
    if not found.counters or not volume.device_node.startswith(b"/dev/loop"):
        return found
    devices = frozenset(f"disk:{counter}" for counter in found.counters)
    return replace(found, devices=devices, is_known=True, disks=frozenset(found.counters))


def stay_on_one_processor() -> None:
    """This process, its threads and all that it starts from now on, on one processor.

    An operation of a file system in user space goes to another process and back. Waking a process
    on another processor costs 30 microseconds here, on the same one almost nothing, and an offload
    asks for 4,500 operations.
    """
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})


def loops_as_disks() -> Surroundings:
    """Surroundings for jobs run within the test's process."""
    return Surroundings(physical=physical_by_loop)


def steady_loops_as_disks() -> Callable[[], Surroundings]:
    """The same for a machine whose devices stay as they are: each is asked for its label once.

    The mount table, room, mount ids and read counters are still asked for every time.
    """
    told: dict[tuple[str | bytes, ...], Outcome] = {}

    def run(command: Sequence[str | bytes], timeout_s: float) -> Outcome:
        key = tuple(command)
        if key not in told:
            told[key] = commands.run(command, timeout_s)
        return told[key]

    table = LinuxTable(devices=LinuxDevices(run=run))
    made = Surroundings(volumes=table.read, volume_of=table.of_fd, physical=physical_by_loop)
    return lambda: made
