"""Mounting and unmounting for the laboratory, and saying plainly when it cannot be done.

Source: proc(5), ``/proc/self/mountinfo`` (octal escapes for blank, tab, newline and backslash).
"""

import contextlib
import ctypes
import os
import re
import shutil
import subprocess
import time
from pathlib import Path

WAIT_S = 30.0
_MEMORY_KINDS = ("tmpfs", "ramfs")
_libc = ctypes.CDLL(None, use_errno=True)


class LabError(AssertionError):
    """The laboratory itself cannot do what was asked, or left something behind."""


def require_root() -> None:
    """
    Raises:
        LabError: not root on Linux.
    """
    if os.uname().sysname != "Linux" or os.geteuid() != 0:
        raise LabError("the laboratory needs root on Linux: it mounts real file systems")


def require_tools(*names: str) -> None:
    """
    Raises:
        LabError: a command is missing, by name.
    """
    missing = [name for name in names if shutil.which(name, path=_path()) is None]
    if missing:
        raise LabError(f"the laboratory needs {', '.join(missing)}: install the package")


def require_disk(folder: Path) -> None:
    """
    Raises:
        LabError: ``folder`` lies in memory, where nothing can be shown about devices.
    """
    done = run(["stat", "-f", "-c", "%T", os.fspath(folder)])
    if done.stdout.strip() in _MEMORY_KINDS:
        raise LabError(f"{folder} lies in memory; give pytest a --basetemp on a disk")


def run(command: list[str]) -> subprocess.CompletedProcess[str]:
    """Run a system command and hand back what it said.

    Raises:
        LabError: it failed; the message carries its words.
    """
    done = subprocess.run(
        command, check=False, capture_output=True, text=True, env={**os.environ, "PATH": _path()}
    )
    if done.returncode != 0:
        words = (done.stderr or done.stdout).strip()
        raise LabError(f"{' '.join(command)}: exit {done.returncode}: {words}")
    return done


def mount_points() -> list[bytes]:
    """Every mount point of this process, in the kernel's order."""
    lines = Path("/proc/self/mountinfo").read_bytes().splitlines()
    return [_unescaped(line.split(b" ")[4]) for line in lines]


def is_mounted(place: Path) -> bool:
    """Whether something is mounted exactly there."""
    return os.fsencode(place.absolute()) in mount_points()


def mounted_below(folder: Path) -> list[str]:
    """Mount points at or below ``folder``."""
    head = os.fsencode(folder.absolute())
    found = [place for place in mount_points() if place == head or place.startswith(head + b"/")]
    return [os.fsdecode(place) for place in found]


def wait_mounted(place: Path) -> None:
    """Wait until something is mounted at ``place`` (a FUSE server may say so a moment late)."""
    deadline = time.monotonic() + WAIT_S
    while not is_mounted(place):
        if time.monotonic() > deadline:
            raise LabError(f"nothing was mounted at {place}")
        time.sleep(0.005)


def unmount(place: Path, *, wait_s: float = WAIT_S) -> None:
    """Unmount.

    Args:
        place: the mount point.
        wait_s: how long a holder that is just ending may take.

    Raises:
        LabError: it is still held; the message names the processes.
    """
    deadline = time.monotonic() + wait_s
    while True:
        done = subprocess.run(["umount", os.fspath(place)], check=False, capture_output=True)
        if done.returncode == 0:
            return
        words = done.stderr.decode(errors="replace").strip()
        if "busy" not in words or time.monotonic() > deadline:
            raise LabError(f"{words} (held by {', '.join(holders(place)) or 'nobody to be seen'})")
        time.sleep(0.02)


def unmount_lazy(place: Path) -> None:
    """Take a mount out of the tree at once."""
    run(["umount", "-l", os.fspath(place)])


def holders(place: Path) -> list[str]:
    """Processes with an open file, map, root or working folder at or below ``place``."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and _holds(entry, os.fspath(place.absolute())):
            with contextlib.suppress(OSError):
                name = (entry / "comm").read_text().strip()
                found.append(f"{name} {entry.name}")
    return found


def _holds(process: Path, place: str) -> bool:
    try:
        links = [process / "cwd", process / "root", *(process / "fd").iterdir()]
        links += (process / "map_files").iterdir()
    except OSError:
        return False
    for link in links:
        with contextlib.suppress(OSError):
            target = os.readlink(link)
            if target == place or target.startswith(place + "/"):
                return True
    return False


def serving_process(device: str) -> int:
    """The process that serves a block device's file system from user space.

    Raises:
        LabError: none has the device open.
    """
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit() or int(entry.name) == os.getpid():
            continue
        try:
            if any(os.readlink(link) == device for link in (entry / "fd").iterdir()):
                return int(entry.name)
        except OSError:
            continue
    raise LabError(f"no process serves {device}")


def syncfs(descriptor: int) -> None:
    """Bring down all that one file system has not written yet.

    Raises:
        OSError: as the system says.
    """
    if _libc.syncfs(descriptor) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def _path() -> str:
    return os.environ.get("PATH", "/usr/bin:/bin") + ":/usr/sbin:/sbin"


def _unescaped(text: bytes) -> bytes:
    return re.sub(rb"\\([0-7]{3})", lambda found: bytes([int(found.group(1), 8)]), text)
