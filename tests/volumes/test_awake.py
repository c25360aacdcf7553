"""The machine stays awake as long as it is asked to, and not a moment longer."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable

import pytest

from offload.volumes.awake import Awake, Way
from offload.volumes.suspend import SleepGauge, slept_s

HOLDING = Way(("sh", "-c", "echo held; exec cat >/dev/null"), True, True)
REFUSED = Way(("sh", "-c", "echo 'Failed to connect to \x1b[1mbus' >&2; exit 1"), True, True)
MISSING = Way(("no-such-command-at-all",), True, True)


def is_running(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat", "rb") as file:
            return file.read().rpartition(b") ")[2][:1] not in (b"Z", b"X")
    except FileNotFoundError:
        return False


def wait(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def child_of(awake: Awake) -> int:
    child = awake._child
    assert child is not None
    return child.pid


def test_lock_is_held_and_given_back() -> None:
    awake = Awake("copying A001", [HOLDING])
    with awake:
        assert awake.is_kept
        assert awake.keeps_lid
        pid = child_of(awake)
        assert is_running(pid)
        assert awake.check()
    assert not awake.is_kept
    assert not is_running(pid)
    awake.stop()


def test_next_way_is_tried() -> None:
    weaker = Way(HOLDING.command, False, True)
    with Awake("copying A001", [MISSING, REFUSED, weaker]) as awake:
        assert awake.is_kept
        assert not awake.keeps_lid
        assert awake.reason == ""


def test_nothing_available_is_said_and_escaped() -> None:
    with Awake("copying A001", [MISSING, REFUSED]) as awake:
        assert not awake.is_kept
        assert "bus" in awake.reason
        assert "\x1b" not in awake.reason
    with Awake("copying A001", [MISSING]) as awake:
        assert "no such file" in awake.reason


def test_holder_that_is_ended_is_noticed() -> None:
    with Awake("copying A001", [HOLDING]) as awake:
        os.kill(child_of(awake), signal.SIGKILL)
        wait(lambda: not awake.check())
        assert awake.reason


def test_lock_ends_with_a_program_that_is_killed() -> None:
    code = (
        "import time\n"
        "from offload.volumes.awake import Awake, Way\n"
        f"awake = Awake('x', [Way({HOLDING.command!r}, True, True)])\n"
        "awake.start()\n"
        "print(awake._child.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as program:
        assert program.stdout is not None
        pid = int(program.stdout.readline())
        assert is_running(pid)
        program.kill()
    wait(lambda: not is_running(pid))


def test_this_machine_answers_either_way() -> None:
    with Awake("copying A001") as awake:
        assert awake.is_kept is not bool(awake.reason)


@pytest.mark.parametrize(("answer", "is_kept"), [(0x8000_0000, True), (0, False)])
def test_state_of_a_thread_on_windows(answer: int, is_kept: bool) -> None:
    asked: list[int] = []

    def set_state(state: int) -> int:
        asked.append(state)
        return answer

    with Awake("copying A001", (), set_state) as awake:
        assert awake.is_kept is is_kept
        assert bool(awake.reason) is not is_kept
    # ES_CONTINUOUS with ES_SYSTEM_REQUIRED, then ES_CONTINUOUS alone, as the system documents.
    assert asked == [0x8000_0001, 0x8000_0000]


def test_sleep_is_seen_afterwards() -> None:
    slept = [100.0]
    gauge = SleepGauge(lambda: slept[0])
    assert gauge.gap_s() == 0.0
    slept[0] = 100.2
    assert gauge.gap_s() == 0.0
    slept[0] = 3700.0
    assert gauge.gap_s() == pytest.approx(3600.0)
    assert gauge.gap_s() == 0.0


def test_clocks_of_this_machine_tell_no_negative_sleep() -> None:
    told = slept_s()
    assert told is not None
    assert told > -0.1
    assert SleepGauge(lambda: None).gap_s() == 0.0
