"""A small file of ours is whole under its name, or the name is free: whatever fails in between.

Sources: fsync(2) (a failed flush is final; a folder has to be synced by itself), rename(2)
(``RENAME_NOREPLACE``), close(2) (a failed write may be told only here).
"""

import hashlib
import os
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from offload.storage.durable import (
    growing,
    is_temporary,
    remove_temporary,
    sha512_of,
    stage,
    take_name,
    temporary_name,
    write_new,
)
from offload.storage.root import Root
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import EXFAT, EXT4, FileSystem, Rack

CONTENT = random.Random(7).randbytes(10_240)
PATH = b"records/clearance.json"


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[Root]:
    (tmp_path / "drive/records").mkdir(parents=True)
    with Root(os.fsencode(tmp_path / "drive")) as root:
        yield root


@pytest.fixture
def flaky(faulty: Callable[..., FaultFs]) -> Iterator[tuple[FaultFs, Root]]:
    fs = faulty("drive-1")
    (fs.backing / "records").mkdir()
    with Root(os.fsencode(fs.root)) as root:
        yield fs, root


def stored(fs: FaultFs) -> dict[str, bytes]:
    return {each.name: each.read_bytes() for each in (fs.backing / "records").iterdir()}


# --- whole, and alone


def test_the_file_is_there_and_nothing_beside_it(drive: Root) -> None:
    write_new(drive, PATH, CONTENT)
    assert drive.names(b"records") == [b"clearance.json"]
    assert drive.read_small(PATH, len(CONTENT)) == CONTENT


def test_a_file_that_is_there_is_never_replaced(drive: Root) -> None:
    write_new(drive, PATH, b"first")
    with pytest.raises(FileExistsError):
        write_new(drive, PATH, b"second")
    assert drive.read_small(PATH, 10) == b"first"
    assert drive.names(b"records") == [b"clearance.json"]


@pytest.mark.parametrize("kind", ["link", "folder"])
def test_whatever_has_the_name_keeps_it(drive: Root, tmp_path: Path, kind: str) -> None:
    taken = tmp_path / "drive/records/clearance.json"
    if kind == "link":
        taken.symlink_to(tmp_path / "elsewhere")
    else:
        taken.mkdir()
    with pytest.raises(FileExistsError):
        write_new(drive, PATH, CONTENT)
    assert not (tmp_path / "elsewhere").exists()
    assert drive.names(b"records") == [b"clearance.json"]


def test_a_file_of_our_own_is_replaced_whole(drive: Root) -> None:
    write_new(drive, PATH, b"first, and longer")
    write_new(drive, PATH, b"second", replaces_own=True)
    assert drive.read_small(PATH, 100) == b"second"
    assert drive.names(b"records") == [b"clearance.json"]


def test_replacing_swaps_the_name_and_never_rewrites(drive: Root, tmp_path: Path) -> None:
    """Who has the earlier one open goes on reading the earlier one."""
    write_new(drive, PATH, b"first")
    with (tmp_path / "drive/records/clearance.json").open("rb") as earlier:
        write_new(drive, PATH, b"second", replaces_own=True)
        assert earlier.read() == b"first"


def test_a_writer_that_gives_up_leaves_nothing(drive: Root) -> None:
    class GivesUp(Exception):
        pass

    with pytest.raises(GivesUp), growing(drive, PATH) as out:
        out.write(b"half")
        raise GivesUp
    assert drive.names(b"records") == []


def test_half_of_it_never_has_the_name(drive: Root) -> None:
    with growing(drive, PATH) as out:
        out.write(CONTENT[:100])
        assert b"clearance.json" not in drive.names(b"records")
        assert all(is_temporary(name) for name in drive.names(b"records"))
        out.write(CONTENT[100:])
    assert drive.read_small(PATH, len(CONTENT)) == CONTENT


def test_the_sum_is_of_what_was_taken(drive: Root) -> None:
    with growing(drive, PATH) as out:
        assert sha512_of(out) == hashlib.sha512(b"").digest()
        out.write(CONTENT)
        out.write(memoryview(CONTENT)[3:9])
        assert sha512_of(out) == hashlib.sha512(CONTENT + CONTENT[3:9]).digest()


def test_a_drive_that_takes_little_at_once_gets_all(flaky: tuple[FaultFs, Root]) -> None:
    fs, root = flaky
    fs.plan(Fault("write", "short", count=3))
    write_new(root, PATH, CONTENT)
    assert stored(fs) == {"clearance.json": CONTENT}
    assert fs.struck == 3


# --- whatever fails


WRITES = ("create", "write", "flush", "fsync", "rename", "fsyncdir", "open", "read")


@pytest.mark.parametrize("op", WRITES)
def test_an_error_is_told_and_no_broken_file_has_the_name(
    flaky: tuple[FaultFs, Root], op: str
) -> None:
    """Each operation in turn fails, every time it is asked."""
    fs, root = flaky
    fs.plan(Fault(op, count=0))
    with pytest.raises(OSError):
        write_new(root, PATH, CONTENT)
    assert fs.struck
    left = stored(fs)
    # After the rename only the folder's own sync can fail, and then the content is whole.
    assert left == {} or (op == "fsyncdir" and left == {"clearance.json": CONTENT})


@pytest.mark.parametrize("op", WRITES[:6])
def test_an_earlier_file_of_ours_outlives_a_failure(flaky: tuple[FaultFs, Root], op: str) -> None:
    fs, root = flaky
    write_new(root, PATH, b"first")
    fs.plan(Fault(op, count=0))
    with pytest.raises(OSError):
        write_new(root, PATH, CONTENT, replaces_own=True)
    assert stored(fs).get("clearance.json") == (CONTENT if op == "fsyncdir" else b"first")


SILENT = {
    "bit": Fault("write", "flip_in"),
    "nothing-stored": Fault("write", "drop"),
    "half-stored": Fault("write", "torn"),
    "cut-at-close": Fault("flush", "cut"),
    "blocks-swapped": Fault("write", "swap"),
}


@pytest.mark.parametrize("fault", SILENT.values(), ids=SILENT)
def test_what_does_not_read_back_is_never_named(flaky: tuple[FaultFs, Root], fault: Fault) -> None:
    """The drive says all is well and has stored something else."""
    fs, root = flaky
    fs.plan(fault)
    with pytest.raises(OSError, match=r"read back|as long"):
        write_new(root, PATH, CONTENT)
    assert stored(fs) == {}


def test_the_content_is_down_before_its_name_and_the_name_after(
    flaky: tuple[FaultFs, Root],
) -> None:
    fs, root = flaky
    fs.plan()
    write_new(root, PATH, CONTENT)
    steps = [call.op for call in fs.calls() if call.op in ("write", "fsync", "rename", "fsyncdir")]
    assert steps.index("fsync") > steps.index("write")
    assert steps.index("rename") > steps.index("fsync")
    assert steps[-1] == "fsyncdir" and steps.count("rename") == 1


@pytest.mark.lab
@pytest.mark.parametrize("fs", [EXT4, EXFAT], ids=lambda fs: fs.name)
def test_it_is_on_the_device_when_the_call_returns(rack: Rack, fs: FileSystem) -> None:
    """A copy of the device taken at that moment, mounted by itself, has the whole file."""
    volume = rack.volume(fs)
    (volume.root / "records").mkdir()
    volume.sync()
    with Root(os.fsencode(volume.root)) as root:
        write_new(root, PATH, CONTENT)
        staged = stage(root, b"records/next.json", CONTENT)
        image = rack.folder / "as-it-was.img"
        # Straight from the image: what only this machine remembers is not in it.
        image.write_bytes(volume.image.read_bytes())
    later = rack.adopt(image, fs, name="later")
    later.mount()
    assert (later.root / os.fsdecode(PATH)).read_bytes() == CONTENT
    assert (later.root / os.fsdecode(staged)).read_bytes() == CONTENT


# --- two at once


def test_two_that_write_one_file_at_once_both_come_to_a_whole_one(drive: Root) -> None:
    """Two commands replace one small file of ours: the last is there, and neither fails."""
    with growing(drive, PATH, replaces_own=True) as slow:
        slow.write(b"slow, ")
        write_new(drive, PATH, b"quick", replaces_own=True)
        assert drive.read_small(PATH, 100) == b"quick"
        slow.write(b"and whole")
    assert drive.read_small(PATH, 100) == b"slow, and whole"
    assert drive.names(b"records") == [b"clearance.json"]


def test_of_two_that_take_one_free_name_the_second_is_told(drive: Root) -> None:
    with pytest.raises(FileExistsError), growing(drive, PATH) as slow:
        slow.write(b"slow")
        write_new(drive, PATH, b"quick")
    assert drive.read_small(PATH, 100) == b"quick"
    assert drive.names(b"records") == [b"clearance.json"]


def test_staged_is_not_taken_away_by_another(drive: Root) -> None:
    first, second = stage(drive, PATH, b"first"), stage(drive, PATH, b"second")
    take_name(drive, first, PATH)
    with pytest.raises(FileExistsError):
        take_name(drive, second, PATH)
    assert drive.read_small(PATH, 100) == b"first"


# --- staged, to be renamed together


def test_staged_is_not_named_until_it_is_taken(drive: Root) -> None:
    temporary = stage(drive, PATH, CONTENT)
    assert drive.names(b"records") == [temporary.rpartition(b"/")[2]]
    assert is_temporary(temporary.rpartition(b"/")[2])
    take_name(drive, temporary, PATH)
    assert drive.names(b"records") == [b"clearance.json"]
    assert drive.read_small(PATH, len(CONTENT)) == CONTENT


def test_staged_never_takes_a_name_in_use(drive: Root) -> None:
    temporary = stage(drive, PATH, b"second")
    write_new(drive, b"records/other", b"")
    with pytest.raises(FileExistsError):
        take_name(drive, temporary, b"records/other")
    assert drive.read_small(b"records/other", 10) == b""


@pytest.mark.parametrize("op", ["create", "write", "flush", "fsync", "read", "fsyncdir"])
def test_what_cannot_be_staged_leaves_nothing(flaky: tuple[FaultFs, Root], op: str) -> None:
    fs, root = flaky
    fs.plan(Fault(op, count=0))
    with pytest.raises(OSError):
        stage(root, PATH, CONTENT)
    assert stored(fs) == {}


# --- temporary names


@pytest.mark.parametrize(
    "name", [b"x" * 255, b"\xff\xfe", b"A001.xxh128", b".hidden", b"-rf", b"new\nline"]
)
def test_any_name_that_fits_the_drive_can_grow(drive: Root, name: bytes) -> None:
    path = b"records/" + name
    assert temporary_name(path).startswith(b"records/")
    write_new(drive, path, CONTENT)
    assert drive.names(b"records") == [name]


def test_leftovers_go_and_nothing_else(drive: Root) -> None:
    write_new(drive, PATH, CONTENT)
    write_new(drive, b"records/new-notes.txt", b"by hand")
    stage(drive, b"records/a", b"half")
    stage(drive, b"records/b", b"half")
    remove_temporary(drive, b"records")
    assert sorted(drive.names(b"records")) == [b"clearance.json", b"new-notes.txt"]


def test_a_killed_runs_leftover_is_no_obstacle(drive: Root) -> None:
    os.close(drive.create_file(temporary_name(PATH), os.O_WRONLY))
    write_new(drive, PATH, CONTENT)
    assert drive.read_small(PATH, len(CONTENT)) == CONTENT


def test_a_name_is_taken_exclusively_where_the_system_cannot(
    faulty: Callable[..., FaultFs],
) -> None:
    fs = faulty("drive-1", Quirks(rename_flags="refused"))
    (fs.backing / "records").mkdir()
    with Root(os.fsencode(fs.root)) as root:
        write_new(root, PATH, b"first")
        with pytest.raises(FileExistsError):
            write_new(root, PATH, b"second")
    assert stored(fs) == {"clearance.json": b"first"}


def test_a_drive_that_takes_a_part_at_a_time_gets_every_line(
    flaky: tuple[FaultFs, Root],
) -> None:
    """A list is written line by line: half a line that was taken is no line."""
    fs, root = flaky
    fs.plan(Fault("write", "short", nth=2, count=3))
    lines = [b"%064x  CLIPS/A001C%03d.mov\n" % (at, at) for at in range(20)]
    with growing(root, b"records/A001.sha512") as out:
        for line in lines:
            assert out.write(line) == len(line)
        digest = sha512_of(out)
    assert stored(fs)["A001.sha512"] == b"".join(lines)
    assert digest == hashlib.sha512(b"".join(lines)).digest()
