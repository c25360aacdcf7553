"""A machine on which every loop device is a disk of its own.

All images of the laboratory lie on one disk, which the program works out and rightly refuses to
count as two. Tests that need separate drives hand in surroundings in which a loop device is the
bottom of things; everything else, read counters among it, is the real machine.
"""

import os
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
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


@contextmanager
def one_processor() -> Iterator[None]:
    """This thread, and what it starts inside the block, stays on one processor.

    An operation of a file system in user space goes to another process and back. Waking a process
    on another processor costs 30 microseconds here, on the same one almost nothing, and an offload
    asks for 4,500 operations.
    """
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {random.choice(sorted(before))})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


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
