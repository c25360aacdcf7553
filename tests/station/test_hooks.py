"""The user's own commands: no shell, the facts in the environment, no say in anything."""

import queue
import sys
import threading
import time
from pathlib import Path

from offload.station.hooks import Hooks

WAIT_S = 20.0


def waiting_for_hooks() -> None:
    for thread in threading.enumerate():
        if thread.name == "hook":
            thread.join(WAIT_S)


def test_arguments_reach_the_program_as_they_are(tmp_path: Path) -> None:
    out = tmp_path / "said"
    code = "import os, sys; open(sys.argv[1], 'w').write(sys.argv[2] + os.environ['OFFLOAD_ROLL'])"
    said: list[str] = []
    Hooks({}, said.append).run(
        (sys.executable, "-c", code, str(out), "$(id); `id` *"), {"OFFLOAD_ROLL": "A001"}
    )
    waiting_for_hooks()
    assert out.read_text() == "$(id); `id` *A001"
    assert said == []


def test_command_that_fails_is_told_with_its_words() -> None:
    said: queue.SimpleQueue[str] = queue.SimpleQueue()
    code = "import sys; sys.stderr.write('no \\x1b[2J loudspeaker'); sys.exit(3)"
    Hooks({}, said.put).run((sys.executable, "-c", code), {})
    text = said.get(timeout=WAIT_S)
    assert "ended with 3" in text and "no \\x1b[2J loudspeaker" in text


def test_command_that_is_not_there_is_told() -> None:
    said: queue.SimpleQueue[str] = queue.SimpleQueue()
    Hooks({}, said.put).run(("/no/such/program",), {})
    assert "could not be run" in said.get(timeout=WAIT_S)


def test_command_that_never_ends_is_ended_with_what_it_started(tmp_path: Path) -> None:
    said: queue.SimpleQueue[str] = queue.SimpleQueue()
    pid = tmp_path / "pid"
    script = f"sleep 300 & echo $! > {pid}; wait"
    Hooks({"PATH": "/usr/bin:/bin"}, said.put, longest_s=1.0).run(("sh", "-c", script), {})
    assert "was ended after 1 s" in said.get(timeout=WAIT_S)
    state = Path(f"/proc/{pid.read_text().strip()}/stat")
    deadline = time.monotonic() + WAIT_S
    while not _is_ended(state):
        # It has been killed; a busy processor may yet have to let it end.
        assert time.monotonic() < deadline
        time.sleep(0.02)


def _is_ended(state: Path) -> bool:
    try:
        return state.read_text().rpartition(")")[2].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


def test_no_command_is_no_command() -> None:
    waiting_for_hooks()
    Hooks({}, lambda _: None).run((), {})
    assert "hook" not in [thread.name for thread in threading.enumerate()]
