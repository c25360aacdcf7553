"""Which files have bytes of their own: hard links, bind mounts and shared extents are one file.

Asked across all places that are looked at together, since two of them may lead to one file.
"""

import os
from bisect import bisect_left, insort
from collections import defaultdict

from offload.jobs.opening import HeldDrive
from offload.storage.extents import data_ranges


class OwnFiles:
    """The files met so far, by content."""

    def __init__(self) -> None:
        self._inodes: set[tuple[bytes, int, int]] = set()
        self._ranges: dict[tuple[bytes, str, tuple[str, ...]], list[tuple[int, int]]] = defaultdict(
            list
        )

    def take(self, drive: HeldDrive, path: bytes, digest: bytes) -> bool:
        """Whether this file has bytes of its own among all files of this content so far.

        Raises:
            OSError: it cannot be asked.
        """
        fd = drive.root.open_file(path)
        try:
            facts = os.fstat(fd)
            ranges = data_ranges(fd)
        finally:
            os.close(fd)
        inode = (digest, facts.st_dev, facts.st_ino)
        # Subvolumes of one file system have numbers of their own and extents in common; cloned
        # drives have one id, and blocks of their own.
        system = (drive.volume.volume_id or str(facts.st_dev), drive.physical.counters)
        taken = self._ranges[digest, *system]
        if inode in self._inodes or any(_overlaps(taken, each) for each in ranges):
            return False
        self._inodes.add(inode)
        for each in ranges:
            insort(taken, each)
        return True


def _overlaps(taken: list[tuple[int, int]], wanted: tuple[int, int]) -> bool:
    """Whether a range meets one of those taken, which lie in order and apart from each other."""
    start, end = wanted
    at = bisect_left(taken, (start, end))
    is_behind = at < len(taken) and taken[at][0] < end
    return is_behind or (at > 0 and taken[at - 1][1] > start)
