"""Children are killed when asked, and what they leave behind is noticed."""

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from tests.lab import memory, throttle
from tests.lab.images import Rack
from tests.lab.mounts import LabError
from tests.lab.processes import Child, Station, nothing_left, processes_with


def python(script: str, *, environment: dict[str, str] | None = None) -> Child:
    return Child(
        subprocess.Popen(
            [sys.executable, "-c", script],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **(environment or {})},
        )
    )


def test_child_is_killed_at_its_output() -> None:
    with python("print('1 copying', flush=True)\nprint('2 proving', flush=True)\ninput()") as child:
        done = child.kill_when("proving")
    assert done.code == -9
    assert done.out == "1 copying\n2 proving\n"


def test_hanging_child_is_a_failure() -> None:
    with python("import time; time.sleep(60)") as child, pytest.raises(LabError, match="hangs"):
        child.finish(timeout_s=0.2)


def test_held_start_keeps_its_number(tmp_path: Path) -> None:
    station = Station(tmp_path)
    station.command = lambda *given: [  # type: ignore[method-assign]
        os.fsencode(part) for part in (sys.executable, "-c", "import os; print(os.getpid())")
    ]
    with station.start(is_held=True) as child:
        child.go()
        done = child.finish()
    assert done.out == f"{child.number}\n"


def test_left_process_is_found_by_its_home(tmp_path: Path) -> None:
    mark = f"OFFLOAD_HOME={tmp_path}"
    with python(
        "print(1, flush=True)\ninput()", environment={"OFFLOAD_HOME": str(tmp_path)}
    ) as child:
        assert child.process.stdout is not None
        child.process.stdout.readline()
        assert [name.split()[-1] for name in processes_with(mark)] == [str(child.number)]
        child.kill()
    assert processes_with(mark) == []


def test_left_descriptor_is_named(tmp_path: Path) -> None:
    path = tmp_path / "held"
    with pytest.raises(AssertionError, match=r"descriptor .*held"), nothing_left(patience_s=0.1):
        file = path.open("wb")
    file.close()
    with nothing_left(), path.open("wb"):
        pass


def test_left_thread_is_named() -> None:
    stop = threading.Event()
    with pytest.raises(AssertionError, match="thread idle"), nothing_left(patience_s=0.1):
        thread = threading.Thread(target=stop.wait, name="idle")
        thread.start()
    stop.set()
    thread.join()


def test_traceback_is_noticed() -> None:
    with python("raise ValueError('x')") as child:
        done = child.finish()
    with pytest.raises(AssertionError):
        done.assert_no_traceback()


@pytest.mark.lab
def test_throttled_device_is_slow_and_freed(rack: Rack) -> None:
    """A lower bound only: a busy machine can make it slower, nothing can make it faster."""
    volume = rack.volume(is_mounted=False)
    volume.attach()
    command = ["dd", f"if={volume.device}", "of=/dev/null", "bs=1M", "count=4", "iflag=direct"]
    with throttle.throttled(volume.device, read_bytes_s=4 << 20):
        assert len(throttle.limits(volume.device)) == 1
        start = time.monotonic()
        subprocess.run(command, check=True, capture_output=True)
        assert time.monotonic() - start > 0.5
    assert throttle.limits(volume.device) == []


@pytest.mark.lab
def test_throttle_is_undone_after_failure(rack: Rack) -> None:
    volume = rack.volume(is_mounted=False)
    volume.attach()
    with pytest.raises(ZeroDivisionError), throttle.throttled(volume.device, write_bytes_s=1 << 20):
        raise ZeroDivisionError
    assert throttle.limits(volume.device) == []


@pytest.mark.lab
def test_bounded_child_is_killed_when_it_holds_too_much() -> None:
    with memory.bounded(60 << 20) as group:
        with python("input(); x = bytearray(200 << 20); print('held')") as child:
            group.add(child.number)
            done = child.finish("\n")
        assert done.code == -9
        assert group.was_exceeded()
    with memory.bounded(200 << 20) as group, python("input(); print('fine')") as child:
        group.add(child.number)
        assert child.finish("\n").out == "fine\n"
        assert not group.was_exceeded()
