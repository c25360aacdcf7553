"""A drive that somebody waits for: whether it is only slow, or answers nothing any more.

A call that hangs cannot be told from one that takes long, such as the sync of a gigabyte on a slow
drive. So the drive is asked a small question beside it, again and again. It is silent when for a
whole while no question came back, no byte was moved for us, and its device moved none either.
"""

import threading
import time
from collections.abc import Callable
from typing import TypeVar

from offload.volumes.bounded import NotAnsweringError

T = TypeVar("T")

LOOK_S = 0.25
"""How often whoever waits looks whether the drive is silent."""

_GAP_S = 5.0
"""Between two looks; after a longer one the program itself stood still, and it is no evidence."""


class FellSilentError(NotAnsweringError):
    """The drive answers nothing any more.

    Attributes:
        thread: hangs in a call to it, and goes on when that comes back.
    """

    def __init__(self, limit_s: float, thread: threading.Thread) -> None:
        super().__init__(words(limit_s))
        self.thread = thread


def words(limit_s: float) -> str:
    """What is said of a drive that has fallen silent.

    Args:
        limit_s: for how long nothing came from it, seconds.
    """
    return f"nothing came from it any more for {limit_s:g} s, and it does not answer"


class Silence:
    """Listens to one drive while somebody waits for it; never waits itself. One thread's.

    Args:
        question: a small call to the drive, carried out in a thread of its own; that it comes back
            is an answer, whatever it says.
        limit_s: seconds without an answer after which the drive is silent.
        moved: what grows while the drive moves bytes, such as its device's counters.
        clock: seconds.
    """

    def __init__(
        self,
        question: Callable[[], object],
        limit_s: float,
        moved: Callable[[], object] = lambda: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.limit_s = limit_s
        self._question = question
        self._moved = moved
        self._clock = clock
        self._moved_before = moved()
        self._heard_at = self._looked_at = clock()
        self._asking: threading.Thread | None = None

    def heard(self) -> None:
        """The drive has done something for us just now."""
        self._heard_at = self._clock()

    def is_silent(self) -> bool:
        """Whether nothing has come from the drive for the whole limit, in which we listened."""
        now = self._clock()
        if now - self._looked_at > _GAP_S:
            self._heard_at = now
        self._looked_at = now
        moved = self._moved()
        if moved != self._moved_before:
            self._moved_before = moved
            self._heard_at = now
        if self._asking is None or not self._asking.is_alive():
            if self._asking is not None:
                self._heard_at = now
            self._asking = threading.Thread(target=self._ask, name="drive-question", daemon=True)
            self._asking.start()
        return now - self._heard_at > self.limit_s

    def _ask(self) -> None:
        try:
            self._question()
        except OSError:
            # An error is an answer; what it means is told by the call that somebody waits for.
            return


def while_answering(step: Callable[[], T], silence: Silence) -> T:
    """What ``step`` returns or raises, waited for as long as the drive answers anything.

    Args:
        step: calls to one drive; carried out in a thread of its own.
        silence: of that drive.

    Raises:
        FellSilentError: it is silent. The thread goes on as soon as its call comes back: whatever
            it needs must be kept until then, and refuse it anything more.
    """
    results: list[T] = []
    errors: list[BaseException] = []

    def run() -> None:
        try:
            results.append(step())
        except BaseException as error:  # noqa: BLE001  # a thread's edge: raised by who waits
            errors.append(error)

    thread = threading.Thread(target=run, name="drive-step", daemon=True)
    thread.start()
    while True:
        thread.join(LOOK_S)
        if not thread.is_alive():
            break
        if silence.is_silent() and thread.is_alive():
            raise FellSilentError(silence.limit_s, thread)
    if errors:
        # Kept by nobody: with it go the frames that it came through, and what is open in them.
        raise errors.pop()
    return results[0]
