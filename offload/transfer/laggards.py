"""Whether one drive holds all the others up, so that it is better fed by itself afterwards.

The ring goes at the pace of its slowest drive. Where that is a small part of what the others could
do, they would be proven hours later than need be: the slow one then leaves the ring, keeps what it
has whole, and gets the rest from another reading of the card while the others are safe already.
"""

import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

WINDOW_S = 10.0
"""How long a drive may keep everybody waiting: a flash drive that tidies up takes some seconds."""

SHARE = 0.6
"""Of that time the reader waited for this drive alone: the others are some 2.5 times as fast."""

LEAST_GAIN_S = 20.0
"""What the others must gain by it: less is not worth another reading of the card."""


class Writer(Protocol):
    """One drive's side, as it is watched."""

    @property
    def waiting_slots(self) -> int:
        """Slots that lie before it."""
        ...

    @property
    def takes_part(self) -> bool:
        """Whether it still takes what comes."""
        ...

    @property
    def left_bytes(self) -> int:
        """What it has still to write."""
        ...

    @property
    def done_bytes(self) -> int:
        """What it has written."""
        ...

    def leave(self) -> None:
        """Take no more."""
        ...


class Laggards:
    """Watches how long the reader waits, and for whom. One thread's: the reader's."""

    def __init__(
        self, writers: Sequence[Writer], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._writers = writers
        self._clock = clock
        self._began = self._started = clock()
        self._waits: deque[tuple[float, float, Writer | None]] = deque()

    def waited(self, seconds: float) -> None:
        """The reader has just waited so long for an empty slot."""
        now = self._clock()
        self._waits.append((now, seconds, self._culprit()))
        while self._waits[0][0] < now - WINDOW_S:
            self._waits.popleft()
        if now - self._started < WINDOW_S:
            return
        for writer in {culprit for _, _, culprit in self._waits if culprit is not None}:
            share = sum(each for _, each, who in self._waits if who is writer) / WINDOW_S
            if share >= SHARE and self._gain_s(writer, share, now) >= LEAST_GAIN_S:
                writer.leave()
                # Whoever is next has a whole window of its own.
                self._waits.clear()
                self._started = now
                return

    def _culprit(self) -> Writer | None:
        """The one drive that has something before it, while another waits for more."""
        # Whoever has nothing more to write is held up by nobody.
        there = [each for each in self._writers if each.takes_part and each.left_bytes]
        behind = [writer for writer in there if writer.waiting_slots > 1]
        return behind[0] if len(behind) == 1 and len(there) > 1 else None

    def _gain_s(self, writer: Writer, share: float, now: float) -> float:
        """How much sooner the others would be done without it, at the least."""
        elapsed_s = now - self._began
        if not writer.done_bytes:
            return LEAST_GAIN_S
        return share * writer.left_bytes * elapsed_s / writer.done_bytes
