"""Drives and drivers that are so all the time: names, times, sizes, room, renaming, the device."""

import ctypes
import errno
import os
import threading
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.filecalls import CALLS, DATA, evict

pytestmark = pytest.mark.lab
Maker = Callable[..., FaultFs]
_libc = ctypes.CDLL(None, use_errno=True)


# --- quirks


def test_names_folded_in_case(faulty: Maker) -> None:
    """Case F22: the second of two names meets the first's file."""
    drive = faulty("drive", Quirks(fold_case=True))
    (drive.root / "CLIP.MOV").write_bytes(b"one")
    (drive.root / "clip.mov").write_bytes(b"two")
    assert os.listdir(drive.root) == ["CLIP.MOV"]
    assert (drive.root / "Clip.Mov").read_bytes() == b"two"
    with pytest.raises(FileExistsError):
        os.open(drive.root / "cLIP.mov", os.O_CREAT | os.O_EXCL | os.O_WRONLY)


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_names_stored_in_one_form(faulty: Maker, form: str) -> None:
    drive = faulty("drive", Quirks(form=form))
    composed, split = "caf\u00e9.mov", "cafe\u0301.mov"
    (drive.root / composed).write_bytes(b"one")
    (drive.root / split).write_bytes(b"two")
    assert os.listdir(drive.root) == [unicodedata.normalize(form, composed)]  # type: ignore[arg-type]
    assert (drive.root / composed).read_bytes() == b"two"


def test_trailing_dots_stripped(faulty: Maker) -> None:
    drive = faulty("drive", Quirks(strip_dots=True))
    (drive.root / "TAKE1").write_bytes(b"one")
    with pytest.raises(FileExistsError):
        os.open(drive.root / "TAKE1.", os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    (drive.root / "TAKE2. ").write_bytes(b"two")
    assert sorted(os.listdir(drive.root)) == ["TAKE1", "TAKE2"]


def test_listing_in_lower_case(faulty: Maker) -> None:
    """Case F23: the same card through another driver."""
    drive = faulty("drive", Quirks(fold_case=True, lower_listing=True))
    (drive.backing / "IMG_1234.JPG").write_bytes(b"x")
    assert os.listdir(drive.root) == ["img_1234.jpg"]
    assert (drive.root / "img_1234.jpg").read_bytes() == b"x"


def test_times_rounded_down(faulty: Maker) -> None:
    drive = faulty("drive", Quirks(time_grain_ns=2 * 10**9))
    (drive.root / "a").write_bytes(b"")
    os.utime(drive.root / "a", ns=(0, 1_700_000_001_999_999_999))
    assert (drive.root / "a").stat().st_mtime_ns == 1_700_000_000 * 10**9


def test_largest_file_is_kept_to_the_byte(faulty: Maker) -> None:
    """Case F26: 4 GiB - 1 is accepted, one more is not. Source: FAT32's largest file."""
    largest = 4 * 2**30 - 1
    drive = faulty("drive", Quirks(largest_bytes=largest))
    fd = os.open(drive.root / "long", os.O_WRONLY | os.O_CREAT)
    assert os.pwrite(fd, b"x", largest - 1) == 1
    with pytest.raises(OSError) as failed:
        os.pwrite(fd, b"x", largest)
    assert failed.value.errno == errno.EFBIG
    os.close(fd)
    assert (drive.root / "long").stat().st_size == largest


def test_capacity_is_kept_to_the_byte(faulty: Maker) -> None:
    drive = faulty("drive", Quirks(capacity_bytes=10_000))
    (drive.root / "a").write_bytes(b"x" * 9_000)
    told = os.statvfs(drive.root)
    assert told.f_bavail * told.f_frsize == 1000
    with pytest.raises(OSError) as failed:
        (drive.root / "b").write_bytes(b"y" * 1001)
    assert failed.value.errno == errno.ENOSPC
    (drive.root / "b").unlink()
    assert (drive.root / "c").write_bytes(b"z" * 1000) == 1000


def test_free_room_can_be_a_lie(faulty: Maker) -> None:
    drive = faulty("drive", Quirks(capacity_bytes=1000, told_free_bytes=10**9))
    told = os.statvfs(drive.root)
    assert told.f_bavail * told.f_frsize == 10**9
    with pytest.raises(OSError, match="No space"):
        (drive.root / "a").write_bytes(b"x" * 1001)


@pytest.mark.parametrize("direct_io", [True, False])
def test_drive_drops_past_its_end(faulty: Maker, direct_io: bool) -> None:
    """Case F08: right from memory, wrong from the medium."""
    quirks = Quirks(real_bytes=400_000, past_end="drop")
    drive = faulty("drive", quirks, direct_io=direct_io)
    (drive.root / "a").write_bytes(DATA)
    (drive.root / "b").write_bytes(DATA)
    evict(drive.root / "a")
    evict(drive.root / "b")
    assert (drive.root / "a").read_bytes() == DATA
    seen = (drive.root / "b").read_bytes()
    assert len(seen) == len(DATA)
    # 97 blocks are there: 74 for the first file, 23 for the second.
    assert seen[: 23 * 4096] == DATA[: 23 * 4096]
    assert not any(seen[23 * 4096 :])


def test_drive_wraps_round(faulty: Maker) -> None:
    """Case F08, variant: each clip right when written, then the first is wrong."""
    drive = faulty("drive", Quirks(real_bytes=400_000, past_end="wrap"), direct_io=True)
    (drive.root / "a").write_bytes(DATA)
    assert (drive.root / "a").read_bytes() == DATA
    (drive.root / "b").write_bytes(DATA[::-1])
    assert (drive.root / "b").read_bytes() == DATA[::-1]
    assert (drive.root / "a").read_bytes() != DATA


def renamed(drive: FaultFs, target: str) -> int:
    """Rename as renameat2(2) does it exclusively; the error or 0."""
    (drive.backing / "new").write_bytes(b"new")
    (drive.backing / "taken").write_bytes(b"old")
    source, place = os.fsencode(drive.root / "new"), os.fsencode(drive.root / target)
    done = _libc.renameat2(-100, source, -100, place, ctypes.c_uint(1))
    return ctypes.get_errno() if done else 0


def test_exclusive_rename_is_kept(faulty: Maker) -> None:
    drive = faulty("drive")
    assert renamed(drive, "taken") == errno.EEXIST
    assert renamed(drive, "free") == 0
    assert (drive.backing / "taken").read_bytes() == b"old"


def test_exclusive_rename_is_refused(faulty: Maker) -> None:
    """As by most drivers in user space."""
    drive = faulty("drive", Quirks(rename_flags="refused"))
    assert renamed(drive, "free") == errno.EINVAL


@pytest.mark.parametrize(("flags", "outcome"), [("kept", errno.EEXIST), ("ignored", 0)])
def test_name_taken_in_between(faulty: Maker, flags: str, outcome: int) -> None:
    """The kernel looks before it asks; what appears after that is for the file system to see."""
    drive = faulty("drive", Quirks(rename_flags=flags))
    drive.plan(Fault("rename", "hang"))
    seen: list[int] = []
    worker = threading.Thread(target=lambda: seen.append(renamed(drive, "free")))
    worker.start()
    drive.wait_hanging()
    (drive.backing / "free").write_bytes(b"in between")
    drive.release()
    worker.join(60)
    assert seen == [outcome]
    content = b"in between" if outcome else b"new"
    assert (drive.backing / "free").read_bytes() == content


def test_read_only_drive_refuses_everything(faulty: Maker) -> None:
    drive = faulty("drive", Quirks(is_read_only=True))
    (drive.backing / "clip.mov").write_bytes(DATA)
    assert (drive.root / "clip.mov").read_bytes() == DATA
    for op in ("write", "truncate", "utimens", "mkdir", "rename", "unlink", "create"):
        with pytest.raises(OSError) as failed:
            CALLS[op](drive.root)
        assert failed.value.errno == errno.EROFS


# --- the device below


def read_counter(device: str) -> int:
    name = os.path.basename(device)
    return int(Path(f"/sys/block/{name}/stat").read_text().split()[2]) * 512


def test_device_counter_grows_with_reading(faulty_disk: Maker) -> None:
    """Source: kernel documentation, block layer statistics, read sectors of 512 bytes."""
    drive = faulty_disk("drive")
    line = next(
        line
        for line in Path("/proc/self/mountinfo").read_text().splitlines()
        if str(drive.root) in line
    )
    kind, source = line.split(" - ")[1].split(" ")[:2]
    assert kind.startswith("fuseblk")
    assert source.startswith("/dev/loop")
    (drive.root / "clip.mov").write_bytes(DATA)
    evict(drive.root / "clip.mov")
    before = read_counter(source)
    with (drive.root / "clip.mov").open("rb") as file:
        assert file.read() == DATA
        grown = read_counter(source)
        assert grown - before >= len(DATA)
        file.seek(0)
        file.read()
        # Whoever looks what lies on every device of the machine reads some blocks of it.
        assert read_counter(source) - grown < len(DATA), "answered from memory"
