"""The log of every write and flush that a device received, in their order."""

import struct
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

WRITE, FLUSH = 1, 2
_HEAD = struct.Struct("=BQL")


@dataclass(frozen=True, slots=True)
class Request:
    """One request.

    Attributes:
        offset: byte offset of a write.
        data: what was written.
        is_flush: the device was told to bring down all it had received before.
    """

    offset: int
    data: bytes
    is_flush: bool


class Writer:
    """Appends requests to a file; safe for several threads."""

    def __init__(self, path: str) -> None:
        self._file = open(path, "ab", buffering=0)  # noqa: SIM115
        self._lock = threading.Lock()

    def add(self, kind: int, offset: int = 0, data: bytes = b"") -> None:
        """Append one request; it is in the log before it is answered."""
        with self._lock:
            self._file.write(_HEAD.pack(kind, offset, len(data)) + data)


def read(path: Path, end: int | None = None) -> Iterator[Request]:
    """Every request that lies whole within the first ``end`` bytes of a log, or in all of it."""
    at = 0
    with path.open("rb") as file:
        while len(head := file.read(_HEAD.size)) == _HEAD.size:
            kind, offset, length = _HEAD.unpack(head)
            data = file.read(length)
            at += _HEAD.size + length
            if len(data) < length or (end is not None and at > end):
                return
            yield Request(offset, data, kind == FLUSH)
