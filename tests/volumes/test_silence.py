"""A drive that is only slow is not silent; one that answers nothing is, after the limit."""

import contextlib
import errno
import gc
import threading
import weakref
from collections.abc import Iterator

import pytest

from offload.volumes.bounded import BoundedCalls
from offload.volumes.silence import FellSilentError, Silence, while_answering

LIMIT_S = 30.0


class Clock:
    """Seconds that pass when they are told to."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def hung() -> Iterator[threading.Event]:
    event = threading.Event()
    yield event
    event.set()


def looks(silence: Silence, clock: Clock, seconds: float, step_s: float = 0.5) -> bool:
    """Look as one who waits does, for so long; whether it was silent at any look."""
    found = False
    for _ in range(int(seconds / step_s)):
        clock.now += step_s
        found = silence.is_silent() or found
    return found


class Opened:
    """Stands for a file that is closed when nobody has it any more."""


@pytest.fixture
def _no_collecting() -> Iterator[None]:
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("_no_collecting")
@pytest.mark.parametrize("way", ["while answering", "within a time"])
def test_error_keeps_nothing_that_its_step_had_open(way: str) -> None:
    """A file would stay open, and its drive could not be ejected, until Python collects."""
    opened: list[weakref.ref[Opened]] = []

    def fail() -> None:
        content = Opened()
        opened.append(weakref.ref(content))
        raise OSError(errno.EIO, "input/output error")

    with contextlib.suppress(OSError):
        if way == "while answering":
            while_answering(fail, Silence(lambda: None, LIMIT_S))
        else:
            BoundedCalls().call("folder", fail, LIMIT_S)
    (content,) = opened
    assert content() is None


def test_unanswered_question_is_silence_after_the_limit(hung: threading.Event) -> None:
    clock = Clock()
    silence = Silence(hung.wait, LIMIT_S, clock=clock)
    assert not looks(silence, clock, LIMIT_S)
    assert looks(silence, clock, 1.0)


def test_bytes_that_move_are_an_answer(hung: threading.Event) -> None:
    """A server that does one thing at a time syncs for minutes; its device is seen to work."""
    clock = Clock()
    silence = Silence(hung.wait, LIMIT_S, moved=lambda: int(clock.now / 20), clock=clock)
    assert not looks(silence, clock, 10 * LIMIT_S)


def test_bytes_that_we_moved_are_an_answer(hung: threading.Event) -> None:
    clock = Clock()
    silence = Silence(hung.wait, LIMIT_S, clock=clock)
    for _ in range(20):
        assert not looks(silence, clock, LIMIT_S - 1)
        silence.heard()


def test_program_that_stood_still_has_heard_nothing_and_says_nothing(hung: threading.Event) -> None:
    clock = Clock()
    silence = Silence(hung.wait, LIMIT_S, clock=clock)
    assert not looks(silence, clock, 10)
    clock.now += 3600
    assert not silence.is_silent()
    assert looks(silence, clock, LIMIT_S + 1)


def test_refusal_is_an_answer() -> None:
    def refuse() -> None:
        raise OSError

    clock = Clock()
    silence = Silence(refuse, 0.2, clock=clock)
    for _ in range(20):
        clock.now += 0.1
        silence.is_silent()
        while (thread := silence._asking) is not None and thread.is_alive():
            thread.join()
    assert not silence.is_silent()


def test_step_that_takes_long_is_waited_for_while_the_drive_answers() -> None:
    silence = Silence(lambda: None, 0.5)
    assert while_answering(lambda: threading.Event().wait(2.0) or "done", silence) == "done"


def test_step_is_left_behind_once_the_drive_is_silent(hung: threading.Event) -> None:
    with pytest.raises(FellSilentError, match="does not answer") as caught:
        while_answering(hung.wait, Silence(hung.wait, 0.5))
    assert caught.value.thread.is_alive()
    hung.set()
    caught.value.thread.join(10)
    assert not caught.value.thread.is_alive()


def test_error_of_a_step_is_raised() -> None:
    def fail() -> None:
        raise PermissionError("no")

    with pytest.raises(PermissionError, match="no"):
        while_answering(fail, Silence(lambda: None, 5.0))
