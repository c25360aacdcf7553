"""A bound on memory for a child process: one control group, always removed.

Source: kernel documentation ``cgroup-v1/memory.rst`` and ``cgroup-v2.rst``. Bounded is what the
processes in the group hold, and the pages of files that they read and write: those are given up
under pressure, so only what a program really holds makes it fail. A program that reads 300 MB in a
group of 100 MB stays at 100 (measured). A file system in user space is a process outside of it.
"""

import contextlib
import itertools
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.lab.mounts import LabError

_PLACES = (
    (Path("/sys/fs/cgroup/memory"), "memory.limit_in_bytes"),
    (Path("/sys/fs/cgroup"), "memory.max"),
)
_numbers = itertools.count(1)


class MemoryGroup:
    """A control group with a bound; processes are put in by number."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def add(self, process: int) -> None:
        """Put a process, and whatever it will start, into the group."""
        (self._folder / "cgroup.procs").write_text(f"{process}\n")

    def peak_bytes(self) -> int:
        """The most that was held at once, pages of files included."""
        names = ("memory.max_usage_in_bytes", "memory.peak")
        found = [self._folder / name for name in names if (self._folder / name).exists()]
        if not found:
            raise LabError("this kernel does not tell the most that a group has held")
        return int(found[0].read_text())

    def was_exceeded(self) -> bool:
        """Whether a process was killed because the bound was reached."""
        for name in ("memory.oom_control", "memory.events"):
            path = self._folder / name
            if path.exists():
                words = dict(line.split() for line in path.read_text().splitlines())
                return int(words.get("oom_kill", 0)) > 0
        return False


@contextmanager
def bounded(limit_bytes: int) -> Iterator[MemoryGroup]:
    """A group of ``limit_bytes`` for the length of the block.

    Raises:
        LabError: this machine has no memory controller.
    """
    place, name = _place()
    folder = place / f"offload-lab-{os.getpid()}-{next(_numbers)}"
    folder.mkdir()
    try:
        (folder / name).write_text(f"{limit_bytes}\n")
        yield MemoryGroup(folder)
    finally:
        deadline = time.monotonic() + 30
        while folder.exists() and time.monotonic() < deadline:
            with contextlib.suppress(OSError):
                folder.rmdir()
                break
            time.sleep(0.02)


def _place() -> tuple[Path, str]:
    for place, name in _PLACES:
        if (place / "cgroup.procs").exists() and any(
            (place / found).exists() for found in ("memory.stat", "memory.pressure")
        ):
            return place, name
    raise LabError("memory cannot be bounded here: no memory controller")
