"""Power cuts: what a drive would hold had the power gone at a given moment.

The image lies on a faulty file system that logs every write and flush that reaches the device; a
real file system is mounted on it through a loop device. From the log the image of any moment can
be made again. A drive with a volatile cache may lose any write that no flush followed, and keep
later ones: such images are made too.
"""

import os
import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.lab import mounts, writelog
from tests.lab.faultfs import FaultFs
from tests.lab.images import EXT4, FileSystem, Rack, Volume
from tests.lab.writelog import Request


class Recorded:
    """A mounted volume whose device keeps a log.

    Attributes:
        volume: mounted, empty.
    """

    def __init__(self, rack: Rack, volume: Volume, base: Path, log: Path) -> None:
        self.volume = volume
        self._rack = rack
        self._base = base
        self._log = log
        self._made = 0

    def moment(self) -> int:
        """This moment, as the length of the log: what the device has received by now."""
        return self._log.stat().st_size

    def at(self, moment: int, *, cache_seed: int | None = None) -> Volume:
        """A volume as the drive would be found after a power cut; not mounted yet.

        Args:
            moment: from :meth:`moment`, or any number up to it.
            cache_seed: None keeps all of them; else about half of those that no flush followed
                are lost, which ones comes from this seed.
        """
        self._made += 1
        image = self._base.with_name(f"{self.volume.image.stem}-cut-{self._made}.img")
        mounts.run(["cp", "--sparse=always", os.fspath(self._base), os.fspath(image)])
        requests = list(writelog.read(self._log, moment))
        with image.open("r+b") as file:
            for request in _survivors(requests, cache_seed):
                file.seek(request.offset)
                file.write(request.data)
        return self._rack.adopt(image, self.volume.fs, name=image.stem)


@contextmanager
def recorded(
    rack: Rack, name: str, fs: FileSystem = EXT4, *, size_bytes: int = 0
) -> Iterator[Recorded]:
    """A volume with a log, mounted for the length of the block.

    Args:
        rack: gives and takes back what is made.
        name: of the volume.
        fs: kind of file system.
        size_bytes: of the image; the kind's own where 0.
    """
    place = rack.folder / f"{name}-recorded"
    backing = place / "disk"
    backing.mkdir(parents=True)
    with FaultFs(backing, place / "device") as device:
        volume = rack.volume(
            fs, name=name, size_bytes=size_bytes, inside=device.root, is_mounted=False
        )
        base = place / "base.img"
        formatted = backing / f"{name}.img"
        mounts.run(["cp", "--sparse=always", os.fspath(formatted), os.fspath(base)])
        device.record(place / "log")
        volume.mount()
        made = Recorded(rack, volume, base, place / "log")
        try:
            yield made
        finally:
            volume.close()


def moments(seed: int, first: int, last: int, count: int) -> list[int]:
    """``count`` moments spread at random from ``first`` to ``last``, both always among them."""
    source = random.Random(seed)
    inner = {source.randint(first, last) for _ in range(max(0, count - 2))}
    return sorted({first, last} | inner)


def _survivors(requests: list[Request], cache_seed: int | None) -> list[Request]:
    if cache_seed is None:
        return [request for request in requests if not request.is_flush]
    source = random.Random(cache_seed)
    flushed = max((at for at, request in enumerate(requests) if request.is_flush), default=-1)
    return [
        request
        for at, request in enumerate(requests)
        if not request.is_flush and (at < flushed or source.random() < 0.5)
    ]


def sync_file(path: Path) -> None:
    """Make a file and its folder durable, as fsync(2) says it must be done."""
    for place in (path, path.parent):
        fd = os.open(place, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
