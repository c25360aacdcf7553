"""Whether a pass really read its devices, and not a memory that remembers what was written.

Past the cache is evidence, not an option (design, decision 2). Before a file is read its pages are
dropped and must be gone. While the pass runs, the read counter of each device below must grow by
what the files occupy there, all our readings on that device summed. The counter can deny and never
prove: other programs read too. A user-space file system reads its block device through that
device's own cache, which is emptied before the pass, or the reading does not count.
"""

import fcntl
import os
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from offload.storage import syscalls
from offload.values.facts import ReadBack

ReadCounter = Callable[[str], int | None]
"""Bytes ever read from a block device (``8:1``), or nothing where it is not told."""

_BLKFLSBUF = 0x1261  # linux/fs.h
_DROPS = 3
_HAS_ADVICE = hasattr(os, "posix_fadvise")
_NO_CACHE: int | None = getattr(fcntl, "F_NOCACHE", None)  # macOS


@dataclass(frozen=True, slots=True)
class Medium:
    """How readings below one root can be shown to have come from its device.

    Attributes:
        block_devices: what the file system sits on, as ``major:minor``; empty when unknown.
        device_nodes: their nodes in ``/dev``, for a user-space file system; else empty.
        is_server: a network file system.
        is_ram: nothing below but memory.
        is_mounted_anew: mounted since the last write there, and not read since by us.
    """

    block_devices: tuple[str, ...] = ()
    device_nodes: tuple[bytes, ...] = ()
    is_server: bool = False
    is_ram: bool = False
    is_mounted_anew: bool = False


def forget_pages(fd: int) -> None:
    """Ask the system to forget a file's clean pages; it may not, and nothing is shown by it."""
    if _HAS_ADVICE:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    if _NO_CACHE is not None:
        fcntl.fcntl(fd, _NO_CACHE, 1)


def drop_pages(fd: int, size_bytes: int) -> bool:
    """Write back and forget a file's pages; whether they are really gone.

    Pages that another program has mapped stay, and then the reading is not evidence.
    """
    if not size_bytes:
        return True
    for attempt in range(_DROPS):
        if attempt:
            # Only clean pages can be dropped. Not at the first try: an fsync may cost a flush of
            # the whole drive, and files written by us are synced already.
            _write_back(fd)
        forget_pages(fd)
        try:
            if not syscalls.resident_pages(fd, size_bytes):
                return True
        except OSError:
            # Not told is not gone.
            return False
    return False


class Evidence:
    """The evidence of one pass over several roots, gathered while its threads read.

    Call :meth:`begin` after the last byte is down, :meth:`fetched` for what was read, and
    :meth:`judge` when all threads have ended.

    How much of a file lies on the device at all (not in holes, not packed) costs two calls to the
    system a file, so it is asked only where the counters have not grown by the whole sizes.
    """

    def __init__(self, media: Mapping[str, Medium], read_counter: ReadCounter) -> None:
        self._media = dict(media)
        self._read_counter = read_counter
        self._expected: dict[str, int] = dict.fromkeys(self._media, 0)
        self._before: dict[str, int | None] = {}
        self._is_flushed: dict[str, bool] = {}
        self._lock = threading.Lock()

    def begin(self) -> None:
        """Empty the block devices' caches below user-space file systems; note all counters."""
        for key, medium in self._media.items():
            self._is_flushed[key] = all(_flush(node) for node in medium.device_nodes)
            for device in medium.block_devices:
                self._before.setdefault(device, self._read_counter(device))

    def fetched(self, key: str, size_bytes: int) -> None:
        """Note files that were read whole, once, below the root ``key``: the sum of their sizes."""
        with self._lock:
            self._expected[key] += size_bytes

    def judge(self, least: Callable[[str], int]) -> dict[str, ReadBack]:
        """How each root was read; for files whose pages were gone.

        Args:
            least: for a key, how many of the bytes noted lie on the device at the least
                (:func:`offload.storage.extents.fetched_at_least`); may open every file.
        """
        growth = {device: self._growth(device) for device in self._before}
        verdicts: dict[str, ReadBack] = {}
        for group in _connected(self._media):
            devices = {device for key in group for device in self._media[key].block_devices}
            grown = _sum_known(growth[device] for device in devices)
            is_shown = bool(devices) and grown is not None
            is_shown = is_shown and self._is_reached(grown or 0, group, least)
            for key in group:
                verdicts[key] = self._judge_one(key, is_shown=is_shown)
        return verdicts

    def _is_reached(self, grown: int, group: Iterable[str], least: Callable[[str], int]) -> bool:
        return grown >= sum(self._expected[key] for key in group) or grown >= sum(
            min(least(key), self._expected[key]) for key in group
        )

    def _judge_one(self, key: str, *, is_shown: bool) -> ReadBack:
        medium = self._media[key]
        if medium.is_ram:
            return ReadBack.CACHED
        if medium.is_server:
            return ReadBack.SERVER
        if medium.block_devices:
            is_read = is_shown and (self._is_flushed[key] or medium.is_mounted_anew)
            return ReadBack.DEVICE if is_read else ReadBack.CACHED
        # Without a counter only a mounting that has seen neither write nor reading is evidence.
        return ReadBack.DEVICE if medium.is_mounted_anew else ReadBack.CACHED

    def _growth(self, device: str) -> int | None:
        before, after = self._before[device], self._read_counter(device)
        return None if before is None or after is None else after - before


def _connected(media: Mapping[str, Medium]) -> list[set[str]]:
    """Roots that share a device, directly or by way of another root, in one group each."""
    groups: list[tuple[set[str], set[str]]] = []
    for key, medium in media.items():
        keys, devices = {key}, set(medium.block_devices)
        apart = []
        for other_keys, other_devices in groups:
            if devices & other_devices:
                keys |= other_keys
                devices |= other_devices
            else:
                apart.append((other_keys, other_devices))
        groups = [*apart, (keys, devices)]
    return [keys for keys, _ in groups]


def _sum_known(values: Iterable[int | None]) -> int | None:
    total = 0
    for value in values:
        if value is None:
            return None
        total += value
    return total


def _write_back(fd: int) -> None:
    try:
        os.fsync(fd)
    except OSError:
        # A read-only mount or an odd driver; the pages then tell whether they could be dropped.
        return


def _flush(node: bytes) -> bool:
    """Drop the clean pages of a block device (needs the right to; then False)."""
    try:
        fd = os.open(node, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        os.fsync(fd)
        fcntl.ioctl(fd, _BLKFLSBUF, 0)
    except OSError:
        return False
    finally:
        os.close(fd)
    return True
