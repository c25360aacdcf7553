"""Workers that die, hang or talk nonsense: the clip is reported, others go on, nothing stays."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest

from offload.media.look_request import LookRequest
from offload.media.probe import ProbePool, ProbeRequest
from offload.values.clips import ClipCode, Container, Usable, Weight
from offload.values.probed import Probed
from tests.lab.footage import write_footage

STUB = """
import os, signal, socket, sys, time
channel = socket.socket(fileno=int(sys.argv[1]))
channel.sendall(b"ready\\n")
while channel.recv(4096):
    {}
"""


def stub(does: str) -> list[str]:
    """A program in place of the worker, that answers every request like this."""
    return [sys.executable, "-I", "-c", STUB.format(does)]


@dataclass
class Clip:
    """A clip on disk, and how often it was opened."""

    path: Path
    opened: int = 0

    def open(self) -> int:
        self.opened += 1
        return os.open(self.path, os.O_RDONLY)

    def request(self, open_file: Callable[[], int] | None = None) -> ProbeRequest:
        look = LookRequest(Container.MOV)
        return ProbeRequest(b"A001C001.mov", open_file or self.open, look)


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Clip:
    return Clip(write_footage(tmp_path_factory.mktemp("clips") / "A001C001.mov", frames=4))


@pytest.fixture(autouse=True)
def nothing_left():
    """No process, descriptor or thread is left by any test here."""
    before = (len(os.listdir("/dev/fd")), threading.active_count(), _children())
    yield
    assert (len(os.listdir("/dev/fd")), threading.active_count(), _children()) == before


def _children() -> set[int]:
    return {child.pid for child in psutil.Process().children(recursive=True)}


def unchecked(probed: Probed) -> str:
    assert probed.usable is Usable.UNKNOWN
    (finding,) = probed.findings
    assert finding.code == ClipCode.UNCHECKED
    assert finding.weight is Weight.HOLD
    assert finding.path == b"A001C001.mov"
    assert probed.unchecked == finding.text
    return finding.text


@pytest.mark.parametrize(
    ("does", "says"),
    [
        ("os.kill(os.getpid(), signal.SIGSEGV)", "was ended by SIGSEGV"),
        ("os.kill(os.getpid(), signal.SIGKILL)", "was ended by SIGKILL"),
        ("os.kill(os.getpid(), signal.SIGXCPU)", "more computing time than a check may use"),
        ("os._exit(7)", "ended by itself (7)"),
        ("channel.close(); time.sleep(60)", "closed its connection"),
        ("channel.sendall(b'x' * 65536)", "an answer without end"),
        ("channel.sendall(b'nonsense\\n')", "no answer that makes sense"),
        ("channel.sendall(b'[]\\n')", "no answer that makes sense"),
        ("channel.sendall(b'{}\\n')", "no answer that makes sense"),
        ("channel.sendall(b'[' * 100000 + b'\\n')", "no answer that makes sense"),
        ('channel.sendall(b\'{"failed":"\\\\u001b[2J out of memory"}\\n\')', "x1b[2J out of"),
    ],
)
def test_broken_worker_is_reported(clip: Clip, does: str, says: str) -> None:
    endless = "while True: " + does if "x' * 65536" in does else does
    with ProbePool(1, command=stub(endless)) as pool:
        # Each clip gets a worker of its own, so the second is not the first's victim.
        for _ in range(2):
            assert says in unchecked(pool.probe(clip.request()))


def test_hanging_worker_is_ended(clip: Clip) -> None:
    with ProbePool(1, timeout_s=0.2, command=stub("time.sleep(60)")) as pool:
        assert "no answer within 0 s" in unchecked(pool.probe(clip.request()))
        assert pool.pids() == ()


def test_worker_that_starts_others_takes_them_along(clip: Clip) -> None:
    does = "import subprocess; subprocess.Popen(['sleep', '60']); time.sleep(60)"
    with ProbePool(1, timeout_s=0.5, command=stub(does)) as pool:
        unchecked(pool.probe(clip.request()))


def test_program_that_is_not_there_is_reported(clip: Clip) -> None:
    for command in (["/nowhere/python"], ["/bin/true"], ["/bin/sh", "-c", "echo; exit 3"]):
        with ProbePool(1, command=command) as pool:
            unchecked(pool.probe(clip.request()))


def test_stopped_worker_times_out_and_next_clip_is_read(clip: Clip) -> None:
    with ProbePool(1, timeout_s=10) as pool:
        assert pool.probe(clip.request()).usable is Usable.YES
        (pid,) = pool.pids()
        os.kill(pid, signal.SIGSTOP)
        unchecked(pool.probe(clip.request()))
        assert pool.probe(clip.request()).usable is Usable.YES
        assert pool.pids() != (pid,)


def test_death_by_an_earlier_clip_is_forgiven(clip: Clip) -> None:
    with ProbePool(1) as pool:
        assert pool.probe(clip.request()).usable is Usable.YES
        (pid,) = pool.pids()
        os.kill(pid, signal.SIGKILL)
        assert pool.probe(clip.request()).usable is Usable.YES


def test_one_bad_clip_leaves_the_others(clip: Clip, tmp_path: Path) -> None:
    rubbish = Clip(tmp_path / "bad.mov")
    rubbish.path.write_bytes(os.urandom(4096))
    with ProbePool(2) as pool:
        asked = [pool.submit((rubbish if n % 3 == 0 else clip).request()) for n in range(12)]
        answers = [each.result().usable for each in asked]
    assert answers == [Usable.NO if n % 3 == 0 else Usable.YES for n in range(12)]


def test_memory_that_runs_out_is_not_damage(tmp_path: Path) -> None:
    # A picture of 2 GB once decoded, in a file of 4 kB (TIFF 6.0, 4 channels of 16 bits).
    path = tmp_path / "A001C001.tif"
    path.write_bytes(_huge_tiff(16_000, 16_000))
    clip = Clip(path)
    request = ProbeRequest(b"A001C001.mov", clip.open, LookRequest(Container.TIFF))
    with ProbePool(1) as pool:
        assert "more memory than a check may use" in unchecked(pool.probe(request))
        # The worker whose memory ran out has been replaced.
        assert pool.pids() == ()


def _huge_tiff(width: int, height: int) -> bytes:
    tags = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 4, 200),
        (259, 3, 1, 32773),
        (262, 3, 1, 2),
        (273, 4, 1, 256),
        (277, 3, 1, 4),
        (278, 4, 1, height),
        (279, 4, 1, 3000),
        (338, 3, 1, 2),
    ]
    body = b"".join(
        tag.to_bytes(2, "little")
        + kind.to_bytes(2, "little")
        + count.to_bytes(4, "little")
        + value.to_bytes(4, "little")
        for tag, kind, count, value in tags
    )
    head = b"II*\0" + (8).to_bytes(4, "little") + len(tags).to_bytes(2, "little") + body
    return head.ljust(200, b"\0") + b"\x10\0" * 4 + b"\0" * (256 - 208) + b"\x81\x05" * 1500


def test_medium_that_fails_is_not_damage(clip: Clip) -> None:
    with ProbePool(1) as pool:
        gone = clip.request(lambda: os.open("/nowhere", os.O_RDONLY))
        assert "could not be opened: no such file" in unchecked(pool.probe(gone))
        # Reading a folder fails with EISDIR, as reading a dead drive fails with EIO.
        folder = clip.request(lambda: os.open("/tmp", os.O_RDONLY))
        assert "reading failed: Is a directory" in unchecked(pool.probe(folder))


def test_writable_descriptor_is_refused(clip: Clip) -> None:
    with ProbePool(1) as pool, pytest.raises(RuntimeError, match="for reading only"):
        pool.probe(clip.request(lambda: os.open(clip.path, os.O_RDWR)))


def test_closing_ends_what_is_under_way(clip: Clip) -> None:
    pool = ProbePool(1, command=stub("time.sleep(60)"))
    asked = [pool.submit(clip.request()) for _ in range(3)]
    while not pool.pids():
        threading.Event().wait(0.01)
    pool.close()
    unchecked(asked[0].result())
    assert all(each.cancelled() for each in asked[1:])
    with pytest.raises(RuntimeError):
        pool.submit(clip.request())
    pool.close()


def test_clips_in_the_queue_are_not_open(clip: Clip) -> None:
    waiting = Clip(clip.path)
    with ProbePool(1, timeout_s=0.3, command=stub("time.sleep(60)")) as pool:
        asked = [pool.submit(waiting.request()) for _ in range(3)]
        asked[0].result()
        assert waiting.opened < 3


@pytest.mark.skipif(sys.platform != "linux", reason="the limits are read from /proc")
def test_worker_is_locked_down(clip: Clip) -> None:
    with ProbePool(1) as pool:
        pool.probe(clip.request())
        (pid,) = pool.pids()
        process = psutil.Process(pid)
        limits = {
            name: process.rlimit(getattr(psutil, f"RLIMIT_{name}"))
            for name in ("AS", "CORE", "FSIZE", "CPU")
        }
        assert limits["AS"] == (1 << 30, 2 << 30)
        assert limits["CORE"] == limits["FSIZE"] == (0, 0)
        assert 0 < limits["CPU"][0] < 60
        assert os.getpgid(pid) == os.getsid(pid) == pid
        assert process.cwd() == "/"
        assert process.environ() == {}
        # Three null devices and one socket; the clip is closed after the answer.
        kinds = sorted(os.readlink(f"/proc/{pid}/fd/{n}").split(":")[0] for n in _fds(pid))
        assert kinds == ["/dev/null", "/dev/null", "/dev/null", "socket"]
        assert str(clip.path) not in Path(f"/proc/{pid}/maps").read_text()


def _fds(pid: int) -> list[str]:
    return os.listdir(f"/proc/{pid}/fd")


def test_worker_ends_with_the_daemon(clip: Clip) -> None:
    # The daemon is killed and can tidy nothing: its workers notice the closed socket.
    program = (
        "import os, sys; from offload.media.probe import *\n"
        "from offload.media.look_request import LookRequest\n"
        "from offload.values.clips import Container\n"
        "pool = ProbePool(1)\n"
        "open_file = lambda: os.open(sys.argv[1], os.O_RDONLY)\n"
        "pool.probe(ProbeRequest(b'x', open_file, LookRequest(Container.MOV)))\n"
        "print(*pool.pids(), flush=True)\n"
        "os.kill(os.getpid(), 9)\n"
    )
    root = Path(__file__).resolve().parents[2]
    ended = subprocess.run(
        [sys.executable, "-c", program, str(clip.path)], capture_output=True, cwd=root, check=False
    )
    worker = int(ended.stdout)
    gone, _alive = psutil.wait_procs(
        [psutil.Process(worker)] if psutil.pid_exists(worker) else [], timeout=10
    )
    assert gone or not psutil.pid_exists(worker)
