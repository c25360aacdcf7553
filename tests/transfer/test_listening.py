"""Whoever fills the ring looks at every slot: the drives are asked now and then, not each time."""

import threading
import time

from offload.transfer.listening import Listening
from offload.volumes.silence import LOOK_S, Silence


class Busy:
    """A drive's thread that goes on."""

    is_silent = False
    done_bytes = 0

    def fall_silent(self, why: str) -> None:
        self.is_silent = True

    def is_alive(self) -> bool:
        return True

    def join(self, timeout: float | None = None) -> None:
        pass


def test_drive_is_not_asked_at_every_slot() -> None:
    questions: list[float] = []
    silence = Silence(lambda: questions.append(time.monotonic()), 30.0)
    listening = Listening({"shuttle-1": Busy()}, lambda _: silence)
    began = time.monotonic()
    while time.monotonic() - began < 2 * LOOK_S:
        listening.look()
        time.sleep(0.001)
    assert 1 <= len(questions) <= 4


def test_silence_is_noticed_all_the_same() -> None:
    hung = threading.Event()
    busy = Busy()
    listening = Listening({"server": busy}, lambda _: Silence(hung.wait, 0.5))
    until = time.monotonic() + 10
    while not busy.is_silent and time.monotonic() < until:
        listening.look()
        time.sleep(0.001)
    hung.set()
    assert busy.is_silent
