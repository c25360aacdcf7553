"""Who keeps a volume from being unmounted: processes with something open on it.

Sources: proc_pid_fd(5), proc_pid_fdinfo(5) (``mnt_id``), proc_pid_cwd(5), proc_pid_maps(5);
lsof(8), "output for other programs", elsewhere. Another user's processes can be looked into by the
superuser alone; for anybody else they stay unseen.
"""

import contextlib
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from offload.values.paths import shown, to_text
from offload.volumes.commands import Runner, run

_MAX_HOLDERS = 20
_MAX_MAPS = 1 << 22
_COMMAND_S = 10.0


@dataclass(frozen=True, slots=True)
class Holder:
    """One process that holds a volume.

    Attributes:
        pid: its id.
        name: its name as the system has it, outside text.
        what: what it holds: ``open file``, ``working folder``, ``mapped file``, ``root folder``.
        path: what it has open; empty where that is not told.
    """

    pid: int
    name: str
    what: str
    path: bytes = b""

    def __str__(self) -> str:
        who = "this program itself" if self.pid == os.getpid() else shown(self.name)
        where = f" {to_text(self.path)}" if self.path else ""
        return f"{who} (process {self.pid}): {self.what}{where}"


def find_holders(mount_point: bytes, runner: Runner = run) -> tuple[Holder, ...]:
    """Processes that hold the volume mounted there, one entry each, at most twenty."""
    if sys.platform != "linux":
        told = runner(["lsof", "-F", "pcfn", "+f", "--", mount_point], _COMMAND_S)
        return parse_lsof(told.output)[:_MAX_HOLDERS]
    return tuple(islice(_linux_holders(mount_point), _MAX_HOLDERS))


def parse_lsof(output: bytes) -> tuple[Holder, ...]:
    """Holders from ``lsof -F pcfn``: one field a line, its letter first."""
    found: dict[int, Holder] = {}
    pid, name, what = 0, "", "open file"
    for line in output.split(b"\n"):
        letter, value = line[:1], line[1:]
        if letter == b"p" and value.isdigit():
            pid, name, what = int(value), "", "open file"
        elif letter == b"c":
            name = value.decode("utf-8", "surrogateescape")
        elif letter == b"f":
            what = _KINDS.get(value, "open file")
        elif letter == b"n" and pid and pid not in found:
            found[pid] = Holder(pid, name, what, value)
    return tuple(found.values())


_KINDS = {b"cwd": "working folder", b"rtd": "root folder", b"txt": "mapped file"}


def _linux_holders(mount_point: bytes) -> Iterator[Holder]:
    for entry in sorted(os.listdir("/proc"), key=lambda name: (len(name), name)):
        if entry.isdigit():
            held = _held_by(entry, mount_point)
            if held is not None:
                yield Holder(int(entry), _name_of(entry), *held)


def _held_by(pid: str, mount_point: bytes) -> tuple[str, bytes] | None:
    """What the first thing is that a process holds below the mount point."""
    for link, what in (("cwd", "working folder"), ("root", "root folder")):
        path = _target(f"/proc/{pid}/{link}")
        if _is_below(path, mount_point):
            return what, path
    with contextlib.suppress(OSError):
        for name in os.listdir(f"/proc/{pid}/fd"):
            path = _target(f"/proc/{pid}/fd/{name}")
            if _is_below(path, mount_point):
                return "open file", path
    for path in _mapped(pid):
        if _is_below(path, mount_point):
            return "mapped file", path
    return None


def _mapped(pid: str) -> Iterator[bytes]:
    try:
        with open(f"/proc/{pid}/maps", "rb") as file:
            lines = file.read(_MAX_MAPS).split(b"\n")
    except OSError:
        return
    for line in lines:
        fields = line.split(None, 5)
        if len(fields) == 6:
            yield fields[5].replace(b"\\012", b"\n")


def _target(link: str) -> bytes:
    try:
        return os.fsencode(os.readlink(link))
    except OSError:
        return b""


def _is_below(path: bytes, mount_point: bytes) -> bool:
    return path == mount_point or path.startswith(mount_point.rstrip(b"/") + b"/")


def _name_of(pid: str) -> str:
    try:
        with open(f"/proc/{pid}/comm", "rb") as file:
            return file.read(64).decode("utf-8", "surrogateescape").rstrip("\n")
    except OSError:
        return ""
