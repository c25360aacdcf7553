"""A file system that never answers must hold up nobody and must not pile up threads."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from offload.volumes.bounded import BoundedCalls, NotAnsweringError


class Dead:
    """A call that hangs until it is released."""

    def __init__(self) -> None:
        self.release = threading.Event()
        self.is_entered = threading.Event()
        self.entered = 0

    def __call__(self) -> int:
        self.entered += 1
        self.is_entered.set()
        self.release.wait(30)
        return 7


def test_result_and_error_come_through() -> None:
    calls = BoundedCalls()
    assert calls.call("a", lambda: 5, 5.0) == 5
    with pytest.raises(ZeroDivisionError):
        calls.call("a", lambda: 1 // 0, 5.0)


def test_dead_one_leaves_one_thread_only() -> None:
    calls, dead = BoundedCalls(), Dead()
    try:
        for _ in range(5):
            with pytest.raises(NotAnsweringError):
                calls.call("dead", dead, 0.02)
        assert dead.entered == 1
        assert calls.call("well", lambda: 1, 5.0) == 1
    finally:
        dead.release.set()


def test_it_is_asked_again_once_it_answers() -> None:
    calls, dead = BoundedCalls(), Dead()
    with pytest.raises(NotAnsweringError):
        calls.call("dead", dead, 0.02)
    assert calls.is_stuck("dead")
    dead.release.set()
    while calls.is_stuck("dead"):
        time.sleep(0.001)
    assert calls.call("dead", dead, 5.0) == 7


def test_many_at_once_and_the_dead_among_them() -> None:
    calls, dead = BoundedCalls(), Dead()

    def refused() -> int:
        raise OSError(5, "input/output error")

    try:
        found = calls.call_all({"a": lambda: 1, "b": dead, "c": refused, "d": lambda: 4}, 2.0)
        assert found == {"a": 1, "b": None, "c": None, "d": 4}
        assert calls.call_all({"a": lambda: 2, "b": dead}, 5.0) == {"a": 2, "b": None}
        assert dead.entered == 1
    finally:
        dead.release.set()


def test_result_that_comes_too_late_is_discarded() -> None:
    calls, dead = BoundedCalls(), Dead()
    taken: list[int] = []
    is_taken = threading.Event()

    def discard(value: int) -> None:
        taken.append(value)
        is_taken.set()

    with pytest.raises(NotAnsweringError):
        calls.call("dead", dead, 0.02, discard)
    dead.release.set()
    assert is_taken.wait(30)
    assert taken == [7]


def test_too_many_dead_ones_are_refused_at_once() -> None:
    calls, dead = BoundedCalls(), Dead()
    try:
        for number in range(64):
            with pytest.raises(NotAnsweringError):
                calls.call(number, dead, 0.001)
        with pytest.raises(NotAnsweringError, match="64 earlier"):
            calls.call("next", lambda: 1, 5.0)
    finally:
        dead.release.set()


def test_second_asker_waits_for_the_first() -> None:
    calls = BoundedCalls()
    first = Dead()
    results: list[int] = []
    asker = threading.Thread(target=lambda: results.append(calls.call("k", first, 10.0)))
    asker.start()
    assert first.is_entered.wait(30)
    threading.Timer(0.05, first.release.set).start()
    assert calls.call("k", lambda: 8, 10.0) == 8
    asker.join(30)
    assert results == [7]


def test_many_who_ask_the_same_at_once_are_all_answered() -> None:
    """Several runs open one drive at the same moment."""
    calls = BoundedCalls()

    def ask(number: int) -> int:
        def answer() -> int:
            time.sleep(0.02)
            return number

        return calls.call("drive", answer, 60.0)

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(ask, range(8))) == list(range(8))
