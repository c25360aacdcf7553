"""A real systemd user manager for as long as a test needs it, whatever has booted the machine.

It refuses to work where ``/run/systemd/system`` is missing (sd_booted(3)), so it gets one of its
own in a mount namespace, where nothing else of the laboratory is kept mounted; what it starts goes
back to the mounts that the test sees.
"""

import contextlib
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from tests.lab.mounts import LabError
from tests.lab.processes import TOP

_MANAGER = "/usr/lib/systemd/systemd"
_GROUPS = Path("/sys/fs/cgroup")
_OWN_RUN = f"""
echo $$ > "$1/cgroup.procs" || exit 1
awk -v "below=$2/" 'index($5, below) == 1 {{ print $5 }}' /proc/self/mountinfo | tac |
    while read -r place; do umount -l "$(printf %b "$place")"; done
mount -t tmpfs none /run/systemd && mkdir /run/systemd/system && exec {_MANAGER} --user
"""
_PATIENCE_S = 60.0


class ServiceManager:
    """``systemd --user`` with a home of its own, and ``offload`` on its path.

    Args:
        folder: the home and the program's folder are made in it.
        program: the module that stands for ``offload``.
        environment: of everything that it starts.
    """

    def __init__(self, folder: Path, program: str, environment: Mapping[str, str]) -> None:
        self.home = folder / "home-of-user"
        self.home.mkdir()
        # A socket's path has 107 bytes at most (unix(7)).
        self._runtime = Path(tempfile.mkdtemp(prefix="run-"))
        programs = folder / "bin"
        programs.mkdir()
        self._write_program(programs / "offload", program)
        self._environment = {
            **environment,
            "HOME": os.fspath(self.home),
            "XDG_RUNTIME_DIR": os.fspath(self._runtime),
            "PATH": f"{programs}:/usr/sbin:/usr/bin:/sbin:/bin",
        }
        # A group of its own: whatever else is in its group it would move (CGROUP_DELEGATION).
        below = _GROUPS / "systemd"
        self._group = (below if below.is_dir() else _GROUPS) / self._runtime.name
        self._group.mkdir()
        self._process = subprocess.Popen(
            ["unshare", "--mount", "sh", "-c", _OWN_RUN, "sh", self._group, tempfile.gettempdir()],
            env=self._environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def wait_ready(self) -> None:
        """Until it takes commands.

        Raises:
            LabError: it does not, or has ended.
        """
        self.wait_until(lambda: not self.systemctl("show-environment").returncode)

    def systemctl(self, *words: str) -> "subprocess.CompletedProcess[str]":
        """``systemctl --user WORDS``, to its end."""
        return self.run(["systemctl", "--user", *words])

    def run(self, words: list[str]) -> "subprocess.CompletedProcess[str]":
        """A command of this user."""
        return subprocess.run(
            words,
            env=self._environment,
            check=False,
            capture_output=True,
            text=True,
            timeout=_PATIENCE_S,
        )

    def facts(self, unit: str) -> dict[str, str]:
        """What the manager knows of a unit: property to value (systemctl(1), "show")."""
        lines = self.systemctl("show", unit).stdout.splitlines()
        return dict(line.split("=", 1) for line in lines if "=" in line)

    def wait_until(self, is_so: Callable[[], bool]) -> None:
        """Wait for something to come about.

        Raises:
            LabError: it did not.
        """
        deadline = time.monotonic() + _PATIENCE_S
        while not is_so():
            if self._process.poll() is not None:
                raise LabError("the service manager has ended: is systemd installed?")
            if time.monotonic() > deadline:
                raise LabError(f"it never came about: {self.facts('offload.service')}")
            time.sleep(0.1)

    def close(self) -> None:
        """End it and all that it started; nothing is left."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.systemctl("exit")
        try:
            self._process.wait(_PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._runtime)
        for group, _, _ in os.walk(self._group, topdown=False):
            os.rmdir(group)

    def __enter__(self) -> "ServiceManager":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @staticmethod
    def _write_program(path: Path, module: str) -> None:
        words = ["nsenter", f"--mount=/proc/{os.getpid()}/ns/mnt", sys.executable, "-m", module]
        path.write_text(
            f'#!/bin/sh\ncd {shlex.quote(os.fspath(TOP))}\nexec {shlex.join(words)} "$@"\n'
        )
        path.chmod(0o755)
