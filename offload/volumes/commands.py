"""Running the system's own commands: bounded in time and output, in plain language.

A command that does not end in time is killed by its own id, with what it has started.
"""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

_MAX_OUTPUT = 8 << 20
_KILL_S = 1.0
_SYSTEM_FOLDERS = (
    "/usr/sbin:/sbin:/usr/bin:/bin:/usr/local/sbin:/usr/local/bin"
    ":/run/wrappers/bin:/run/current-system/sw/bin"
)
_PLAIN = {"LC_ALL": "C", "PATH": _SYSTEM_FOLDERS}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command said.

    Attributes:
        status: its exit status; -1 when it is not there, could not be started or took too long.
        output: standard output.
        complaint: standard error, or why there was no command to run.
        is_late: it took too long.
    """

    status: int
    output: bytes = b""
    complaint: bytes = b""
    is_late: bool = False


class Runner(Protocol):
    """Runs one command; handed in, so that a recorded answer can stand for another system's."""

    def __call__(self, command: Sequence[str | bytes], timeout_s: float) -> Outcome: ...


def run(command: Sequence[str | bytes], timeout_s: float) -> Outcome:
    """Run a system command without a shell and hand back what it said.

    Args:
        command: name and arguments.
        timeout_s: seconds until it is killed.
    """
    found = shutil.which(os.fsdecode(command[0]), path=_SYSTEM_FOLDERS)
    if found is None:
        return Outcome(-1, complaint=b"there is no such command")
    try:
        process = subprocess.Popen(
            [found, *command[1:]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=_PLAIN,
            cwd="/",
            # A group of its own: the terminal's Ctrl-C must not end an unmounting, and what the
            # command has started in its turn can be ended with it.
            start_new_session=True,
        )
    except OSError as error:
        return Outcome(-1, complaint=str(error).encode())
    try:
        output, complaint = process.communicate(timeout=timeout_s)
    except subprocess.TimeoutExpired:
        _end(process)
        return Outcome(-1, complaint=f"no answer within {timeout_s:g} s".encode(), is_late=True)
    return Outcome(process.returncode, output[:_MAX_OUTPUT], complaint[:_MAX_OUTPUT])


def _end(process: subprocess.Popen[bytes]) -> None:
    """Kill a command. One that waits for a dead device cannot end, and is left to the kernel."""
    if sys.platform == "win32":
        process.kill()
    else:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    try:
        process.communicate(timeout=_KILL_S)
    except subprocess.TimeoutExpired:
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()
        threading.Thread(target=process.wait, name="command-end", daemon=True).start()
