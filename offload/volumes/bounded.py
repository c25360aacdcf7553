"""Calls into file systems that may never answer, bounded in time.

A call to a dead server cannot be cancelled: its thread stays until the kernel lets go of it. So at
most one thread is left behind for each thing asked, none is started for a thing while its last one
is still stuck, and all are daemons, which do not keep the program from ending.
"""

import contextlib
import threading
import time
from collections.abc import Callable, Hashable, Mapping
from typing import Any, Generic, TypeVar

T = TypeVar("T")

_MAX_STUCK = 64
_GRACE_S = 0.05


class NotAnsweringError(TimeoutError):
    """No answer in time, or none yet to an earlier call."""


class _Call(Generic[T]):
    def __init__(self, function: Callable[[], T], discard: Callable[[T], None] | None) -> None:
        self._function = function
        self._discard = discard
        self._lock = threading.Lock()
        self._is_done = threading.Event()
        self.is_given_up = False
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
                self.is_given_up = not self._result
            if self.is_given_up:
                raise NotAnsweringError(f"no answer within {timeout_s:g} s")
        if self._error is not None:
            # Kept by nobody: with it go the frames that it came through, and what is open in them.
            error, self._error = self._error, None
            try:
                raise error
            finally:
                del error
        return self._result[0]

    def _keep(self, result: T) -> None:
        with self._lock:
            if not self.is_given_up:
                self._result.append(result)
                return
        if self._discard is not None:
            self._discard(result)


class BoundedCalls:
    """Runs calls in threads of their own and stops waiting after a while."""

    def __init__(self) -> None:
        self._under_way: dict[Hashable, tuple[threading.Thread, _Call[Any]]] = {}
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
            timeout_s: seconds to wait for an earlier call that is under way, and for this one. One
                that has been given up is not waited for again.
            discard: takes a result that came after nobody waited any more, such as a descriptor.

        Raises:
            NotAnsweringError: no answer in time, or too many calls are stuck already.
        """
        return self._begin(key, function, timeout_s, discard).wait(timeout_s)

    def call_all(
        self, functions: Mapping[Hashable, Callable[[], T]], timeout_s: float
    ) -> dict[Hashable, T | None]:
        """Many calls at once, all within one time; None for what was refused or not answered.

        Args:
            functions: the calls by what is asked; an ``OSError`` of theirs is a refusal.
            timeout_s: seconds for all of them together.
        """
        begun: dict[Hashable, _Call[T]] = {}
        for key, function in functions.items():
            with contextlib.suppress(NotAnsweringError):
                begun[key] = self._begin(key, function, timeout_s, None)
        found: dict[Hashable, T | None] = dict.fromkeys(functions)
        deadline = time.monotonic() + timeout_s
        for key, call in begun.items():
            with contextlib.suppress(OSError):
                found[key] = call.wait(max(0.0, deadline - time.monotonic()))
        return found

    def _begin(
        self,
        key: Hashable,
        function: Callable[[], T],
        timeout_s: float,
        discard: Callable[[T], None] | None,
    ) -> _Call[T]:
        call = _Call(function, discard)
        deadline = time.monotonic() + timeout_s
        # Several may have waited for the same one: the quickest goes first, the others again.
        while (earlier := self._start(key, call)) is not None:
            thread, before = earlier
            left_s = max(0.0, deadline - time.monotonic())
            thread.join(_GRACE_S if before.is_given_up else left_s)
            if thread.is_alive():
                raise NotAnsweringError("an earlier call has not been answered yet")
        return call

    def is_stuck(self, key: Hashable) -> bool:
        """Whether a call for ``key`` has been given up and has still not come back."""
        with self._lock:
            thread, call = self._under_way.get(key, (None, None))
            return thread is not None and thread.is_alive() and bool(call and call.is_given_up)

    def _start(self, key: Hashable, call: _Call[T]) -> tuple[threading.Thread, _Call[Any]] | None:
        """Start the call, or hand back the one that is still under way."""
        with self._lock:
            self._under_way = {k: e for k, e in self._under_way.items() if e[0].is_alive()}
            if key in self._under_way:
                return self._under_way[key]
            if len(self._under_way) >= _MAX_STUCK:
                raise NotAnsweringError(f"{_MAX_STUCK} earlier calls have not been answered yet")
            thread = threading.Thread(target=call.run, name="bounded-call", daemon=True)
            thread.start()
            self._under_way[key] = (thread, call)
            return None


CALLS = BoundedCalls()
"""The program's one set: what is stuck for one part is stuck for all."""
