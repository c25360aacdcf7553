"""The log of a device makes the power cuts that it claims: plain system calls on real file systems.

What must survive follows fsync(2): a file synced, and its folder synced, is there.
"""

import os

import pytest

from tests.lab import powercuts, writelog
from tests.lab.images import BTRFS, EXFAT, EXT4, XFS, FileSystem, Rack
from tests.lab.mounts import LabError

pytestmark = pytest.mark.lab
DATA = os.urandom(200_000)


@pytest.mark.parametrize("fs", [EXT4, XFS, BTRFS, EXFAT], ids=lambda fs: fs.name)
def test_synced_file_survives_every_cut(rack: Rack, fs: FileSystem) -> None:
    with powercuts.recorded(rack, "drive", fs) as made:
        first = made.volume.root / "first.mov"
        first.write_bytes(DATA)
        powercuts.sync_file(first)
        synced = made.moment()
        (made.volume.root / "second.mov").write_bytes(DATA[::-1])
        made.volume.sync()
        last = made.moment()
        assert last > synced
        for number, moment in enumerate(powercuts.moments(1, synced, last, 4)):
            for cache_seed in (None, number):
                cut = made.at(moment, cache_seed=cache_seed)
                cut.mount()
                assert (cut.root / "first.mov").read_bytes() == DATA
                cut.close()
        whole = made.at(last)
        whole.mount()
        assert (whole.root / "second.mov").read_bytes() == DATA[::-1]


def test_file_not_synced_is_lost_at_an_early_cut(rack: Rack) -> None:
    """Else the test above could not fail."""
    with powercuts.recorded(rack, "drive", EXT4) as made:
        first = made.volume.root / "first.mov"
        first.write_bytes(DATA)
        cut = made.at(made.moment())
        cut.mount()
        assert not (cut.root / "first.mov").exists()


def test_folder_not_synced_may_be_lost(rack: Rack) -> None:
    """exFAT has no journal: names wait in the driver until the folder is synced."""
    with powercuts.recorded(rack, "drive", EXFAT) as made:
        first = made.volume.root / "first.mov"
        first.write_bytes(DATA)
        seen = []
        for moment in powercuts.moments(1, 0, made.moment(), 5):
            cut = made.at(moment)
            try:
                cut.mount()
                seen.append((cut.root / "first.mov").exists())
            except LabError:
                seen.append(False)
            cut.close()
        assert False in seen


def test_cache_loses_only_what_was_not_flushed() -> None:
    early, flush = writelog.Request(0, b"a", False), writelog.Request(0, b"", True)
    late = [writelog.Request(1, bytes([number]), False) for number in range(40)]
    kept = powercuts._survivors([early, flush, *late], cache_seed=3)
    assert kept[0] is early
    assert 0 < len(kept) - 1 < 40
    assert powercuts._survivors([early, flush, *late], None) == [early, *late]
