"""Giving up the drives that fall silent while a pass waits for them."""

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from offload.volumes.silence import LOOK_S, Silence, words

SilenceOf = Callable[[str], Silence]
"""By a drive's name, a listener for this pass."""


class Worker(Protocol):
    """A drive's thread in a pass, as it is listened to."""

    @property
    def is_silent(self) -> bool:
        """It has been given up."""
        ...

    @property
    def done_bytes(self) -> int:
        """What it has moved."""
        ...

    def fall_silent(self, why: str) -> None:
        """Nobody waits for it any more."""
        ...

    def is_alive(self) -> bool:
        """Whether it has not ended."""
        ...

    def join(self, timeout: float | None = None) -> None:
        """Wait for its end."""
        ...


class Listening:
    """Listens to the drives of one pass. One thread's: that which waits for them."""

    def __init__(self, workers: Mapping[str, Worker], silence_of: SilenceOf | None) -> None:
        """
        Args:
            workers: by the drive's name.
            silence_of: nothing where drives are waited for however long they take.
        """
        self._workers = workers
        self._silences = {} if silence_of is None else {name: silence_of(name) for name in workers}
        self._done = {name: worker.done_bytes for name, worker in workers.items()}
        self._looked_at = 0.0

    def look(self) -> None:
        """Give up whoever is silent by now; may be called at every block."""
        now = time.monotonic()
        if now - self._looked_at < LOOK_S:
            return  # a question is a thread: not one for each block of a fast card
        self._looked_at = now
        for name, silence in self._silences.items():
            worker = self._workers[name]
            if worker.is_silent or not worker.is_alive():
                continue
            if worker.done_bytes != self._done[name]:
                self._done[name] = worker.done_bytes
                silence.heard()
            if silence.is_silent() and worker.is_alive():
                worker.fall_silent(words(silence.limit_s))

    def wait_for(self, workers: Sequence[Worker]) -> None:
        """Wait until each has ended or been given up."""
        for worker in workers:
            while worker.is_alive() and not worker.is_silent:
                worker.join(LOOK_S)
                self.look()
