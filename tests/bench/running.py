"""Running one command and measuring it whole: time, computing time and memory with all children."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import psutil

_LOOK_S = 0.05


@dataclass(frozen=True, slots=True)
class Sample:
    """What one run took.

    Attributes:
        elapsed_s: by the clock.
        computing_s: user and system time, children included.
        peak_bytes: most memory held at one moment by the process and its children together.
    """

    elapsed_s: float
    computing_s: float
    peak_bytes: int = 0

    def __add__(self, other: "Sample") -> "Sample":
        return Sample(
            self.elapsed_s + other.elapsed_s,
            self.computing_s + other.computing_s,
            max(self.peak_bytes, other.peak_bytes),
        )


class CommandError(AssertionError):
    """A command that is measured did not do what it is measured for."""


_PROGRAM = (
    "import offload.cli.copy, offload.cli.session, offload.cli.run_view, offload.jobs.missing"
)
_TOOLS = "for tool in cp sync find xargs xxhsum sha512sum rsync rclone; do $tool --version; done"


def drop_caches() -> None:
    """Write everything back and forget it (``Documentation/admin-guide/sysctl/vm.rst``).

    The programs themselves, ours and the others, are read again: who has several cards an hour has
    them in memory, and it is the footage that must not be.
    """
    os.sync()
    Path("/proc/sys/vm/drop_caches").write_text("3\n")
    for command in ([sys.executable, "-c", _PROGRAM], ["sh", "-c", _TOOLS]):
        subprocess.run(command, check=False, capture_output=True)


def measured(
    command: Sequence[str], *, environment: Mapping[str, str] | None = None, expected: int = 0
) -> Sample:
    """Run one command to its end.

    Args:
        command: program and arguments.
        environment: on top of this one's.
        expected: the exit code that says that it did its work.

    Raises:
        CommandError: another exit code; with the end of what it said.
    """
    begun = time.perf_counter()
    process = subprocess.Popen(
        command,
        env={**os.environ, **(environment or {})},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    memory = _Memory(process.pid)
    memory.start()
    assert process.stdout is not None
    said = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    elapsed_s = time.perf_counter() - begun
    process.stdout.close()
    process.returncode = os.waitstatus_to_exitcode(status)
    peak_bytes = max(memory.end(), usage.ru_maxrss * 1024)
    if process.returncode != expected:
        text = said[-2000:].decode("utf-8", "replace")
        raise CommandError(f"{' '.join(command)} ended with {process.returncode}:\n{text}")
    return Sample(elapsed_s, usage.ru_utime + usage.ru_stime, peak_bytes)


def measured_until(
    command: Sequence[str], sign: bytes, *, environment: Mapping[str, str] | None = None
) -> Sample:
    """Run one command until it prints a line with ``sign``, then stop it (SIGINT).

    Raises:
        CommandError: it ended without.
    """
    begun = time.perf_counter()
    process = subprocess.Popen(
        command,
        env={**os.environ, **(environment or {})},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    assert process.stdout is not None
    said: list[bytes] = []
    with process.stdout:
        for line in process.stdout:
            said.append(line)
            if sign in line:
                elapsed_s = time.perf_counter() - begun
                process.send_signal(signal.SIGINT)
                process.stdout.read()
                process.wait()
                return Sample(elapsed_s, 0.0)
    process.wait()
    text = b"".join(said)[-2000:].decode("utf-8", "replace")
    raise CommandError(f"{' '.join(command)} ended before its sign:\n{text}")


class _Memory(threading.Thread):
    """Looks at a process and its children again and again; the largest sum counts.

    Memory that several of them have is shared out (PSS): a child that has just been forked has
    nothing of its own yet.
    """

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self._pid = pid
        self._has_ended = threading.Event()
        self._peak_bytes = 0

    def run(self) -> None:
        while not self._has_ended.wait(_LOOK_S):
            try:
                top = psutil.Process(self._pid)
                every = [top, *top.children(recursive=True)]
                held = sum(each.memory_full_info().pss for each in every)
            except psutil.Error:
                continue
            self._peak_bytes = max(self._peak_bytes, held)

    def end(self) -> int:
        self._has_ended.set()
        self.join()
        return self._peak_bytes
