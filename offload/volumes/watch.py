"""The watcher: a thread that tells which volumes come, settle and leave.

The mount table decides; signals only wake it. Nothing that could hang happens in the watcher's own
thread: each volume is described and looked at in a thread of its own, so a dead share delays only
itself. It holds nothing on any volume between two looks.
"""

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

from offload.volumes import settle
from offload.volumes.bounded import BoundedCalls, NotAnsweringError
from offload.volumes.sessions import (
    Appeared,
    Left,
    Pace,
    Restless,
    Sessions,
    Settled,
    VolumeEvent,
    WatchFailed,
)
from offload.volumes.settle import Look
from offload.volumes.signals import Signal, system_signal
from offload.volumes.table import Table, system_table
from offload.volumes.volume import Mounting

__all__ = [
    "Appeared",
    "Left",
    "Pace",
    "Restless",
    "Settled",
    "VolumeEvent",
    "WatchFailed",
    "Watcher",
]

_LOOK_S = 10.0
_TRIES = 5
_STOP_S = 2.0

_Answer = Callable[[float], list[VolumeEvent]]


class Watcher:
    """Watches from :meth:`start` to :meth:`stop`; volumes already mounted appear first.

    Args:
        table: reads the mount table.
        signal: wakes the watcher; closed by it.
        pace: how long things take.
        clock: seconds, only ever growing.
    """

    def __init__(
        self,
        table: Table | None = None,
        signal: Signal | None = None,
        pace: Pace | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._table = table or system_table()
        self._signal = signal or system_signal()
        self._pace = pace or Pace()
        self._clock = clock
        self._sessions = Sessions(self._pace)
        self._calls = BoundedCalls()
        self._answers: queue.SimpleQueue[_Answer] = queue.SimpleQueue()
        self._events: queue.SimpleQueue[VolumeEvent | None] = queue.SimpleQueue()
        self._is_stopping = threading.Event()
        self._failures = 0
        self._looking: list[threading.Thread] = []
        self._thread = threading.Thread(target=self._watch, name="volume-watcher", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def stop(self) -> None:
        """Stop watching and wait for the thread; safe to call twice."""
        if self._is_stopping.is_set():
            return
        self._is_stopping.set()
        self._signal.wake()
        if self._thread.ident is not None:
            self._thread.join()
        # A look that is under way has a folder open, which would keep a card from being ejected.
        deadline = time.monotonic() + _STOP_S
        for thread in self._looking:
            thread.join(max(0.0, deadline - time.monotonic()))
        self._signal.close()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def next(self, timeout_s: float) -> VolumeEvent | None:
        """The next event, in the order in which things happened.

        None when none came in time, or when whoever waits was woken.
        """
        try:
            return self._events.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def wake(self) -> None:
        """Whoever waits for the next event has something else to do; from any thread."""
        self._events.put(None)

    def _watch(self) -> None:
        try:
            while not self._is_stopping.is_set():
                self._step()
                self._signal.wait(self._sessions.wait_s(self._clock()))
        except Exception as error:  # noqa: BLE001 - a thread's edge: it becomes an event
            self._events.put(WatchFailed(f"{type(error).__name__}: {error}"))

    def _step(self) -> None:
        self._read_table()
        now = self._clock()
        while True:
            with contextlib.suppress(queue.Empty):
                self._tell(self._answers.get_nowait()(now))
                continue
            break
        for mounting in self._sessions.to_describe(now):
            self._begin(self._describe, mounting)
        for mounting in self._sessions.to_look_at(now):
            self._begin(self._look, mounting)

    def _read_table(self) -> None:
        """Take the mount table; one that cannot be read is tried again before giving up."""
        try:
            mountings = self._table.mountings()
        except OSError:
            self._failures += 1
            if self._failures >= _TRIES:
                raise
            return
        self._failures = 0
        self._tell(self._sessions.update(mountings, self._clock()))

    def _tell(self, events: list[VolumeEvent]) -> None:
        for event in events:
            self._events.put(event)

    def _begin(self, work: Callable[[Mounting], _Answer], mounting: Mounting) -> None:
        def run() -> None:
            try:
                answer = work(mounting)
            except Exception as error:  # noqa: BLE001 - a thread's edge: the watcher raises it
                answer = _raising(error)
            self._answers.put(answer)
            self._signal.wake()

        thread = threading.Thread(target=run, name="volume-look", daemon=True)
        thread.start()
        self._looking = [t for t in self._looking if t.is_alive()] + [thread]

    def _describe(self, mounting: Mounting) -> _Answer:
        try:
            volume = self._table.describe(mounting)
        except OSError:
            volume = None
        return lambda now: self._sessions.described(mounting, volume, now)

    def _look(self, mounting: Mounting) -> _Answer:
        place = mounting.mount_point
        try:
            look = self._calls.call(mounting.key, lambda: settle.look_at(place), _LOOK_S)
        except NotAnsweringError as error:
            look = Look(b"", False, f"the file system does not answer ({error})")
        return lambda now: self._sessions.looked(mounting, look, now)


def _raising(error: Exception) -> _Answer:
    def answer(now: float) -> list[VolumeEvent]:  # noqa: ARG001 - as every answer
        raise error

    return answer
