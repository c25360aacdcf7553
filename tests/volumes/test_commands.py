"""The system's commands: bounded, without a shell, in plain language."""

import time
from pathlib import Path

import pytest

from offload.volumes.commands import run


def test_output_and_status() -> None:
    outcome = run(["sh", "-c", "echo out; echo err >&2; exit 3"], 10.0)
    assert (outcome.status, outcome.output, outcome.complaint) == (3, b"out\n", b"err\n")
    assert not outcome.is_late


def test_command_that_is_not_there() -> None:
    assert run(["no-such-command-at-all"], 1.0).status == -1


def test_command_that_takes_too_long_is_ended_with_its_children(tmp_path: Path) -> None:
    noted = tmp_path / "pid"
    script = f"trap '' TERM; sleep 60 & echo $! > '{noted}'; wait"
    outcome = run(["sh", "-c", script], 0.5)
    assert outcome.is_late
    assert outcome.status == -1
    deadline = time.monotonic() + 60
    while _is_running(noted.read_text().strip()):
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_argument_is_never_a_shell_word() -> None:
    assert run(["printf", "%s", "$(id) ; `id` \n'"], 10.0).output == b"$(id) ; `id` \n'"
    assert run(["printf", "%s", b"\xff"], 10.0).output == b"\xff"


def test_language_is_plain(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    assert b"No such file" in run(["ls", "/nowhere"], 10.0).complaint


def _is_running(pid: str) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2][:1]
    except FileNotFoundError:
        return False
    return state not in "ZX"
