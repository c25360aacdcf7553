"""What rides along with the copying pass: checksums, and the map of zero blocks."""

import threading
import time
from queue import SimpleQueue

from offload.checksum import Hasher
from offload.transfer.results import Digests, ZeroRuns
from offload.transfer.ring import Piece, Ring, Slot

ZERO_BLOCK = 1 << 16
"""Bytes; damage shows as whole clusters of zeros, silence and black seldom do."""

_ZEROS = bytes(ZERO_BLOCK)


def note_zeros(runs: ZeroRuns, number: int, offset: int, view: memoryview) -> None:
    """Note the zero blocks in one stretch of a file, wherever it begins.

    Blocks are those of the file. What of one lies in two stretches is noted in two parts, which
    join when both are zeros; a run shorter than a block is half of one that was not.

    Args:
        runs: takes them.
        number: of the entry.
        offset: of the stretch in the file, bytes; stretches come in order.
        view: the bytes.
    """
    start = 0
    while start < len(view):
        end = min(len(view), start + ZERO_BLOCK - (offset + start) % ZERO_BLOCK)
        if view[start] == 0 and view[start:end] == _ZEROS[: end - start]:
            runs.add(number, offset + start, end - start)
        start = end


class ChecksumTap(threading.Thread):
    """Works out one checksum of every file that passes; with ``zero_runs`` notes zero blocks too.

    Attributes:
        error: what ended it, if it did not end well; to be raised by who started it.
        busy_s: seconds spent on the bytes.
    """

    def __init__(
        self,
        name: str,
        ring: Ring,
        queue: "SimpleQueue[Slot | None]",
        digests: Digests,
        zero_runs: ZeroRuns | None = None,
    ) -> None:
        super().__init__(name=f"checksum-{name}", daemon=True)
        self._algorithm = name
        self._ring = ring
        self._queue = queue
        self._digests = digests
        self._zero_runs = zero_runs
        self._hasher = Hasher(name)
        self.error: Exception | None = None
        self.busy_s = 0.0

    def run(self) -> None:
        while (slot := self._queue.get()) is not None:
            began = time.monotonic()
            try:
                if self.error is None:
                    for piece in slot.pieces:
                        self._take(piece, slot)
            except Exception as error:  # noqa: BLE001  # a thread's edge: the pump raises it
                self.error = error
            finally:
                self._ring.release(slot)
            self.busy_s += time.monotonic() - began

    def _take(self, piece: Piece, slot: Slot) -> None:
        if piece.item.is_folder:
            return
        if piece.is_first:
            self._hasher = Hasher(self._algorithm)
        view = slot.bytes_of(piece)
        if piece.length:
            self._hasher.update(view)
            if self._zero_runs is not None:
                self._note_zeros(piece, view)
        if piece.is_last and not piece.is_void:
            self._digests.put(self._algorithm, piece.item.number, self._hasher.digest())

    def _note_zeros(self, piece: Piece, view: memoryview) -> None:
        assert self._zero_runs is not None
        for start in range(0, piece.length - ZERO_BLOCK + 1, ZERO_BLOCK):
            if view[start] == 0 and view[start : start + ZERO_BLOCK] == _ZEROS:
                self._zero_runs.add(piece.item.number, piece.offset + start, ZERO_BLOCK)
