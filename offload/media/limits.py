"""What a worker may use: memory, computing time, no core file, no written file.

Runs inside the worker, before it has seen any clip. Limits are the operating system's own
(``setrlimit``, POSIX); macOS does not hold a process to its address space, there the wall clock and
computing time remain.
"""

import math
import os
import resource
from contextlib import suppress

MEMORY_BYTES = 1 << 30
LARGE_MEMORY_BYTES = 2 << 30
LARGE_PIXELS = 3840 * 2160
"""Rasters above this may use the larger limit; UHD needs a fifth of the smaller one (measured)."""

_OPEN_FILES = 16
_NICE = 10


def lock_down() -> None:
    """Take the limits that hold for the whole life of the worker. Libraries are loaded before."""
    os.chdir("/")
    with suppress(OSError):
        # The copy goes first; looking at clips has time.
        os.nice(_NICE)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    resource.setrlimit(resource.RLIMIT_NOFILE, (_OPEN_FILES, _OPEN_FILES))
    _limit_memory(MEMORY_BYTES)


def allow_raster(width: int, height: int) -> None:
    """Take the memory limit that a raster may need."""
    is_large = width * height > LARGE_PIXELS
    _limit_memory(LARGE_MEMORY_BYTES if is_large else MEMORY_BYTES)


def allow_computing(seconds: float) -> None:
    """Allow so much computing time from now on; the system ends the worker after it."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    limit = math.ceil(used.ru_utime + used.ru_stime + seconds)
    _soft, hard = resource.getrlimit(resource.RLIMIT_CPU)
    resource.setrlimit(resource.RLIMIT_CPU, (limit, hard))


def _limit_memory(size_bytes: int) -> None:
    _soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    top = LARGE_MEMORY_BYTES if hard == resource.RLIM_INFINITY else min(hard, LARGE_MEMORY_BYTES)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (min(size_bytes, top), top))
