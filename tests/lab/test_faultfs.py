"""Each fault really does what it says: plain system calls, no code of the package."""

import ctypes
import errno
import os
import signal
import subprocess
import sys
import threading
import time
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.lab import cards, mounts
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.faultplan import EFFECTS, OPERATIONS
from tests.lab.mounts import LabError

pytestmark = pytest.mark.lab
Maker = Callable[..., FaultFs]
DATA = os.urandom(300_000)
_libc = ctypes.CDLL(None, use_errno=True)


def evict(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY)
    try:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(fd)


def differing(one: bytes, other: bytes) -> list[int]:
    assert len(one) == len(other)
    return [at for at, (a, b) in enumerate(zip(one, other, strict=True)) if a != b]


@pytest.fixture
def drive(faulty: Maker) -> FaultFs:
    """Every read and write reaches the file system; one file lies there already."""
    made = faulty("drive", direct_io=True)
    (made.backing / "clip.mov").write_bytes(DATA)
    made.plan()
    return made


# --- without a fault


def test_folder_is_passed_through(faulty: Maker) -> None:
    drive = faulty("drive")
    items = cards.hostile_tree(is_deep=False)
    cards.write_tree(drive.root, items)
    for path, content in cards.files_of(items).items():
        for top in (drive.root, drive.backing):
            with open(os.path.join(os.fsencode(top), path), "rb") as file:
                assert file.read() == content
    assert sorted(os.listdir(os.fsencode(drive.root / "NAMES"))) == sorted(cards.NAMES)
    assert (drive.root / "LINKS/hard-2").stat().st_nlink == 2
    assert (drive.root / "NAMES/CLIP.mov").stat().st_mtime_ns == cards.SHOT_AT_NS
    assert os.readlink(drive.root / "LINKS/outside") == "/etc/passwd"


def test_deep_path_is_reached(faulty: Maker) -> None:
    drive = faulty("drive")
    cards.write_tree(drive.backing, [cards.hostile_tree()[-1]])
    here = os.open(drive.root, os.O_RDONLY)
    for _ in range(45):
        below = os.open(b"d" * 95, os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    fd = os.open(b"deep.mov", os.O_RDONLY, dir_fd=here)
    assert os.read(fd, 100) == b"deep"
    os.close(fd)
    os.close(here)


def test_removed_file_stays_usable_while_open(faulty: Maker) -> None:
    drive = faulty("drive")
    with (drive.root / "new").open("w+b", buffering=0) as file:
        file.write(b"one")
        (drive.root / "new").unlink()
        file.write(b"two")
        os.fsync(file.fileno())
        file.seek(0)
        assert file.read() == b"onetwo"
    assert os.listdir(drive.backing) == []


def test_calls_are_counted_and_logged(drive: FaultFs) -> None:
    (drive.root / "clip.mov").read_bytes()
    assert drive.written() == []
    assert drive.counts()["open"] == 1
    (drive.root / "new").write_bytes(b"x")
    os.rename(drive.root / "new", drive.root / "renamed")
    os.utime(drive.root / "renamed", ns=(1, 1))
    (drive.root / "renamed").unlink()
    seen = [call.op for call in drive.written()]
    assert seen == ["create", "write", "rename", "utimens", "unlink"]
    assert drive.calls()[-1].path == "renamed"


def test_opening_for_writing_counts_as_writing(drive: FaultFs) -> None:
    with (drive.root / "clip.mov").open("r+b"):
        pass
    assert [call.op for call in drive.written()] == ["open-writing"]


def test_counting_is_the_same_each_time(drive: FaultFs) -> None:
    def work() -> dict[str, int]:
        drive.plan()
        (drive.root / "a").write_bytes(DATA)
        (drive.root / "a").read_bytes()
        os.listdir(drive.root)
        (drive.root / "a").unlink()
        time.sleep(0.05)  # a release is told after close has returned
        return drive.counts()

    assert work() == work()


# --- errors


@pytest.mark.parametrize("name", ["EIO", "ENOSPC", "EDQUOT", "EROFS", "ESTALE", "ENODEV"])
def test_nth_write_fails_and_only_that(drive: FaultFs, name: str) -> None:
    drive.plan(Fault("write", errno=name, nth=2))
    with (drive.root / "new").open("wb", buffering=0) as file:
        file.write(b"one")
        with pytest.raises(OSError) as failed:
            file.write(b"two")
        file.write(b"three")
    assert failed.value.errno == getattr(errno, name)
    assert (drive.backing / "new").read_bytes() == b"onethree"
    assert drive.struck == 1


def test_fault_for_good_stays(drive: FaultFs) -> None:
    drive.plan(Fault("any", errno="ENODEV", nth=1, count=0))
    for _ in range(3):
        with pytest.raises(OSError) as failed:
            os.listdir(drive.root)
        assert failed.value.errno == errno.ENODEV
    drive.plan()
    assert os.listdir(drive.root) == ["clip.mov"]


def do_open(root: Path) -> None:
    os.close(os.open(root / "clip.mov", os.O_RDONLY))


def do_open_writing(root: Path) -> None:
    os.close(os.open(root / "clip.mov", os.O_WRONLY))


def do_create(root: Path) -> None:
    os.close(os.open(root / "new", os.O_WRONLY | os.O_CREAT))


def do_read(root: Path) -> None:
    (root / "clip.mov").read_bytes()


def do_fsync_at(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def do_fsync(root: Path) -> None:
    do_fsync_at(root / "clip.mov")


def do_close(root: Path) -> None:
    fd = os.open(root / "clip.mov", os.O_RDONLY)
    os.close(fd)


CALLS: dict[str, Callable[[Path], object]] = {
    "getattr": lambda root: (root / "clip.mov").stat(),
    "readdir": os.listdir,
    "opendir": os.listdir,
    "readlink": lambda root: os.readlink(root / "link"),
    "statfs": lambda root: os.statvfs(root),
    "open": do_open,
    "open-writing": do_open_writing,
    "create": do_create,
    "read": do_read,
    "write": lambda root: (root / "new").write_bytes(b"x"),
    "truncate": lambda root: os.truncate(root / "clip.mov", 5),
    "flush": do_close,
    "fsync": do_fsync,
    "fsyncdir": do_fsync_at,
    "utimens": lambda root: os.utime(root / "clip.mov", ns=(1, 1)),
    "chmod": lambda root: (root / "clip.mov").chmod(0o600),
    "chown": lambda root: os.chown(root / "clip.mov", 5, 5),
    "mkdir": lambda root: (root / "folder").mkdir(),
    "mknod": lambda root: os.mkfifo(root / "pipe"),
    "rmdir": lambda root: (root / "empty").rmdir(),
    "unlink": lambda root: (root / "clip.mov").unlink(),
    "rename": lambda root: os.rename(root / "clip.mov", root / "other"),
    "link": lambda root: os.link(root / "clip.mov", root / "other"),
    "symlink": lambda root: os.symlink("x", root / "other"),
}


@pytest.mark.parametrize("op", sorted(CALLS))
def test_every_operation_can_fail(drive: FaultFs, op: str) -> None:
    (drive.backing / "empty").mkdir()
    (drive.backing / "link").symlink_to("clip.mov")
    drive.plan(Fault(op, errno="EIO", path=".*"))
    with pytest.raises(OSError) as failed:
        CALLS[op](drive.root)
    assert failed.value.errno == errno.EIO
    assert drive.struck == 1


def test_operations_without_a_caller_are_named() -> None:
    """What no test can provoke alone: asked by the kernel at its own time, or never here."""
    assert OPERATIONS - set(CALLS) == {"access", "release", "releasedir"}


def test_error_of_release_reaches_nobody(drive: FaultFs) -> None:
    """Source: close(2) returns before the release is sent; only flush can tell."""
    drive.plan(Fault("release", errno="EIO"))
    do_close(drive.root)


def test_fault_strikes_matching_path_only(drive: FaultFs) -> None:
    (drive.backing / "other.mov").write_bytes(b"fine")
    drive.plan(Fault("open", path=r"clip\..*", count=0))
    with pytest.raises(OSError, match="Input/output"):
        do_open(drive.root)
    assert (drive.root / "other.mov").read_bytes() == b"fine"


def test_quota_is_told_at_close(drive: FaultFs) -> None:
    """Case F04: sync succeeds, close raises."""
    drive.plan(Fault("flush", errno="EDQUOT"))
    fd = os.open(drive.root / "new", os.O_WRONLY | os.O_CREAT)
    os.write(fd, b"x")
    os.fsync(fd)
    with pytest.raises(OSError) as failed:
        os.close(fd)
    assert failed.value.errno == errno.EDQUOT


def test_refused_listing_strikes_root_too(drive: FaultFs) -> None:
    """Case F11: permissions do not stop root, this does."""
    (drive.backing / "CLIPS2").mkdir()
    drive.plan(Fault("opendir", errno="EACCES", path="CLIPS2", count=0))
    with pytest.raises(PermissionError):
        os.listdir(drive.root / "CLIPS2")


def test_refused_metadata_leaves_content(drive: FaultFs) -> None:
    """Case F27."""
    drive.plan(Fault("metadata", errno="EPERM", count=0))
    (drive.root / "new").write_bytes(b"good")
    with pytest.raises(PermissionError):
        os.utime(drive.root / "new", ns=(1, 1))
    assert (drive.root / "new").read_bytes() == b"good"


def test_done_and_then_denied(drive: FaultFs) -> None:
    drive.plan(Fault("mkdir", "errno_after", errno="EIO"))
    with pytest.raises(OSError, match="Input/output"):
        (drive.root / "folder").mkdir()
    assert (drive.backing / "folder").is_dir()


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
    do_fsync_at(path)
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
    do_fsync_at(drive.root)
    assert os.listdir(drive.root) == ["clip.mov"]
    assert not (drive.root / "CLIPS/a.mov").exists()
    drive.give_back()
    assert (drive.root / "CLIPS/a.mov").read_bytes() == b"a"


# --- waiting and killing


def test_operation_hangs_until_released(drive: FaultFs) -> None:
    drive.plan(Fault("write", "hang"))
    done = threading.Event()

    def work() -> None:
        (drive.root / "new").write_bytes(b"late")
        done.set()

    worker = threading.Thread(target=work)
    worker.start()
    drive.wait_hanging()
    assert not done.is_set()
    assert (drive.root / "clip.mov").read_bytes() == DATA, "the others go on"
    drive.release()
    worker.join(10)
    assert (drive.backing / "new").read_bytes() == b"late"


def test_hanging_operation_can_end_in_error(drive: FaultFs) -> None:
    """Case F37: one request blocked for long, then an error."""
    drive.plan(Fault("write", "hang"))
    seen: list[int | None] = []

    def work() -> None:
        try:
            (drive.root / "new").write_bytes(b"late")
        except OSError as error:
            seen.append(error.errno)

    worker = threading.Thread(target=work)
    worker.start()
    drive.wait_hanging()
    drive.release("EIO")
    worker.join(10)
    assert seen == [errno.EIO]


@pytest.mark.parametrize(("effect", "is_done"), [("kill", False), ("kill_after", True)])
def test_process_is_killed_at_an_operation(drive: FaultFs, effect: str, is_done: bool) -> None:
    script = "import os, sys; sys.stdin.read(1); os.mkdir(sys.argv[1]); print('survived')"
    child = subprocess.Popen(
        [sys.executable, "-c", script, drive.root / "folder"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    drive.plan(Fault("mkdir", effect, victim=child.pid))
    said, _ = child.communicate(b"x", timeout=20)
    assert child.returncode == -signal.SIGKILL
    assert said == b""
    assert (drive.backing / "folder").exists() is is_done


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
    worker.join(10)
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
        assert read_counter(source) == grown, "answered from memory"


# --- ending


def test_vanished_drive_still_shows(drive: FaultFs) -> None:
    drive.vanish()
    with pytest.raises(OSError) as failed:
        os.listdir(drive.root)
    assert failed.value.errno == errno.ENOTCONN
    assert mounts.is_mounted(drive.root)
    drive.close()
    assert not mounts.is_mounted(drive.root)


def test_open_file_is_named_at_the_end(tmp_path: Path) -> None:
    (tmp_path / "backing").mkdir()
    drive = FaultFs(tmp_path / "backing", tmp_path / "root")
    held = (drive.root / "new").open("wb")
    with pytest.raises(LabError, match="busy"):
        drive.close()
    assert not mounts.is_mounted(drive.root)
    with pytest.raises(OSError, match="not connected"):
        held.write(b"x")
        held.close()


def test_mount_goes_with_its_owner(tmp_path: Path) -> None:
    """A test run that is killed leaves no mount and no process."""
    script = (
        "import sys, time, pathlib; sys.path.insert(0, sys.argv[2]);"
        "from tests.lab.faultfs import FaultFs;"
        "top = pathlib.Path(sys.argv[1]); (top / 'b').mkdir();"
        "made = FaultFs(top / 'b', top / 'r'); print(made.process, flush=True); time.sleep(60)"
    )
    top = Path(__file__).resolve().parents[2]
    child = subprocess.Popen([sys.executable, "-c", script, tmp_path, top], stdout=subprocess.PIPE)
    assert child.stdout is not None
    server = int(child.stdout.readline())
    assert mounts.is_mounted(tmp_path / "r")
    child.kill()
    child.communicate()
    deadline = time.monotonic() + 10
    while os.path.exists(f"/proc/{server}") and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not mounts.is_mounted(tmp_path / "r")
    assert not os.path.exists(f"/proc/{server}")


def test_every_effect_is_tested_here() -> None:
    text = Path(__file__).read_text()
    assert [effect for effect in EFFECTS if f'"{effect}"' not in text] == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"op": "wrte"},
        {"op": "write", "effect": "flip"},
        {"op": "write", "errno": "EWRONG"},
        {"op": "any", "effect": "kill"},
    ],
    ids=["operation", "effect", "error", "no victim"],
)
def test_misspelt_fault_is_refused(wrong: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="."):  # noqa: RUF043
        Fault(**wrong)  # type: ignore[arg-type]
