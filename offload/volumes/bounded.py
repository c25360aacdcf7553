"""Calls into file systems that may never answer, bounded in time.

A call to a dead server cannot be cancelled: its thread stays until the kernel lets go of it. So at
most one thread is left behind for each thing asked, none is started for a thing while its last one
is still stuck, and all are daemons, which do not keep the program from ending.
"""

import threading
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

T = TypeVar("T")

_MAX_STUCK = 64


class NotAnsweringError(TimeoutError):
    """No answer in time, or none yet to an earlier call."""


class _Call(Generic[T]):
    def __init__(self, function: Callable[[], T], discard: Callable[[T], None] | None) -> None:
        self._function = function
        self._discard = discard
        self._lock = threading.Lock()
        self._is_done = threading.Event()
        self._is_given_up = False
        self._result: list[T] = []
        self._error: BaseException | None = None

    def run(self) -> None:
        try:
            result = self._function()
        except BaseException as error:  # noqa: BLE001 - handed to whoever waits
            self._error = error
        else:
            self._keep(result)
        self._is_done.set()

    def wait(self, timeout_s: float) -> T:
        if not self._is_done.wait(timeout_s):
            with self._lock:
                self._is_given_up = not self._result
            if self._is_given_up:
                raise NotAnsweringError(f"no answer within {timeout_s:g} s")
        if self._error is not None:
            raise self._error
        return self._result[0]

    def _keep(self, result: T) -> None:
        with self._lock:
            if not self._is_given_up:
                self._result.append(result)
                return
        if self._discard is not None:
            self._discard(result)


class BoundedCalls:
    """Runs calls in threads of their own and stops waiting after a while."""

    def __init__(self) -> None:
        self._threads: dict[Hashable, threading.Thread] = {}
        self._lock = threading.Lock()

    def call(
        self,
        key: Hashable,
        function: Callable[[], T],
        timeout_s: float,
        discard: Callable[[T], None] | None = None,
    ) -> T:
        """What ``function`` returns or raises.

        Args:
            key: what is asked, such as a mounting; one call at a time is under way for each.
            function: the call.
            timeout_s: seconds to wait for an earlier call, and again for this one.
            discard: takes a result that came after nobody waited any more, such as a descriptor.

        Raises:
            NotAnsweringError: no answer in time, or too many calls are stuck already.
        """
        call = _Call(function, discard)
        earlier = self._start(key, call)
        if earlier is not None:
            earlier.join(timeout_s)
            if self._start(key, call) is not None:
                raise NotAnsweringError("an earlier call has not been answered yet")
        return call.wait(timeout_s)

    def _start(self, key: Hashable, call: _Call[T]) -> threading.Thread | None:
        """Start the call, or hand back the thread that is still at an earlier one."""
        with self._lock:
            self._threads = {k: t for k, t in self._threads.items() if t.is_alive()}
            if key in self._threads:
                return self._threads[key]
            if len(self._threads) >= _MAX_STUCK:
                raise NotAnsweringError(f"{_MAX_STUCK} earlier calls have not been answered yet")
            thread = threading.Thread(target=call.run, name="bounded-call", daemon=True)
            thread.start()
            self._threads[key] = thread
            return None


CALLS = BoundedCalls()
"""The program's one set: what is stuck for one part is stuck for all."""
