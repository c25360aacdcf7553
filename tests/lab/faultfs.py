"""A faulty file system over a folder, driven from a test.

    with FaultFs(backing, mountpoint) as drive:
        drive.plan(Fault("write", "drop", nth=3), Fault("fsync", errno="EIO", path=r".*\\.mov"))
        ...                       # whatever works below drive.root meets the faults
        assert drive.struck == 1
        assert not drive.written()

It runs in a process of its own and passes every call through to ``backing``. What it cannot do:
extended attributes, space reservation (a driver in user space seldom can), locks.
"""

import dataclasses
import json
import os
import socket
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.lab import mounts
from tests.lab.faultplan import EFFECTS, GROUPS, WRITING, Call, Fault, Quirks
from tests.lab.mounts import LabError

__all__ = ["EFFECTS", "GROUPS", "Call", "Fault", "FaultFs", "Quirks"]

_TOP = Path(__file__).resolve().parents[2]


class FaultFs:
    """One faulty mount.

    Args:
        backing: the folder passed through; what lies there is the truth of what is stored.
        root: where to mount; made where it is missing.
        quirks: how the drive is all the time.
        direct_io: the kernel keeps no pages: every read and write reaches the file system.
        keeps_pages: the kernel keeps a file's pages when it is opened again or has been written,
            as it does for its own file systems.
        caches_facts: the kernel may remember names and facts for a second; off, every look-up
            arrives, and operations can be counted from run to run.
        source: what the mount table names as its source. A block device's node makes it a
            ``fuseblk`` mount, as drivers in user space for real disks have.
    """

    def __init__(
        self,
        backing: Path,
        root: Path,
        quirks: Quirks | None = None,
        *,
        direct_io: bool = False,
        keeps_pages: bool = False,
        caches_facts: bool = False,
        source: str = "",
    ) -> None:
        mounts.require_root()
        self.backing = backing
        self.root = root
        root.mkdir(parents=True, exist_ok=True)
        self._link, theirs = socket.socketpair()
        options = {
            "root": os.fspath(backing.absolute()),
            "mountpoint": os.fspath(root.absolute()),
            "control": theirs.fileno(),
            "quirks": dataclasses.asdict(quirks or Quirks()),
            "direct_io": direct_io,
            "keeps_pages": keeps_pages,
            "caches_facts": caches_facts,
            "source": source,
        }
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.lab.faultserver", json.dumps(options)],
            cwd=_TOP,
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
        )
        theirs.close()
        self._file = self._link.makefile("rw", encoding="utf-8")
        self._wait_ready()

    # --- driving

    def plan(self, *faults: Fault) -> None:
        """Set the faults, and begin counting anew; none makes it a faultless file system."""
        self._ask("plan", faults=[dataclasses.asdict(fault) for fault in faults])

    def release(self, errno: str = "") -> None:
        """Let hanging operations go on, or fail with the named error."""
        self._ask("release", errno=errno)

    def wait_hanging(self, seconds: float = 10.0) -> None:
        """Wait until an operation hangs.

        Raises:
            LabError: none did.
        """
        if not self._ask("reached", seconds=seconds):
            raise LabError(f"no operation hung within {seconds} s")

    def become(self, quirks: Quirks) -> None:
        """Be another kind of drive from now on, as after another plugging in."""
        self._ask("become", quirks=dataclasses.asdict(quirks))

    def give_back(self, *names: str) -> None:
        """Let lost entries be found again; all of them when none is named."""
        self._ask("give_back", names=list(names))

    def record(self, log: Path) -> None:
        """Keep every write and flush from now on in a log, for :mod:`tests.lab.powercuts`.

        It does not tell files apart: let one image alone lie there.
        """
        self._ask("record", path=os.fspath(log))

    # --- looking

    def calls(self) -> list[Call]:
        """Every operation since the plan was set."""
        return [Call(*call) for call in self._ask("report")["calls"]]

    def counts(self) -> dict[str, int]:
        """Number of operations by name since the plan was set."""
        return dict(self._ask("report", ops=[])["counts"])

    @property
    def struck(self) -> int:
        """Number of operations that met a fault."""
        return int(self._ask("report", ops=[])["struck"])

    def written(self) -> list[Call]:
        """Operations that changed something or asked to be let."""
        return [Call(*call) for call in self._ask("report", ops=sorted(WRITING))["calls"]]

    @property
    def process(self) -> int:
        """Number of the serving process."""
        return self._process.pid

    # --- ending

    def vanish(self) -> None:
        """Kill the server: every operation fails from now on, the mount is still to be seen."""
        self._process.kill()
        self._process.wait()

    def close(self) -> None:
        """Release what hangs, unmount, end the process.

        Raises:
            LabError: something was still open below the mount; it is taken away all the same.
        """
        failure: LabError | None = None
        if self._process.poll() is None:
            self.release("EIO")
        while mounts.is_mounted(self.root):
            try:
                mounts.unmount(self.root)
            except LabError as error:
                failure = error
                mounts.unmount_lazy(self.root)
        self._file.close()
        self._link.close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if failure is not None:
            raise failure

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _wait_ready(self) -> None:
        self._ask("ping")
        try:
            while not mounts.is_mounted(self.root):
                if self._process.poll() is not None:
                    raise LabError("the faulty file system did not start")
                try:
                    self._process.wait(0.005)
                except subprocess.TimeoutExpired:
                    continue
        except BaseException:
            self.close()
            raise

    def _ask(self, what: str, **details: Any) -> Any:
        try:
            self._file.write(json.dumps({"do": what, **details}) + "\n")
            self._file.flush()
            answer = self._file.readline()
        except OSError as error:
            raise LabError(f"the faulty file system has gone: {error}") from error
        if not answer:
            raise LabError("the faulty file system has gone")
        return json.loads(answer)
