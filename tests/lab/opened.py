"""Which files are opened, as the kernel tells it (inotify): shows that something was not read."""

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from watchdog.events import FileOpenedEvent, FileSystemEvent, FileSystemEventHandler
from watchdog.observers.inotify import InotifyObserver


class Opened(FileSystemEventHandler):
    """The files that somebody opens, as the kernel tells them."""

    def __init__(self, last: Path) -> None:
        self.paths: list[str] = []
        self.is_over = threading.Event()
        self._last = os.fspath(last)

    def on_opened(self, event: FileSystemEvent) -> None:
        assert isinstance(event, FileOpenedEvent)
        if event.src_path == self._last:
            self.is_over.set()
        else:
            self.paths.append(os.fsdecode(event.src_path))


@contextmanager
def opened_below(folder: Path) -> Iterator[list[str]]:
    """Paths of the files below a folder that are opened meanwhile, by whatever process.

    Whole only when the context has ended: then all that came before has been told.
    """
    last = folder / "last"
    last.write_bytes(b"")
    seen = Opened(last)
    observer = InotifyObserver()
    observer.schedule(seen, str(folder), recursive=True)
    observer.start()
    try:
        yield seen.paths
        last.read_bytes()
        assert seen.is_over.wait(20)
    finally:
        observer.stop()
        observer.join()
        last.unlink()
