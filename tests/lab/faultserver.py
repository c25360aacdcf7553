"""The process that serves the faulty file system; started and driven by ``faultfs``.

    python -m tests.lab.faultserver '{"mountpoint": ..., "control": 5, ...}'

A socket inherited from the parent carries one JSON request a line and one answer a line. When the
parent is gone the mount is taken out of the tree and the process ends: nothing is left behind.
"""

import ctypes
import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any

from tests.lab.faultplan import Fault, Quirks
from tests.lab.faultstore import BLOCK
from tests.lab.faultyfolder import FaultyFolder, mfusepy

_thread = threading.local()
_STAT_BYTES = ctypes.sizeof(mfusepy.c_stat)


class _Fuse(mfusepy.FUSE):  # type: ignore[misc]
    """The library, with the flags of a rename handed on, and quicker."""

    def _wrapper(self, func: Any, *args: Any, **kwargs: Any) -> Any:
        if not hasattr(_thread, "is_kept"):
            # Else the interpreter makes and takes away its state for the library's thread with
            # each operation, which maps and unmaps memory: a good part of what one costs.
            ctypes.pythonapi.PyGILState_Ensure()
            _thread.is_kept = True
        return super()._wrapper(func, *args, **kwargs)

    def fgetattr(self, path: bytes | None, buf: Any, fip: Any) -> int:
        ctypes.memset(buf, 0, _STAT_BYTES)
        facts = buf.contents
        handle = fip.contents.fh if fip else None
        name = None if path is None else os.fsdecode(path)
        found = self.operations.facts_of(name, handle)
        grain = self.operations.quirks.time_grain_ns
        mtime_ns = found.st_mtime_ns
        facts.st_mode, facts.st_ino, facts.st_nlink = found.st_mode, found.st_ino, found.st_nlink
        facts.st_uid, facts.st_gid, facts.st_rdev = found.st_uid, found.st_gid, found.st_rdev
        facts.st_size, facts.st_blocks, facts.st_blksize = found.st_size, found.st_blocks, BLOCK
        _fill(facts.st_atimespec, found.st_atime_ns)
        _fill(facts.st_mtimespec, mtime_ns // grain * grain)
        _fill(facts.st_ctimespec, found.st_ctime_ns)
        return 0

    def rename_fuse_3(self, old: bytes, new: bytes, flags: int) -> int:
        before, after = os.fsdecode(old), os.fsdecode(new)
        return int(self.operations.rename(before, after, flags))


def _fill(time: Any, told_ns: int) -> None:
    time.tv_sec, time.tv_nsec = divmod(told_ns, 1_000_000_000)


class Control:
    """Answers the parent's requests, one JSON object a line."""

    def __init__(self, folder: FaultyFolder, link: socket.socket, mountpoint: str) -> None:
        self._folder = folder
        self._link = link
        self._mountpoint = mountpoint
        self._answers: dict[str, Callable[[dict[str, Any]], Any]] = {
            "ping": lambda _: True,
            "plan": self._plan,
            "report": lambda asked: folder.plan.report(asked.get("ops")),
            "release": lambda asked: folder.gate.release(asked["errno"]),
            "reached": lambda asked: folder.gate.is_reached(asked["seconds"]),
            "record": lambda asked: folder.record(asked["path"]),
            "become": lambda asked: folder.become(Quirks(**asked["quirks"])),
            "give_back": lambda asked: folder.give_back(asked["names"]),
        }

    def serve(self) -> None:
        """Answer until the parent is gone, then take the mount away and end."""
        with self._link.makefile("rw", encoding="utf-8", errors="surrogateescape") as file:
            for line in file:
                asked = json.loads(line)
                answer = self._answers[asked["do"]](asked)
                file.write(json.dumps(answer) + "\n")
                file.flush()
        self._folder.gate.release("EIO")
        subprocess.run(["umount", "-l", self._mountpoint], check=False, stderr=subprocess.DEVNULL)
        os._exit(0)

    def _plan(self, asked: dict[str, Any]) -> bool:
        self._folder.set_plan([Fault(**fault) for fault in asked["faults"]])
        return True


def main(options: dict[str, Any]) -> None:
    """Serve until unmounted."""
    os.umask(0)
    quirks = Quirks(**options["quirks"])
    keeps_pages = options["keeps_pages"]
    root = os.fsencode(options["root"])
    folder = FaultyFolder(root, quirks, keeps_pages=keeps_pages, owner=os.getppid())
    link = socket.socket(fileno=options["control"])
    control = Control(folder, link, options["mountpoint"])
    threading.Thread(target=control.serve, daemon=True).start()
    times = 1.0 if options["caches_facts"] else 0.0
    more: dict[str, Any] = {"fsname": options["source"] or "faultfs", "subtype": "faultfs"}
    if options["source"].startswith("/dev/"):
        more: dict[str, Any] = {"fsname": options["source"], "blkdev": True}
    if mfusepy.fuse_version_major >= 3:
        # Hanging operations each keep a thread; the others must go on.
        more |= {"max_threads": 64, "max_idle_threads": 10}
    _Fuse(
        folder,
        options["mountpoint"],
        foreground=True,
        allow_other=True,
        default_permissions=True,
        use_ino=True,
        hard_remove=True,
        direct_io=options["direct_io"],
        kernel_cache=keeps_pages,
        attr_timeout=times,
        entry_timeout=times,
        negative_timeout=0.0,
        **more,
    )
    os._exit(0)


if __name__ == "__main__":
    main(json.loads(sys.argv[1]))
