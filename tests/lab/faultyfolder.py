"""The folder that the faulty file system passes through, operation by operation.

Each operation is counted, may be struck by the plan's faults, and is then done on the store.
"""

import ctypes
import ctypes.util
import errno
import os
import signal
import stat
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

# Only the third version of the library passes the flags of an exclusive rename on.
_found = ctypes.util.find_library("fuse3")
if _found:
    os.environ.setdefault("FUSE_LIBRARY_PATH", _found)

import mfusepy  # noqa: E402

from tests.lab.faulteffects import (  # noqa: E402
    spoilt_listing,
    spoilt_reading,
    spoilt_writing,
)
from tests.lab.faultnames import Names  # noqa: E402
from tests.lab.faultplan import WRITING, Fault, Plan, Quirks  # noqa: E402
from tests.lab.faultstore import Store  # noqa: E402
from tests.lab.writelog import FLUSH, WRITE, Writer  # noqa: E402

_UTIME_NOW = (1 << 30) - 1
_UTIME_OMIT = (1 << 30) - 2
_AUTO_INVAL_DATA = 1 << 12  # FUSE_CAP_AUTO_INVAL_DATA, fuse_common.h
# The backing folder takes no aligned requests, and offsets come with every write.
_DROPPED_FLAGS = os.O_DIRECT | os.O_APPEND | os.O_CREAT | os.O_EXCL | os.O_NOATIME


@dataclass(slots=True)
class _Handle:
    path: bytes
    fd: int


class _Company:
    """Which processes belong to the test: its own and all that it has started."""

    def __init__(self, owner: int) -> None:
        self._owner = owner
        self._known: set[int] = set()

    def is_ours(self) -> bool:
        """Whether the operation being served was asked for by one of them, or by the kernel."""
        asking = mfusepy.fuse_get_context()[2]
        if asking == 0 or asking in self._known:
            return True
        above = asking
        while above > 1:
            if above == self._owner:
                self._known.add(asking)
                return True
            above = _parent(above)
        return False


class _Gate:
    """Where operations wait until they are released."""

    def __init__(self) -> None:
        self._condition = threading.Condition()
        self._waiting = 0
        self._round = 0
        self._outcome = ""

    def wait(self) -> None:
        """Wait for the next release; raises what it says."""
        with self._condition:
            mine = self._round
            self._waiting += 1
            self._condition.notify_all()
            self._condition.wait_for(lambda: self._round != mine)
            self._waiting -= 1
            outcome = self._outcome
        if outcome:
            raise _error(outcome)

    def release(self, outcome: str) -> None:
        """Let all go on, or fail with the error of that name."""
        with self._condition:
            self._outcome = outcome
            self._round += 1
            self._condition.notify_all()

    def is_reached(self, seconds: float) -> bool:
        """Whether an operation waits by then."""
        with self._condition:
            return self._condition.wait_for(lambda: self._waiting > 0, seconds)


class FaultyFolder(mfusepy.Operations):  # type: ignore[misc]
    """A folder passed through, with faults."""

    use_ns = True

    def __init__(self, root: bytes, quirks: Quirks, *, keeps_pages: bool, owner: int) -> None:
        self.keeps_pages = keeps_pages
        self._company = _Company(owner)
        self.store = Store(root, quirks)
        self.quirks = quirks
        self.names = Names(quirks, self.store.names)
        self.plan = Plan()
        self.gate = _Gate()
        self._handles: dict[int, _Handle] = {}
        self._lost: set[bytes] = set()
        self._earlier: dict[bytes, dict[int, int]] = {}
        self._recorder: Writer | None = None
        self._lock = threading.Lock()

    def init_with_config(self, conn_info: Any, config_3: Any) -> None:
        if self.keeps_pages and conn_info is not None:
            # Else the kernel drops a file's pages as soon as its modification time has moved.
            conn_info.want &= ~_AUTO_INVAL_DATA

    # --- the control's side

    def set_plan(self, faults: list[Fault]) -> None:
        """New faults; counters and log begin anew."""
        self.plan = Plan(faults)

    def become(self, quirks: Quirks) -> None:
        """Be another kind of drive from now on; what is stored stays, the device too."""
        self.quirks = quirks
        self.store.become(quirks)
        self.names = Names(quirks, self.store.names)

    def give_back(self, names: list[str]) -> None:
        """Let lost entries be found again."""
        self._lost -= {os.fsencode(name) for name in names} if names else set(self._lost)

    def record(self, path: str) -> None:
        """Keep every write and every flush from now on in a log."""
        self._recorder = Writer(path)

    # --- looking

    def facts_of(self, path: str | None, fh: int | None) -> os.stat_result:
        """What is asked for most by far; the library's server fills it in."""
        with self._met("getattr", path, fh=-1 if fh is None else fh) as real:
            if fh is not None:
                return os.fstat(fh)
            with self.store.at(real) as (folder, name):
                return os.stat(name, dir_fd=folder, follow_symlinks=False)

    def getattr(self, path: str | None, fh: int | None = None) -> os.stat_result:
        """Only so that the library knows that there is one."""
        return self.facts_of(path, fh)

    def access(self, path: str, amode: int) -> int:
        with self._met("access", path):
            return 0

    def readlink(self, path: str) -> str:
        with self._met("readlink", path) as real, self.store.at(real) as (folder, name):
            return os.fsdecode(os.readlink(name, dir_fd=folder))

    def statfs(self, path: str) -> dict[str, int]:
        with self._met("statfs", path):
            return self.store.room()

    def opendir(self, path: str) -> int:
        with self._met("opendir", path):
            return 0

    def readdir(self, path: str, fh: int) -> list[tuple[str, dict[str, int], int]]:
        with self._met("readdir", path) as real, self._faults() as faults:
            entries = [
                (self.names.listed(name), mode, inode)
                for name, mode, inode in self.store.entries(real)
                if _joined(real, name) not in self._lost
            ]
            for fault in faults:
                entries = spoilt_listing(entries, fault)
        listed = [
            (os.fsdecode(name), {"st_mode": mode, "st_ino": inode}, 0)
            for name, mode, inode in entries
        ]
        return [(".", {"st_mode": stat.S_IFDIR}, 0), ("..", {"st_mode": stat.S_IFDIR}, 0), *listed]

    def releasedir(self, path: str, fh: int) -> int:
        with self._met("releasedir", path):
            return 0

    # --- files

    def open(self, path: str, flags: int) -> int:
        is_writing = flags & os.O_ACCMODE != os.O_RDONLY or flags & os.O_TRUNC
        with self._met("open-writing" if is_writing else "open", path) as real:
            mode = os.O_RDWR if is_writing else os.O_RDONLY
            kept = flags & ~_DROPPED_FLAGS & ~os.O_ACCMODE
            with self.store.at(real) as (folder, name):
                fd = os.open(name, mode | kept | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
            return self._handled(fd, real)

    def create(self, path: str, mode: int, flags: int = 0) -> int:
        with self._met("create", path) as real:
            how = os.O_RDWR | os.O_CREAT | (flags & os.O_EXCL) | os.O_NOFOLLOW | os.O_CLOEXEC
            with self.store.at(real) as (folder, name):
                fd = os.open(name, how, mode, dir_fd=folder)
            return self._handled(fd, real)

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        with self._met("read", path, offset, size, fh=fh), self._faults() as faults:
            data = self.store.read(fh, size, offset)
            for fault in faults:
                data = self._spoilt_reading(data, offset, fh, fault)
            return data

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        with self._met("write", path, offset, len(data), fh=fh) as real, self._faults() as faults:
            if self.plan.has_effect("stale"):
                self._remember(real, fh, offset, len(data))
            stored, told = data, len(data)
            for fault in faults:
                stored = spoilt_writing(stored, offset, fault)
                if fault.effect == "short":
                    told = len(stored)
            taken = self.store.write(fh, stored, offset) if stored else 0
            if self._recorder:
                self._recorder.add(WRITE, offset, stored[:taken])
            if taken < len(stored):
                return taken
            self.store.grow(fh, offset + told)
            return told

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        with self._met("truncate", path, length, fh=-1 if fh is None else fh) as real:
            if fh is not None:
                self.store.resize(fh, length)
                return 0
            with self.store.at(real) as (folder, name):
                fd = os.open(name, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
            try:
                self.store.resize(fd, length)
            finally:
                os.close(fd)
            return 0

    def flush(self, path: str, fh: int) -> int:
        with self._met("flush", path, fh=fh), self._faults() as faults:
            for fault in faults:
                if fault.effect == "cut":
                    os.ftruncate(fh, max(0, os.fstat(fh).st_size - fault.length))
            return 0

    def fsync(self, path: str, datasync: int, fh: int) -> int:
        with self._met("fsync", path, fh=fh):
            if self._recorder:
                self._recorder.add(FLUSH)
            return 0

    def fsyncdir(self, path: str, datasync: int, fh: int) -> int:
        with self._met("fsyncdir", path):
            return 0

    def release(self, path: str, fh: int) -> int:
        try:
            with self._met("release", path, fh=fh):
                return 0
        finally:
            with self._lock:
                self._handles.pop(fh, None)
            os.close(fh)

    # --- names

    def mkdir(self, path: str, mode: int) -> int:
        with self._met("mkdir", path) as real, self.store.at(real) as (folder, name):
            os.mkdir(name, mode, dir_fd=folder)
            return 0

    def mknod(self, path: str, mode: int, dev: int) -> int:
        with self._met("mknod", path) as real, self.store.at(real) as (folder, name):
            os.mknod(name, mode, dev, dir_fd=folder)
            return 0

    def rmdir(self, path: str) -> int:
        with self._met("rmdir", path) as real, self.store.at(real) as (folder, name):
            os.rmdir(name, dir_fd=folder)
            return 0

    def unlink(self, path: str) -> int:
        with self._met("unlink", path) as real, self.store.at(real) as (folder, name):
            facts = os.stat(name, dir_fd=folder, follow_symlinks=False)
            os.unlink(name, dir_fd=folder)
            self.store.removed(facts)
            return 0

    def rename(self, old: str, new: str, flags: int = 0) -> int:
        with self._met("rename", old, other=new) as real:
            self.store.rename(real, self.names.real(_raw(new)), flags)
            return 0

    def link(self, target: str, source: str) -> int:
        with self._met("link", target) as real, self.store.at(real) as (folder, name):
            with self.store.at(self.names.real(_raw(source))) as (from_folder, from_name):
                os.link(from_name, name, src_dir_fd=from_folder, dst_dir_fd=folder)
            return 0

    def symlink(self, target: str, source: str) -> int:
        with self._met("symlink", target) as real, self.store.at(real) as (folder, name):
            os.symlink(os.fsencode(source), name, dir_fd=folder)
            return 0

    # --- facts

    def chmod(self, path: str, mode: int) -> int:
        with self._met("chmod", path) as real, self.store.at(real) as (folder, name):
            os.chmod(name, stat.S_IMODE(mode), dir_fd=folder)
            return 0

    def chown(self, path: str, uid: int, gid: int) -> int:
        with self._met("chown", path) as real, self.store.at(real) as (folder, name):
            os.chown(name, uid, gid, dir_fd=folder, follow_symlinks=False)
            return 0

    def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
        with self._met("utimens", path) as real, self.store.at(real) as (folder, name):
            now = os.stat(name, dir_fd=folder, follow_symlinks=False)
            if times is None:
                os.utime(name, dir_fd=folder, follow_symlinks=False)
                return 0
            chosen = (_time(times[0], now.st_atime_ns), _time(times[1], now.st_mtime_ns))
            os.utime(name, ns=chosen, dir_fd=folder, follow_symlinks=False)
            return 0

    # --- inner

    @contextmanager
    def _met(
        self,
        op: str,
        path: str | None,
        offset: int = 0,
        size: int = 0,
        *,
        fh: int = -1,
        other: str = "",
    ) -> Iterator[bytes]:
        """Count one operation, let faults strike that concern any, and hand on its real path."""
        if path is None:
            # The library knows no path for a file that is open and has been removed.
            held = self._handles.get(fh)
            path = os.fsdecode(held.path) if held else ""
        if not self._company.is_ours():
            # Some other program looks at every new mount: it must neither count nor be struck.
            self._struck.faults = []
            yield self.names.real(_raw(path))
            return
        shown = path.lstrip("/") + (f" -> {other.lstrip('/')}" if other else "")
        plan = self.plan
        faults = plan.meet(op, shown, offset, size)
        self._struck.faults = faults
        for fault in faults:
            self._strike_before(fault)
        real = self.names.real(_raw(path))
        if any(real == lost or real.startswith(lost + b"/") for lost in self._lost):
            raise OSError(errno.ENOENT, os.strerror(errno.ENOENT))
        if self.quirks.is_read_only and op in WRITING:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        yield real
        for fault in faults:
            self._strike_after(fault)

    _struck = threading.local()

    @contextmanager
    def _faults(self) -> Iterator[list[Fault]]:
        yield self._struck.faults

    def _strike_before(self, fault: Fault) -> None:
        if fault.effect == "errno":
            raise _error(fault.errno)
        if fault.effect == "hang":
            self.gate.wait()
        if fault.effect == "kill":
            os.kill(fault.victim, signal.SIGKILL)
            raise _error("EIO")

    def _strike_after(self, fault: Fault) -> None:
        if fault.effect == "lose":
            self._lost.add(os.fsencode(fault.name))
        if fault.effect == "forget":
            self.store.forget(os.fsencode(fault.name))
        if fault.effect == "errno_after":
            raise _error(fault.errno)
        if fault.effect == "kill_after":
            os.kill(fault.victim, signal.SIGKILL)

    def _handled(self, fd: int, path: bytes) -> int:
        with self._lock:
            self._handles[fd] = _Handle(path, fd)
        return fd

    def _remember(self, path: bytes, fd: int, offset: int, size: int) -> None:
        """Keep what lies where a write is going to, byte by byte, for a stale reading."""
        old = os.pread(fd, size, offset).ljust(size, b"\0")
        kept = self._earlier.setdefault(path, {})
        for at, byte in enumerate(old):
            kept.setdefault(offset + at, byte)

    def _spoilt_reading(self, data: bytes, offset: int, fh: int, fault: Fault) -> bytes:
        if fault.effect == "stale":
            kept_bytes = self._earlier.get(self._handles[fh].path, {})
            return bytes(kept_bytes.get(offset + at, byte) for at, byte in enumerate(data))
        return spoilt_reading(data, offset, fault)


def _parent(process: int) -> int:
    """The process that a thread belongs to, else the one that started the process; 0 at the end."""
    try:
        with open(f"/proc/{process}/status", encoding="ascii", errors="replace") as file:
            facts = dict(line.split(":", 1) for line in file)
    except OSError:
        return 0
    leader = int(facts["Tgid"])
    return leader if leader != process else int(facts["PPid"])


def _raw(path: str) -> bytes:
    return os.fsencode(path).lstrip(b"/")


def _joined(folder: bytes, name: bytes) -> bytes:
    return folder + b"/" + name if folder else name


def _error(name: str) -> OSError:
    number = getattr(errno, name)
    return OSError(number, os.strerror(number))


def _time(told: int, now_ns: int) -> int:
    if told == _UTIME_OMIT:
        return now_ns
    if told == _UTIME_NOW:
        return time.time_ns()
    return told
