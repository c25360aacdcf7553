"""The program as a child process, killed at chosen moments, and what it must leave behind: nothing.

Source: proc(5) for descriptors, threads and environment.
"""

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil

from tests.lab import mounts
from tests.lab.mounts import LabError

TOP = Path(__file__).resolve().parents[2]
_TIMEOUT_S = 120.0


@dataclass(frozen=True, slots=True)
class Done:
    """How a command ended.

    Attributes:
        code: exit code; negative for a signal.
        out, err: what it said.
    """

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[dict[str, Any]]:
        """The objects of ``--json``, one a line."""
        return [json.loads(line) for line in self.out.splitlines() if line.startswith("{")]

    @property
    def result(self) -> dict[str, Any]:
        """The last object: the result."""
        lines = self.lines
        if not lines:
            raise AssertionError(f"no result; exit {self.code}, said: {self.err[-2000:]}")
        return lines[-1]

    def assert_no_traceback(self) -> None:
        """No traceback ever reaches a user."""
        assert "Traceback (most recent call last)" not in self.out + self.err, self.err


class Station:
    """One installation: a home of its own, settings of its own, and commands run in it.

    Args:
        folder: made where it is missing; ``home`` and ``offload.toml`` lie in it.
        settings: text of the settings file; none is written where empty.
    """

    def __init__(self, folder: Path, settings: str = "") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.home = folder / "home"
        self.settings = folder / "offload.toml"
        if settings:
            self.settings.write_text(settings)
        self.environment = {
            **{key: value for key, value in os.environ.items() if not key.startswith("OFFLOAD_")},
            "OFFLOAD_HOME": os.fspath(self.home),
            "OFFLOAD_SETTINGS": os.fspath(self.settings),
            "PYTHONPATH": os.fspath(TOP),
            "NO_COLOR": "1",
        }

    def command(self, *arguments: str | bytes | Path) -> list[bytes]:
        """The command line of ``offload`` with these arguments."""
        own = [sys.executable, "-m", "offload"]
        return [os.fsencode(argument) for argument in (*own, *arguments)]

    def run(
        self,
        *arguments: str | bytes | Path,
        said: str = "",
        environment: Mapping[str, str] | None = None,
        timeout_s: float = _TIMEOUT_S,
    ) -> Done:
        """Run ``offload`` to its end.

        Args:
            said: what is typed in.
            environment: additions.
            timeout_s: after which it counts as hanging, which fails the test.
        """
        child = self.start(*arguments, environment=environment, is_held=False)
        return child.finish(said, timeout_s=timeout_s)

    def start(
        self,
        *arguments: str | bytes | Path,
        environment: Mapping[str, str] | None = None,
        is_held: bool = False,
    ) -> "Child":
        """Start ``offload``.

        Args:
            is_held: wait with the start until :meth:`Child.go`; the process number is the one it
                will have, so that a fault can name it as its victim before anything happened.
        """
        command = self.command(*arguments)
        if is_held:
            # The shell becomes the program: same process, same number.
            command = [b"sh", b"-c", b'read -r go; exec "$@"', b"sh", *command]
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**self.environment, **(environment or {})},
            cwd=self.home.parent,
            text=True,
            encoding="utf-8",
            errors="surrogateescape",
        )
        return Child(process)

    def left_processes(self) -> list[str]:
        """Processes of this installation that are still there."""
        return processes_with(f"OFFLOAD_HOME={self.home}")


class Child:
    """One running command."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self.process = process

    @property
    def number(self) -> int:
        """Process number."""
        return self.process.pid

    def go(self) -> None:
        """Let a held start go on."""
        assert self.process.stdin is not None
        self.process.stdin.write("go\n")
        self.process.stdin.flush()

    def kill(self) -> Done:
        """SIGKILL, and how it ended."""
        with contextlib.suppress(ProcessLookupError):
            self.process.send_signal(signal.SIGKILL)
        return self.finish()

    def interrupt(self) -> None:
        """What Ctrl-C does."""
        self.process.send_signal(signal.SIGINT)

    def finish(self, said: str = "", *, timeout_s: float = _TIMEOUT_S) -> Done:
        """Wait for the end.

        Raises:
            LabError: it hangs; it is killed.
        """
        try:
            out, err = self.process.communicate(said or None, timeout=timeout_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            out, err = self.process.communicate()
            raise LabError(f"hangs after {timeout_s} s; it said: {out[-500:]} {err[-2000:]}")
        return Done(self.process.returncode, out, err)

    def kill_when(self, pattern: str, *, timeout_s: float = _TIMEOUT_S) -> Done:
        """SIGKILL as soon as a line of its output matches; or how it ended before that."""
        assert self.process.stdout is not None
        seen: list[str] = []
        alarm = threading.Timer(timeout_s, self.process.kill)
        alarm.start()
        try:
            for line in self.process.stdout:
                seen.append(line)
                if re.search(pattern, line):
                    break
        finally:
            alarm.cancel()
        done = self.kill()
        return Done(done.code, "".join(seen) + done.out, done.err)

    def __enter__(self) -> "Child":
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        with contextlib.suppress(ValueError):
            self.process.communicate()


def processes_with(variable: str) -> list[str]:
    """Processes in whose environment ``NAME=VALUE`` stands, zombies apart."""
    found = []
    for process in psutil.process_iter():
        with contextlib.suppress(psutil.Error, OSError):
            raw = Path(f"/proc/{process.pid}/environ").read_bytes()
            if os.fsencode(variable) in raw.split(b"\0"):
                found.append(f"{process.name()} {process.pid}")
    return found


@contextmanager
def nothing_left(*, below: Sequence[Path] = (), patience_s: float = 20.0) -> Iterator[None]:
    """What runs inside must give back every descriptor, thread, child process and mount.

    Args:
        below: only descriptors and mounts below one of these are looked at, where given: a library
            may keep a descriptor of its own for good, and others mount on the same machine.
        patience_s: how long a thread or process that is just ending may take.

    Raises:
        AssertionError: names what is left.
    """
    before = _census(below)
    yield
    deadline = time.monotonic() + patience_s
    while (left := _more(before, _census(below))) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not left, "left behind: " + ", ".join(left)


def _census(below: Sequence[Path]) -> dict[str, list[str]]:
    heads = tuple(os.fspath(folder) for folder in below)
    links = []
    for entry in os.listdir("/proc/self/fd"):
        with contextlib.suppress(OSError):
            links.append(os.readlink(f"/proc/self/fd/{entry}"))
    places = [os.fsdecode(place) for place in mounts.mount_points()]
    if heads:
        links = [link for link in links if link.startswith(heads)]
        places = [place for place in places if place.startswith(heads)]
    return {
        "descriptor": sorted(links),
        "thread": sorted(thread.name for thread in threading.enumerate()),
        "process": sorted(str(child.pid) for child in psutil.Process().children(recursive=True)),
        "mount": sorted(places),
    }


def _more(before: dict[str, list[str]], after: dict[str, list[str]]) -> list[str]:
    left = []
    for kind, names in after.items():
        known = list(before[kind])
        for name in names:
            if name in known:
                known.remove(name)
            else:
                left.append(f"{kind} {name}")
    return left
