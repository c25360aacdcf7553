"""Gives mounts and loop devices back when a test run is killed and cannot do it itself.

A small process of its own: it is told folders, one a line, and when its parent has gone it takes
away whatever is still mounted or attached below them. After an orderly end there is nothing to do.
"""

import contextlib
import os
import subprocess
import sys
from pathlib import Path

from tests.lab import loops, mounts

_TOP = Path(__file__).resolve().parents[2]
_started: dict[int, "subprocess.Popen[str]"] = {}


def watch(folder: Path) -> None:
    """Have everything below ``folder`` given back should this process be killed."""
    keeper = _started.get(os.getpid())
    if keeper is None or keeper.poll() is not None:
        keeper = subprocess.Popen(
            [sys.executable, "-m", "tests.lab.caretaker"],
            cwd=_TOP,
            stdin=subprocess.PIPE,
            text=True,
            # Out of reach of a Ctrl-C that ends the tests.
            start_new_session=True,
        )
        _started[os.getpid()] = keeper
    assert keeper.stdin is not None
    keeper.stdin.write(f"{folder.absolute()}\n")
    keeper.stdin.flush()


def give_back(folder: Path) -> None:
    """Unmount and detach everything below one folder, whoever holds it."""
    for place in sorted(mounts.mounted_below(folder), key=len, reverse=True):
        with contextlib.suppress(mounts.LabError):
            mounts.unmount_lazy(Path(place))
    for device, image in loops.attached_below(folder):
        with contextlib.suppress(loops.LoopError):
            loops.detach(device, Path(image))


def main() -> None:
    """Wait for the end of the parent, then give back."""
    folders = [Path(line.rstrip("\n")) for line in sys.stdin]
    for folder in reversed(folders):
        give_back(folder)


if __name__ == "__main__":
    main()
