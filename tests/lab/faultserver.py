"""The process that serves the faulty file system; started and driven by ``faultfs``.

    python -m tests.lab.faultserver '{"mountpoint": ..., "control": 5, ...}'

A socket inherited from the parent carries one JSON request a line and one answer a line. When the
parent is gone the mount is taken out of the tree and the process ends: nothing is left behind.
"""

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any

from tests.lab.faultplan import Fault, Quirks
from tests.lab.faultyfolder import FaultyFolder, mfusepy


class _Fuse(mfusepy.FUSE):  # type: ignore[misc]
    """The library, with the flags of a rename handed on."""

    def rename_fuse_3(self, old: bytes, new: bytes, flags: int) -> int:
        before, after = os.fsdecode(old), os.fsdecode(new)
        return int(self.operations.rename(before, after, flags))


class Control:
    """Answers the parent's requests, one JSON object a line."""

    def __init__(self, folder: FaultyFolder, link: socket.socket, mountpoint: str) -> None:
        self._folder = folder
        self._link = link
        self._mountpoint = mountpoint
        self._answers: dict[str, Callable[[dict[str, Any]], Any]] = {
            "ping": lambda _: True,
            "plan": self._plan,
            "report": lambda _: folder.plan.report(),
            "release": lambda asked: folder.gate.release(asked["errno"]),
            "reached": lambda asked: folder.gate.is_reached(asked["seconds"]),
            "record": lambda asked: folder.record(asked["path"]),
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
