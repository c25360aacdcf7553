"""Each fault really does what it says: plain system calls, no code of the package."""

import errno
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.lab import cards, mounts
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.faultplan import EFFECTS, OPERATIONS
from tests.lab.filecalls import CALLS, DATA, close_it, open_it
from tests.lab.mounts import LabError

pytestmark = pytest.mark.lab
Maker = Callable[..., FaultFs]


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


def test_foreign_program_is_neither_counted_nor_struck(drive: FaultFs) -> None:
    """Desktop services look at every new mount; a child of this test does count."""
    drive.plan(Fault("readdir", errno="EIO", count=0))
    script = f"sleep 0.2; ls {drive.root} > {drive.backing}.seen 2>&1"
    subprocess.run(["setsid", "--fork", "sh", "-c", script], check=True)
    seen = Path(f"{drive.backing}.seen")
    deadline = time.monotonic() + 60
    while not (seen.exists() and seen.read_text()) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert seen.read_text() == "clip.mov\n"
    assert drive.struck == 0
    child = subprocess.run(["ls", drive.root], check=False, capture_output=True)
    assert child.returncode != 0
    assert drive.struck == 1


def test_counting_is_the_same_each_time(drive: FaultFs) -> None:
    def work() -> dict[str, int]:
        drive.plan()
        (drive.root / "a").write_bytes(DATA)
        (drive.root / "a").read_bytes()
        os.listdir(drive.root)
        (drive.root / "a").unlink()
        # A release is told after close has returned, on a busy machine long after.
        deadline = time.monotonic() + 60
        while not (found := all_released(drive.counts())) and time.monotonic() < deadline:
            time.sleep(0.02)
        return found

    def all_released(found: dict[str, int]) -> dict[str, int]:
        opened = found.get("open", 0) + found.get("create", 0)
        is_over = found.get("release") == opened and found.get("releasedir") == found["opendir"]
        return found if is_over else {}

    first = work()
    assert first["release"] == 2
    assert work() == first


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
    close_it(drive.root)


def test_fault_strikes_matching_path_only(drive: FaultFs) -> None:
    (drive.backing / "other.mov").write_bytes(b"fine")
    drive.plan(Fault("open", path=r"clip\..*", count=0))
    with pytest.raises(OSError, match="Input/output"):
        open_it(drive.root)
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
    worker.join(60)
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
    worker.join(60)
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
    deadline = time.monotonic() + 60
    while os.path.exists(f"/proc/{server}") and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not mounts.is_mounted(tmp_path / "r")
    assert not os.path.exists(f"/proc/{server}")


def test_every_effect_is_tested_here() -> None:
    text = "".join(path.read_text() for path in Path(__file__).parent.glob("test_faultfs*.py"))
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
