"""The station as a child process, on a rack of loop devices: what it says, line by line."""

import json
import os
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.lab import oracle
from tests.lab.cards import write_roll
from tests.lab.images import EXT4, FileSystem, Rack, Volume
from tests.lab.mounts import LabError
from tests.lab.processes import Child, Done
from tests.lab.processes import Station as Installation

Said = dict[str, Any]
_PATIENCE_S = 120.0


def settings_text(
    drives: Sequence[Volume], places: Sequence[Path], *, more: str = "", reserve: str = "0 B"
) -> str:
    """Settings for these drives, with cards appearing in these folders."""
    watched = ", ".join(json.dumps(os.fspath(place)) for place in places)
    tables = "".join(
        f'[[drive]]\nname = "shuttle-{at}"\nvolume = "{volume_id(drive)}"\n'
        for at, drive in enumerate(drives, 1)
    )
    return (
        f'[production]\nname = "Night Ferry"\n[cards]\nwatch = [{watched}]\n'
        f'[copies]\nreserve = "{reserve}"\n[clips]\nlook = false\n{more}\n{tables}'
    )


def volume_id(volume: Volume) -> str:
    """The id by which the program knows a volume."""
    from offload.volumes.table import volume_of

    return volume_of(os.fsencode(volume.root)).volume_id


class Watching:
    """``offload watch --json``, and everything that it has said so far."""

    def __init__(self, installation: Installation, *options: str) -> None:
        self.installation = installation
        self.child = self._start(options)
        self.said: list[Said] = []
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()
        self.wait_for(lambda said: said["type"] == "station-started")

    def wait_for(self, matches: Callable[[Said], bool], *, timeout_s: float = _PATIENCE_S) -> Said:
        """The first object, from now on, that matches.

        Raises:
            LabError: none came; says what did.
        """
        deadline = time.monotonic() + timeout_s
        while True:
            try:
                line = self._lines.get(timeout=max(0.0, deadline - time.monotonic()))
            except queue.Empty:
                raise LabError(f"it never came; said so far: {self.told()}") from None
            said = json.loads(line)
            said["seen_at"] = time.monotonic()
            self.said.append(said)
            if matches(said):
                return said

    def wait_verdict(self, roll: str = "", *, timeout_s: float = _PATIENCE_S) -> Said:
        """The next verdict, of this roll where one is named."""
        return self.wait_for(
            lambda said: said["type"] == "verdict" and roll in ("", said["roll"]),
            timeout_s=timeout_s,
        )

    def wait_until(self, is_so: Callable[[], bool], *, timeout_s: float = _PATIENCE_S) -> None:
        """Wait for something outside of what it says."""
        deadline = time.monotonic() + timeout_s
        while not is_so():
            if time.monotonic() > deadline:
                raise LabError(f"it never came about; said so far: {self.told()}")
            time.sleep(0.05)

    def told(self) -> str:
        """What was said last, shortened."""
        return "\n".join(
            str({k: v for k, v in said.items() if v})[:400] for said in self.said[-25:]
        )

    @contextmanager
    def asleep(self) -> Iterator[None]:
        """The station's process stands still, as it does while the machine sleeps."""
        os.kill(self.child.number, signal.SIGSTOP)
        try:
            yield
        finally:
            os.kill(self.child.number, signal.SIGCONT)

    def kill(self) -> None:
        """SIGKILL."""
        self.child.process.kill()
        self.child.process.wait()

    def stop(self) -> Done:
        """SIGTERM, and how it ended."""
        self.child.process.terminate()
        code = self.child.process.wait(60)
        assert self.child.process.stderr is not None
        return Done(code, "", self.child.process.stderr.read())

    def __enter__(self) -> "Watching":
        return self

    def __exit__(self, *_: object) -> None:
        if self.child.process.poll() is None:
            self.child.process.kill()
            self.child.process.wait()
        for pipe in (self.child.process.stdin, self.child.process.stderr):
            if pipe is not None:
                pipe.close()

    def _start(self, options: Sequence[str]) -> Child:
        return self.installation.start("watch", "--json", *options)

    def _read(self) -> None:
        stream = self.child.process.stdout
        assert stream is not None
        with stream:
            for line in stream:
                self._lines.put(line)


class LoopInstallation(Installation):
    """An installation on a machine whose loop devices count as separate disks."""

    def command(self, *arguments: str | bytes | Path) -> list[bytes]:
        """The command line of ``offload`` with these arguments."""
        own = super().command(*arguments)
        at = own.index(b"offload")
        return [*own[:at], b"tests.lab.loops_as_disks", *own[at + 1 :]]


@dataclass
class Set:
    """A rack with two drives, and an installation that watches where cards are mounted."""

    rack: Rack
    drives: list[Volume]
    installation: LoopInstallation

    @classmethod
    def make(
        cls,
        rack: Rack,
        tmp_path: Path,
        *,
        more: str = "",
        size_bytes: int = 0,
        fs: FileSystem = EXT4,
    ) -> "Set":
        drives = [rack.volume(fs, name=f"shuttle-{at}", size_bytes=size_bytes) for at in (1, 2)]
        text = settings_text(drives, [rack.folder / "mounted"], more=more)
        return cls(rack, drives, LoopInstallation(tmp_path / "station", text))

    def card(self, name: str, roll: str, fs: FileSystem = EXT4, *, large: int = 0) -> Volume:
        """A card with a roll on it, not mounted; with a clip of so many bytes more."""
        volume = self.rack.volume(fs, name=name)
        self.fill(volume, roll, large=large)
        return volume

    def fill(self, volume: Volume, roll: str, *, large: int = 0) -> None:
        """Put a roll on a mounted volume and unmount it."""
        write_roll(volume.root, roll=roll, clip_count=2)
        if large:
            (volume.root / "CLIPS" / f"{roll}C009.mov").write_bytes(os.urandom(large))
        volume.sync()
        volume.unmount()

    def assert_copied(self, card: Volume) -> None:
        """Every byte of the card is on both drives, under a finished name; by plain tools."""
        truth = oracle.content_of(card.root)
        assert oracle.drives_with_copy([drive.root for drive in self.drives], truth) == 2
