"""A plain directory as the record's folder, to read and to write; for tests only."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import BinaryIO

from offload.record.folder import Result


class PlainFolder:
    """Both interfaces over a directory of the test; its writing need not outlast a power cut."""

    def __init__(self, path: object) -> None:
        self.path = os.fsencode(path)  # type: ignore[arg-type]

    @contextmanager
    def open(self, path: bytes) -> Iterator[BinaryIO]:
        fd = os.open(self._at(path), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with open(fd, "rb") as stream:
            yield stream

    def names(self, path: bytes) -> list[bytes]:
        return os.listdir(self._at(path))

    def folders(self, path: bytes) -> list[bytes]:
        with os.scandir(self._at(path)) as entries:
            return [entry.name for entry in entries if entry.is_dir(follow_symlinks=False)]

    def is_folder(self, path: bytes) -> bool:
        where = self._at(path)
        return os.path.isdir(where) and not os.path.islink(where)

    def write_new(self, path: bytes, fill: Callable[[BinaryIO], Result]) -> Result:
        os.makedirs(os.path.dirname(self._at(path)), exist_ok=True)
        with open(self._at(path), "xb") as out:
            return fill(out)

    def replace(self, path: bytes, content: bytes) -> None:
        with open(self._at(path), "wb") as out:
            out.write(content)

    def put(self, path: bytes, content: bytes) -> None:
        """A file of the test."""
        os.makedirs(os.path.dirname(self._at(path)), exist_ok=True)
        self.replace(path, content)

    def content(self, path: bytes) -> bytes:
        """What is in a file."""
        with self.open(path) as stream:
            return stream.read()

    def _at(self, path: bytes) -> bytes:
        return self.path + b"/" + path if path else self.path
