"""What is silently wrong is wrong just so: bytes, listings, entries that get lost."""

import os
from collections.abc import Callable

import pytest

from tests.lab.faultfs import Fault, FaultFs
from tests.lab.filecalls import DATA, evict, sync_at

pytestmark = pytest.mark.lab
Maker = Callable[..., FaultFs]


def differing(one: bytes, other: bytes) -> list[int]:
    assert len(one) == len(other)
    return [at for at, (a, b) in enumerate(zip(one, other, strict=True)) if a != b]


# --- silently wrong


def test_bit_flipped_on_the_way_in(drive: FaultFs) -> None:
    drive.plan(Fault("write", "flip_in", path="new", at=1000))
    (drive.root / "new").write_bytes(DATA)
    assert differing((drive.backing / "new").read_bytes(), DATA) == [1000]


def test_flip_in_is_hidden_by_the_cache(faulty: Maker) -> None:
    """Case F01: the plain reading after the writing is answered from memory."""
    drive = faulty("drive", keeps_pages=True)
    drive.plan(Fault("write", "flip_in", at=1000))
    path = drive.root / "new"
    path.write_bytes(DATA)
    sync_at(path)
    assert path.read_bytes() == DATA
    evict(path)
    assert differing(path.read_bytes(), DATA) == [1000]


def test_bit_flipped_on_the_way_out_always(drive: FaultFs) -> None:
    drive.plan(Fault("read", "flip_out", at=1000, count=0))
    for _ in range(2):
        assert differing((drive.root / "clip.mov").read_bytes(), DATA) == [1000]
    assert (drive.backing / "clip.mov").read_bytes() == DATA


def test_bit_flipped_on_first_reading_only(drive: FaultFs) -> None:
    drive.plan(Fault("read", "flip_out", path="clip.mov", at=200_000))
    assert differing((drive.root / "clip.mov").read_bytes(), DATA) == [200_000]
    assert (drive.root / "clip.mov").read_bytes() == DATA


@pytest.mark.parametrize("name", ["new/inner", "new"], ids=["file", "folder"])
def test_entry_that_never_reached_the_medium(drive: FaultFs, name: str) -> None:
    drive.plan(Fault("fsyncdir", "forget", name=name))
    (drive.root / "new").mkdir()
    (drive.root / "new/inner").write_bytes(DATA)
    fd = os.open(drive.root / "new", os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
    assert not (drive.backing / name).exists()
    assert (drive.backing / "clip.mov").read_bytes() == DATA


def test_zeros_handed_out(drive: FaultFs) -> None:
    drive.plan(Fault("read", "zero_out", at=299_999, length=100))
    seen = (drive.root / "clip.mov").read_bytes()
    assert seen == DATA[:-100] + bytes(100)


def test_dropped_write_reports_success(drive: FaultFs) -> None:
    drive.plan(Fault("write", "drop", path="new"))
    assert (drive.root / "new").write_bytes(b"x" * 5000) == 5000
    assert (drive.backing / "new").read_bytes() == bytes(5000)


def test_torn_write_reports_success(drive: FaultFs) -> None:
    drive.plan(Fault("write", "torn", path="new"))
    assert (drive.root / "new").write_bytes(b"x" * 5000) == 5000
    assert (drive.backing / "new").read_bytes() == b"x" * 2500 + bytes(2500)


def test_swapped_blocks(drive: FaultFs) -> None:
    drive.plan(Fault("write", "swap", path="new"))
    content = b"a" * 4096 + b"b" * 4096 + b"c" * 10
    (drive.root / "new").write_bytes(content)
    assert (drive.backing / "new").read_bytes() == b"b" * 4096 + b"a" * 4096 + b"c" * 10


def test_short_read_and_write_are_told(drive: FaultFs) -> None:
    drive.plan(Fault("read", "short", path="clip.mov"), Fault("write", "short", path="new"))
    fd = os.open(drive.root / "clip.mov", os.O_RDONLY)
    assert len(os.read(fd, 10_000)) == 5000
    os.close(fd)
    fd = os.open(drive.root / "new", os.O_WRONLY | os.O_CREAT)
    assert os.write(fd, b"x" * 1000) == 500
    os.close(fd)
    assert (drive.backing / "new").read_bytes() == b"x" * 500


def test_file_cut_at_close(drive: FaultFs) -> None:
    drive.plan(Fault("flush", "cut", path="new", length=10))
    (drive.root / "new").write_bytes(DATA)
    assert (drive.backing / "new").read_bytes() == DATA[:-10]


def test_stale_reading_shows_what_was_before(drive: FaultFs) -> None:
    drive.plan(Fault("read", "stale", count=0))
    with (drive.root / "clip.mov").open("r+b", buffering=0) as file:
        file.write(b"new bytes")
        file.seek(0)
        assert file.read(100) == DATA[:100]
    assert (drive.backing / "clip.mov").read_bytes()[:9] == b"new bytes"
    drive.plan()
    assert (drive.root / "clip.mov").read_bytes()[:9] == b"new bytes"


def test_stale_reading_of_new_file_is_zeros(drive: FaultFs) -> None:
    drive.plan(Fault("read", "stale", count=0))
    (drive.root / "new").write_bytes(b"x" * 1000)
    assert (drive.root / "new").read_bytes() == bytes(1000)


# --- listings


def test_listing_leaves_out_once(drive: FaultFs) -> None:
    (drive.backing / "other.mov").write_bytes(b"")
    drive.plan(Fault("readdir", "leave_out", name="clip.mov"))
    assert os.listdir(drive.root) == ["other.mov"]
    assert sorted(os.listdir(drive.root)) == ["clip.mov", "other.mov"]


def test_listing_doubles_once(drive: FaultFs) -> None:
    drive.plan(Fault("readdir", "double"))
    assert os.listdir(drive.root) == ["clip.mov", "clip.mov"]
    assert os.listdir(drive.root) == ["clip.mov"]


def test_entry_lost_after_sync(drive: FaultFs) -> None:
    (drive.backing / "CLIPS").mkdir()
    (drive.backing / "CLIPS/a.mov").write_bytes(b"a")
    drive.plan(Fault("fsyncdir", "lose", name="CLIPS"))
    assert (drive.root / "CLIPS/a.mov").exists()
    sync_at(drive.root)
    assert os.listdir(drive.root) == ["clip.mov"]
    assert not (drive.root / "CLIPS/a.mov").exists()
    drive.give_back()
    assert (drive.root / "CLIPS/a.mov").read_bytes() == b"a"
