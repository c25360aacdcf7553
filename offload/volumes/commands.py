"""Running the system's own commands: bounded in time and output, in plain language.

A command that does not end in time is killed by its own id.
"""

import os
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

_MAX_OUTPUT = 8 << 20
_SYSTEM_FOLDERS = "/usr/sbin:/sbin:/usr/bin:/bin"
_PLAIN = {"LC_ALL": "C", "PATH": _SYSTEM_FOLDERS}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command said.

    Attributes:
        status: its exit status; -1 when it is not there, could not be started or took too long.
        output: standard output.
        complaint: standard error, or why there was no command to run.
    """

    status: int
    output: bytes = b""
    complaint: bytes = b""


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
        done = subprocess.run(
            [found, *command[1:]],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=timeout_s,
            env=_PLAIN,
            cwd="/",
            check=False,
        )
    except subprocess.TimeoutExpired:
        return Outcome(-1, complaint=f"no answer within {timeout_s:g} s".encode())
    except OSError as error:
        return Outcome(-1, complaint=str(error).encode())
    return Outcome(done.returncode, done.stdout[:_MAX_OUTPUT], done.stderr[:_MAX_OUTPUT])
