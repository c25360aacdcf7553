"""A fixed ring of aligned buffers between one reader and several consumers.

A slot holds pieces of one or of many files: a long clip fills slot after slot, short files share
one, so that a hand-over costs the same for either. A slot returns to the reader when the last
consumer has let go of it; the memory is the same whatever the card's size.
"""

import contextlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Self

from offload.storage.buffers import Buffers, Window, aligned
from offload.transfer.plan import Item

_TELL_S = 0.5


@dataclass(slots=True)
class Piece:
    """A stretch of one file within a slot.

    Attributes:
        item: the file.
        offset: in the file, bytes.
        start: in the slot, bytes, aligned.
        length: bytes; 0 for an empty file or a void end.
        is_first: the file begins here.
        is_last: the file ends here.
        is_void: the file could not be read whole: what has come of it is to be thrown away.
    """

    item: Item
    offset: int
    start: int
    length: int
    is_first: bool
    is_last: bool
    is_void: bool = False


class Slot:
    """One buffer and what lies in it.

    Attributes:
        window, view: the buffer.
        pieces: what lies in it, in the order of the card.
        used: bytes that are taken, aligned.
        under_way: stretches of it that the reader has asked for and not taken.
    """

    __slots__ = ("_lock", "_users", "pieces", "under_way", "used", "view", "window")

    def __init__(self, window: Window) -> None:
        self.window = window
        self.view = window.view
        self.pieces: list[Piece] = []
        self.used = 0
        self.under_way = 0
        self._users = 0
        self._lock = threading.Lock()

    @property
    def room(self) -> int:
        """Bytes left, aligned."""
        return len(self.view) - self.used

    def reserve(self, length: int) -> int:
        """Set so many bytes at the slot's end aside; where they begin."""
        start = self.used
        self.used = start + aligned(length)
        return start

    def window_of(self, piece: Piece) -> Window:
        """The whole blocks that were set aside for a piece."""
        return self.window.part(piece.start, aligned(piece.length))

    def bytes_of(self, piece: Piece) -> memoryview:
        """The bytes of one piece."""
        return self.view[piece.start : piece.start + piece.length]

    def lend(self, users: int) -> None:
        """Hand the slot to so many consumers."""
        self._users = users

    def give_back(self) -> bool:
        """One consumer is done; whether it was the last."""
        with self._lock:
            self._users -= 1
            return self._users == 0


def _nobody(seconds: float) -> None:
    """Nobody wants to know how long was waited."""


class Ring:
    """The buffers, the free ones among them, and a queue for each consumer."""

    def __init__(self, count: int, size_bytes: int, consumers: int) -> None:
        self._buffers = Buffers(count, size_bytes)
        self._free: SimpleQueue[Slot] = SimpleQueue()
        for window in self._buffers.windows:
            self._free.put(Slot(window))
        self.queues: list[SimpleQueue[Slot | None]] = [SimpleQueue() for _ in range(consumers)]
        self.on_wait: Callable[[float], None] = _nobody

    def take(self) -> Slot:
        """An empty slot; waits for the slowest consumer, and tells ``on_wait`` how long (s).

        A consumer that hangs is told of while it does.
        """
        while True:
            started = time.monotonic()
            try:
                slot = self._free.get(timeout=_TELL_S)
            except Empty:
                self.on_wait(time.monotonic() - started)
            else:
                self.on_wait(time.monotonic() - started)
                break
        slot.pieces = []
        slot.used = 0
        return slot

    @property
    def has_free(self) -> bool:
        """Whether a slot can be had without waiting."""
        return not self._free.empty()

    def publish(self, slot: Slot) -> None:
        """Hand a filled slot to every consumer."""
        if not slot.pieces or not self.queues:
            self._free.put(slot)
            return
        slot.lend(len(self.queues))
        for queue in self.queues:
            queue.put(slot)

    def leave(self, queue: "SimpleQueue[Slot | None]") -> None:
        """A consumer takes no more: what lies before it is let go of for it. The filler's thread.

        A consumer that hangs in its work keeps the one slot that it has in hand.
        """
        self.queues = [each for each in self.queues if each is not queue]
        with contextlib.suppress(Empty):
            while (slot := queue.get_nowait()) is not None:
                self.release(slot)
        queue.put(None)

    def release(self, slot: Slot) -> None:
        """A consumer is done with a slot."""
        if slot.give_back():
            self._free.put(slot)

    def end(self) -> None:
        """Tell every consumer that nothing more comes."""
        for queue in self.queues:
            queue.put(None)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        while not self._free.empty():
            self._free.get().view.release()
        self._buffers.close()
