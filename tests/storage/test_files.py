"""One file being written, one being read: whole or an error, on every kind of drive.

Sources: open(2) ("O_DIRECT": ``EINVAL`` at opening or at the first read or write),
write(2) (may take less), fallocate(2), utimensat(2).
"""

import errno
import fcntl
import os
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from offload.storage import syscalls
from offload.storage.buffers import ALIGNMENT, Buffers
from offload.storage.reading import ReadFile
from offload.storage.root import Root
from offload.storage.times import give_time
from offload.storage.writing import NewFile
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import ALL, EXT4, FileSystem, Rack

SIZES = (0, 1, ALIGNMENT - 1, ALIGNMENT, ALIGNMENT + 1, 5 * ALIGNMENT, 300_001)
NAME = b"C1.mov"


@pytest.fixture
def buffers() -> Iterator[Buffers]:
    with Buffers(2, 128 * ALIGNMENT, phase_bytes=ALIGNMENT) as made:
        yield made


def noise(size_bytes: int) -> bytes:
    return random.Random(size_bytes).randbytes(size_bytes)


def write(root: Root, content: bytes, buffers: Buffers, *, direct: bool = True) -> None:
    out = NewFile(root, NAME, len(content), direct=direct)
    view = buffers.views[0][: len(content)]
    view[:] = content
    try:
        out.write(view, 0)
        out.set_time(1_795_528_931_000_000_000)
        out.sync()
        assert out.facts().st_size == len(content)
        out.close()
    except BaseException:
        out.abandon()
        raise


def read(root: Root, buffers: Buffers, *, direct: bool = True) -> bytes:
    found = ReadFile(root, NAME, direct=direct)
    try:
        count = found.read_patiently(buffers.views[1], 0)
        return bytes(buffers.views[1][:count])
    finally:
        found.close()


@pytest.mark.lab
@pytest.mark.parametrize("fs", ALL, ids=lambda fs: fs.name)
def test_every_length_comes_back_on_every_file_system(
    rack: Rack, fs: FileSystem, buffers: Buffers
) -> None:
    volume = rack.volume(fs)
    for size in SIZES:
        for direct in (True, False):
            folder = f"{size}-{direct}"
            (volume.root / folder).mkdir()
            with Root(os.fsencode(volume.root / folder)) as root:
                write(root, noise(size), buffers, direct=direct)
                assert read(root, buffers, direct=direct) == noise(size)
            stored = volume.root / folder / "C1.mov"
            assert stored.read_bytes() == noise(size)
            assert abs(stored.stat().st_mtime_ns - 1_795_528_931_000_000_000) < 2_000_000_001


# --- writing


@pytest.fixture
def flaky(faulty: Callable[..., FaultFs]) -> Iterator[tuple[FaultFs, Root]]:
    fs = faulty("drive-1")
    with Root(os.fsencode(fs.root)) as root:
        yield fs, root


def test_a_name_in_use_is_not_written(flaky: tuple[FaultFs, Root]) -> None:
    fs, root = flaky
    (fs.backing / "C1.mov").write_bytes(b"other material")
    for direct in (True, False):
        with pytest.raises(FileExistsError):
            NewFile(root, NAME, 10, direct=direct)
    assert (fs.backing / "C1.mov").read_bytes() == b"other material"


def test_a_drive_that_takes_little_at_once_gets_all(
    flaky: tuple[FaultFs, Root], buffers: Buffers
) -> None:
    fs, root = flaky
    fs.plan(Fault("write", "short", count=4))
    write(root, noise(300_001), buffers, direct=False)
    assert fs.struck == 4
    assert (fs.backing / "C1.mov").read_bytes() == noise(300_001)


@pytest.mark.parametrize("op", ["write", "fsync", "flush"])
@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
def test_the_first_error_is_told(
    flaky: tuple[FaultFs, Root], buffers: Buffers, op: str, error: str
) -> None:
    """One error, once; the next call would succeed and must not be made to."""
    fs, root = flaky
    fs.plan(Fault(op, errno=error))
    with pytest.raises(OSError):
        write(root, noise(9000), buffers)
    assert fs.struck == 1


def test_what_is_abandoned_leaves_its_name(flaky: tuple[FaultFs, Root], buffers: Buffers) -> None:
    fs, root = flaky
    out = NewFile(root, NAME, 9000, direct=True)
    fs.plan(Fault("flush"))
    out.abandon()
    out.abandon()
    assert not (fs.backing / "C1.mov").exists()


def test_a_drive_that_fails_altogether_can_be_abandoned(flaky: tuple[FaultFs, Root]) -> None:
    fs, root = flaky
    out = NewFile(root, NAME, 9000, direct=True)
    fs.plan(Fault("any", count=0))
    out.abandon()


@pytest.mark.lab
def test_no_room_is_told_before_a_byte_and_leaves_no_name(rack: Rack) -> None:
    volume = rack.volume(EXT4, size_bytes=8 << 20)
    with Root(os.fsencode(volume.root)) as root, pytest.raises(OSError) as caught:
        NewFile(root, NAME, 100 << 20, direct=True)
    assert caught.value.errno == 28
    assert not (volume.root / "C1.mov").exists()


@pytest.mark.lab
def test_reserving_neither_lengthens_nor_writes(rack: Rack) -> None:
    """The C library's emulation writes every block; the system's own call writes none."""
    volume = rack.volume(EXT4)
    with Root(os.fsencode(volume.root)) as root:
        out = NewFile(root, NAME, 16 << 20, direct=True)
        assert out.facts().st_size == 0
        assert out.facts().st_blocks * 512 >= 16 << 20
        out.abandon()


def test_a_drive_that_cannot_reserve_is_written_all_the_same(
    flaky: tuple[FaultFs, Root], buffers: Buffers
) -> None:
    """Drivers in user space seldom can (here: not supported)."""
    fs, root = flaky
    fd = root.create_file(b"probe", os.O_RDWR)
    with pytest.raises(OSError):
        syscalls.reserve(fd, 4096)
    os.close(fd)
    write(root, noise(9000), buffers)
    assert (fs.backing / "C1.mov").read_bytes() == noise(9000)


@pytest.mark.parametrize("error", ["EPERM", "ENOTSUP", "EINVAL"])
def test_a_refused_time_is_a_note(flaky: tuple[FaultFs, Root], error: str) -> None:
    fs, root = flaky
    out = NewFile(root, NAME, 0, direct=False)
    fs.plan(Fault("utimens", count=0, errno=error))
    out.set_time(1)
    assert out.metadata_refused
    assert not give_time(out._fd, 1)
    out.close()


def test_a_time_no_drive_can_hold_is_a_note(flaky: tuple[FaultFs, Root]) -> None:
    _, root = flaky
    out = NewFile(root, NAME, 0, direct=False)
    out.set_time(1 << 100)
    assert out.metadata_refused
    assert not give_time(out._fd, 1 << 100)
    assert give_time(out._fd, 1_000_000_000) and out.facts().st_mtime_ns == 1_000_000_000
    out.close()


def test_a_drive_that_breaks_at_the_time_has_failed(flaky: tuple[FaultFs, Root]) -> None:
    fs, root = flaky
    out = NewFile(root, NAME, 0, direct=False)
    fs.plan(Fault("utimens", count=0, errno="EIO"))
    with pytest.raises(OSError):
        out.set_time(1)
    with pytest.raises(OSError):
        give_time(out._fd, 1)
    out.close()


# --- past the cache, or not at all


def resident(path: Path) -> int:
    fd = os.open(path, os.O_RDONLY)
    try:
        return syscalls.resident_pages(fd, path.stat().st_size)
    finally:
        os.close(fd)


@pytest.mark.lab
def test_direct_writing_fills_no_cache(rack: Rack, buffers: Buffers) -> None:
    volume = rack.volume(EXT4)
    with Root(os.fsencode(volume.root)) as root:
        write(root, noise(80 * ALIGNMENT), buffers)
        assert resident(volume.root / "C1.mov") == 0
        assert read(root, buffers) == noise(80 * ALIGNMENT)
        assert resident(volume.root / "C1.mov") == 0
        root.remove_file(NAME)
        # The other way leaves them all there, so that the above can fail.
        write(root, noise(80 * ALIGNMENT), buffers, direct=False)
        assert resident(volume.root / "C1.mov") == 80


def refuse_direct(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system without direct I/O: the flag is refused (fcntl(2), open(2))."""
    real_open, real_fcntl = os.open, fcntl.fcntl

    def opening(path: Any, flags: int, *rest: Any, **more: Any) -> int:
        fd = real_open(path, flags & ~os.O_DIRECT, *rest, **more)
        if flags & os.O_DIRECT:
            # As the system does it: the name is made before the flag is refused.
            os.close(fd)
            raise OSError(errno.EINVAL, "no direct I/O here")
        return fd

    def setting(fd: int, command: int, argument: int = 0) -> Any:
        if command == fcntl.F_SETFL and argument & os.O_DIRECT:
            raise OSError(errno.EINVAL, "no direct I/O here")
        return real_fcntl(fd, command, argument)

    monkeypatch.setattr(os, "open", opening)
    monkeypatch.setattr(fcntl, "fcntl", setting)


def test_without_direct_writing_the_file_is_written_plainly(
    tmp_path: Path, buffers: Buffers, monkeypatch: pytest.MonkeyPatch
) -> None:
    refuse_direct(monkeypatch)
    with Root(os.fsencode(tmp_path)) as root:
        write(root, noise(9000), buffers)
        assert read(root, buffers) == noise(9000)


def test_anothers_file_is_never_taken_for_one_just_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program makes the name a moment before, on a drive without direct writing."""
    refuse_direct(monkeypatch)
    refusing = os.open

    def another_is_faster(path: Any, flags: int, *rest: Any, **more: Any) -> int:
        if flags & os.O_CREAT:
            (tmp_path / "C1.mov").write_bytes(b"other material")
            if flags & os.O_DIRECT:
                raise OSError(errno.EINVAL, "no direct I/O here")
        return refusing(path, flags, *rest, **more)

    with Root(os.fsencode(tmp_path)) as root:
        monkeypatch.setattr(os, "open", another_is_faster)
        with pytest.raises(FileExistsError):
            NewFile(root, NAME, 9000, direct=True)
    assert (tmp_path / "C1.mov").read_bytes() == b"other material"


@pytest.mark.lab
def test_a_direct_write_that_takes_little_is_continued(
    rack: Rack, buffers: Buffers, monkeypatch: pytest.MonkeyPatch
) -> None:
    volume = rack.volume(EXT4)
    real = os.pwritev
    taken = iter((ALIGNMENT, 3 * ALIGNMENT, 1000, 1, 5000))

    def takes_little(fd: int, views: list[memoryview], offset: int) -> int:
        most = next(taken, None)
        is_direct = fcntl.fcntl(fd, fcntl.F_GETFL) & os.O_DIRECT
        if is_direct and most is not None and most % ALIGNMENT:
            most = ALIGNMENT
        return real(fd, [views[0][:most]], offset)

    monkeypatch.setattr(os, "pwritev", takes_little)
    with Root(os.fsencode(volume.root)) as root:
        write(root, noise(300_001), buffers)
    assert (volume.root / "C1.mov").read_bytes() == noise(300_001)


# --- reading


def test_a_reading_that_gives_little_goes_on(flaky: tuple[FaultFs, Root], buffers: Buffers) -> None:
    fs, root = flaky
    (fs.backing / "C1.mov").write_bytes(noise(300_001))
    for direct in (True, False):
        fs.plan(Fault("read", "short", count=3))
        assert read(root, buffers, direct=direct) == noise(300_001)


def test_an_error_that_passes_is_tried_again(
    faulty: Callable[..., FaultFs], buffers: Buffers
) -> None:
    fs = faulty("card-1", direct_io=True)
    (fs.backing / "C1.mov").write_bytes(noise(300_001))
    with Root(os.fsencode(fs.root)) as root:
        fs.plan(Fault("read", nth=1, count=3, at=200_000))
        assert read(root, buffers) == noise(300_001)
        assert fs.struck == 3


def test_a_spot_that_cannot_be_read_is_told(
    faulty: Callable[..., FaultFs], buffers: Buffers
) -> None:
    fs = faulty("card-1", direct_io=True)
    (fs.backing / "C1.mov").write_bytes(noise(300_001))
    with Root(os.fsencode(fs.root)) as root:
        fs.plan(Fault("read", count=0, at=200_000))
        with pytest.raises(OSError):
            read(root, buffers)
        # Only an error of the medium is worth a second try.
        fs.plan(Fault("read", count=0, errno="ENODEV"))
        with pytest.raises(OSError):
            read(root, buffers)
        assert fs.struck == 1


def test_a_file_that_is_shorter_than_told_is_not_filled_up(
    faulty: Callable[..., FaultFs], buffers: Buffers
) -> None:
    fs = faulty("card-1", Quirks(), direct_io=True)
    (fs.backing / "C1.mov").write_bytes(noise(300_001))
    with Root(os.fsencode(fs.root)) as root:
        found = ReadFile(root, NAME)
        with (fs.backing / "C1.mov").open("r+b") as out:
            out.truncate(100_000)
        assert found.read_patiently(buffers.views[1], 0) == 100_000
        assert found.size_bytes == 300_001
        found.close()
        found.close()


# --- buffers


def test_buffers_lie_on_blocks_apart_from_each_other() -> None:
    with Buffers(3, 2 * ALIGNMENT, phase_bytes=ALIGNMENT) as made:
        for at, view in enumerate(made.views):
            view[:] = bytes([at + 1]) * len(view)
        assert [set(view) for view in made.views] == [{1}, {2}, {3}]
        assert {len(view) for view in made.views} == {2 * ALIGNMENT}


@pytest.mark.parametrize(("size", "phase"), [(ALIGNMENT + 1, 0), (ALIGNMENT, 512)])
def test_buffers_off_the_blocks_are_refused(size: int, phase: int) -> None:
    with pytest.raises(ValueError):
        Buffers(1, size, phase_bytes=phase)
