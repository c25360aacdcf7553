"""Many reads under way at once: the bytes are the file's, whatever way the system has."""

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from offload.storage import asking
from offload.storage.asking import MOST_UNDER_WAY, Asked, Asking
from offload.storage.buffers import ALIGNMENT, Buffers, aligned
from offload.storage.reading import ReadFile
from offload.storage.root import Root
from tests.lab.faultfs import FaultFs
from tests.lab.faultplan import Fault

SIZES = (0, 1, 4095, 4096, 4097, 100_000, 1 << 20, (1 << 20) + 17)


@pytest.fixture(params=["kernel", "plain"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """With the kernel's queue, and on a system that has no such thing."""
    if request.param == "plain":

        def refuse(depth: int) -> None:
            raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))

        monkeypatch.setattr(asking, "KernelQueue", refuse)
    return str(request.param)


@pytest.fixture
def buffers() -> Iterator[Buffers]:
    with Buffers(4, 2 << 20) as made:
        yield made


def ask_whole(under_way: Asking, buffers: Buffers, at: int, file: ReadFile) -> Asked:
    window = buffers.windows[at % 4].part(0, aligned(file.size_bytes))
    return under_way.ask(file, window, 0, file.size_bytes)


@pytest.mark.parametrize("is_direct", [True, False])
def test_files_of_any_size_are_read_whole_and_in_any_order(
    tmp_path: Path, way: str, buffers: Buffers, *, is_direct: bool
) -> None:
    contents = {b"%d" % size: os.urandom(size) for size in SIZES}
    for name, content in contents.items():
        (tmp_path / os.fsdecode(name)).write_bytes(content)
    with Root(os.fsencode(tmp_path)) as root, Asking() as under_way:
        for names in (SIZES[:4], SIZES[4:]):
            files = [ReadFile(root, b"%d" % size, direct=is_direct) for size in names]
            asked = [ask_whole(under_way, buffers, at, file) for at, file in enumerate(files)]
            for at in reversed(range(len(files))):
                count = under_way.take(asked[at], patiently=False)
                assert bytes(asked[at].window.view[:count]) == contents[b"%d" % names[at]]
                files[at].close()


def test_more_than_the_queue_holds_are_all_answered(
    tmp_path: Path, way: str, buffers: Buffers
) -> None:
    content = os.urandom(ALIGNMENT * 3 * MOST_UNDER_WAY)
    (tmp_path / "clip").write_bytes(content)
    with Root(os.fsencode(tmp_path)) as root, Asking() as under_way:
        file = ReadFile(root, b"clip")
        asked = [
            under_way.ask(
                file, buffers.windows[0].part(at * ALIGNMENT, ALIGNMENT), at * ALIGNMENT, ALIGNMENT
            )
            for at in range(2 * MOST_UNDER_WAY)
        ]
        assert all(under_way.take(each, patiently=False) == ALIGNMENT for each in asked)
        length = 2 * MOST_UNDER_WAY * ALIGNMENT
        assert bytes(buffers.views[0][:length]) == content[:length]
        file.close()


def test_file_that_got_shorter_says_so(tmp_path: Path, way: str, buffers: Buffers) -> None:
    path = tmp_path / "clip"
    path.write_bytes(os.urandom(20_000))
    with Root(os.fsencode(tmp_path)) as root, Asking() as under_way:
        file = ReadFile(root, b"clip")
        path.write_bytes(b"cut")
        asked = ask_whole(under_way, buffers, 0, file)
        assert under_way.take(asked, patiently=False) == 3
        file.close()


def test_an_error_is_told_and_a_patient_reader_tries_again(
    faulty: Callable[..., FaultFs], way: str, buffers: Buffers
) -> None:
    content = os.urandom(50_000)
    card = faulty("card")
    (card.backing / "clip").write_bytes(content)
    with Root(os.fsencode(card.root)) as root, Asking() as under_way:
        file = ReadFile(root, b"clip")
        card.plan(Fault("read", count=1, errno="EIO"))
        with pytest.raises(OSError, match=r"\[Errno 5\]"):
            under_way.take(ask_whole(under_way, buffers, 0, file), patiently=False)
        card.plan(Fault("read", count=1, errno="EIO"))
        asked = ask_whole(under_way, buffers, 1, file)
        assert under_way.take(asked, patiently=True) == len(content)
        assert bytes(asked.window.view[: len(content)]) == content
        file.close()


def test_buffers_can_go_when_the_end_has_come(tmp_path: Path, way: str) -> None:
    """Nothing writes into memory that was given back: what is under way is waited for."""
    (tmp_path / "clip").write_bytes(os.urandom(8 << 20))
    with Root(os.fsencode(tmp_path)) as root:
        for _ in range(20):
            file = ReadFile(root, b"clip")
            with Buffers(1, 8 << 20) as buffers, Asking() as under_way:
                under_way.ask(file, buffers.windows[0], 0, 8 << 20)
            file.close()
    descriptors = os.listdir("/proc/self/fd")
    assert len(descriptors) < 100
