"""What wakes the watcher: it only saves waiting; the mount table decides.

Linux signals every change of its mount table to whoever polls it (proc_pid_mountinfo(5)). Elsewhere
the folders where volumes appear are watched. A folder watch sees neither a mount made below a
folder that was there before, nor all that happens after an unmounting, so a slow reading of the
table goes on beside it.
"""

import contextlib
import os
import select
import sys
import threading
from collections.abc import Iterable
from typing import Protocol

from offload.volumes.mountinfo import TABLE


class Signal(Protocol):
    """Waits for a reason to look."""

    def wait(self, timeout_s: float) -> None:
        """Return when something may have changed, when woken, or after the time."""

    def wake(self) -> None:
        """Let :meth:`wait` return now; from any thread."""

    def close(self) -> None:
        """Give back what is held."""


class MountTableSignal:
    """The kernel's own signal on Linux."""

    def __init__(self, table: bytes = TABLE) -> None:
        self._table = os.open(table, os.O_RDONLY | os.O_CLOEXEC)
        self._woken, self._waker = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._poll = select.poll()
        self._poll.register(self._table, select.POLLPRI | select.POLLERR)
        self._poll.register(self._woken, select.POLLIN)
        # A late waking must never write to a number that has become another file's by then.
        self._lock = threading.Lock()
        self._is_closed = False

    def wait(self, timeout_s: float) -> None:
        """Wait for a change of the mount table since the last waiting."""
        for fd, _ in self._poll.poll(timeout_s * 1000):
            if fd == self._woken:
                self._drain()

    def wake(self) -> None:
        """End the waiting; many wakings are one."""
        with self._lock, contextlib.suppress(BlockingIOError):  # full of wakings already
            if not self._is_closed:
                os.write(self._waker, b"\0")

    def close(self) -> None:
        """Close the table and the pipe; nobody may wait any more."""
        with self._lock:
            if self._is_closed:
                return
            self._is_closed = True
            for fd in (self._table, self._woken, self._waker):
                os.close(fd)

    def _drain(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while os.read(self._woken, 4096):
                continue


class FolderSignal:
    """Watched folders, for systems that signal no change of their mount table."""

    def __init__(self, folders: Iterable[bytes]) -> None:
        from watchdog.events import FileSystemEvent, FileSystemEventHandler
        from watchdog.observers import Observer

        self._is_changed = threading.Event()
        is_changed = self._is_changed

        class _Handler(FileSystemEventHandler):
            def on_any_event(self, event: FileSystemEvent) -> None:  # noqa: ARG002 - its interface
                is_changed.set()

        self._observer = Observer()
        for folder in folders:
            if os.path.isdir(folder):
                # Not below: that would hold the card and keep it from being ejected.
                self._observer.schedule(_Handler(), os.fsdecode(folder), recursive=False)
        self._observer.start()

    def wait(self, timeout_s: float) -> None:
        """Wait for a change in one of the folders."""
        self._is_changed.wait(timeout_s)
        self._is_changed.clear()

    def wake(self) -> None:
        """End the waiting."""
        self._is_changed.set()

    def close(self) -> None:
        """Stop watching."""
        self._observer.stop()
        self._observer.join()


class TimerSignal:
    """Nothing but time, where nothing else can be had."""

    def __init__(self) -> None:
        self._is_woken = threading.Event()

    def wait(self, timeout_s: float) -> None:
        """Wait for the time to pass."""
        self._is_woken.wait(timeout_s)
        self._is_woken.clear()

    def wake(self) -> None:
        """End the waiting."""
        self._is_woken.set()

    def close(self) -> None:
        """Nothing is held."""


def system_signal() -> Signal:
    """The best signal of this system."""
    if sys.platform == "darwin":
        return FolderSignal([b"/Volumes"])
    if sys.platform == "win32":
        # Drive letters appear in no folder.
        return TimerSignal()
    return MountTableSignal()
