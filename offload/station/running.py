"""One offload under way, in a thread of its own."""

import threading
from collections.abc import Callable
from dataclasses import dataclass

from offload.errors import OffloadError
from offload.events import Event
from offload.jobs.outcome import Outcome
from offload.jobs.pulsing import PulseMaker
from offload.jobs.receive_result import Received
from offload.jobs.tools import Tools
from offload.jobs.wishes import Wish
from offload.ledger.pulse import Pulse
from offload.volumes.awake import Awake
from offload.volumes.eject import unmount
from offload.volumes.volume import Volume

Job = Callable[[Wish, Tools], Outcome | Received]
Post = Callable[[Callable[[], None]], None]
"""Has something done in the station's own thread."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How a run ended.

    Attributes:
        outcome: what it came to; nothing where no verdict could be given.
        received: what a delivery came to.
        error: why not.
        left_reader: the card was unmounted after it was cleared.
        eject_failure: why it was not, though it should have been; a sentence.
    """

    outcome: Outcome | None = None
    error: Exception | None = None
    left_reader: bool = False
    eject_failure: str = ""
    received: Received | None = None


class Running:
    """A run.

    Args:
        job: what to run.
        wish: what is asked of it.
        tools_for: makes the run's tools around its sink and its stop.
        post: see :data:`Post`.
        on_event: takes the run's events, in the station's thread.
        on_end: takes its end, in the station's thread.
        eject: the volume to unmount once it is cleared; None to leave it.

    Attributes:
        drives: names of the drives that take part.
        is_ejecting: the volume is about to leave by the station's own doing.
    """

    def __init__(
        self,
        job: Job,
        wish: Wish,
        tools_for: Callable[[Callable[[Event], None], Callable[[], bool]], Tools],
        post: Post,
        on_event: Callable[[Event], None],
        on_end: Callable[[Ended], None],
        eject: Volume | None = None,
    ) -> None:
        self.drives = frozenset(drive.name for drive in wish.drives if drive.path)
        self.is_ejecting = False
        self._job = job
        self._wish = wish
        self._post = post
        self._on_end = on_end
        self._eject = eject
        self._stop = threading.Event()
        self._tools = tools_for(
            lambda event: post(lambda: on_event(event)),
            self._stop.is_set,
        )
        self._pulses = PulseMaker(self._tools.progress, self._tools.surroundings.pid)
        # A daemon: a card that never answers must not keep the station from ending.
        self._thread = threading.Thread(target=self._run, name="offload", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Ask it to stop at the next block; what it has done stays and is gone on from."""
        self._stop.set()

    def wait_ended(self, timeout_s: float) -> bool:
        """Whether it has ended within this time."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def is_stopping(self) -> bool:
        """Whether it was asked to stop."""
        return self._stop.is_set()

    def know(self, *, roll: str = "", total_files: int = 0) -> None:
        """What its pulse is to say of it."""
        self._pulses.roll = roll or self._pulses.roll
        self._pulses.total_files = total_files or self._pulses.total_files

    def pulse(self, now_ns: int) -> Pulse | None:
        """Where it is now; nothing before the ledger knows it."""
        return self._pulses.pulse(now_ns)

    def _run(self) -> None:
        ended = self._worked()
        self._post(lambda: self._on_end(ended))

    def _worked(self) -> Ended:
        with _KeptAwake():
            try:
                outcome = self._job(self._wish, self._tools)
            except Exception as error:  # noqa: BLE001 - a thread's edge: it becomes the result
                return Ended(error=error)
        if isinstance(outcome, Received):
            return Ended(received=outcome)
        if self._eject is None or not outcome.verdict.is_cleared:
            return Ended(outcome)
        # Unmounted first, then the words: they hold for the card as it left the reader.
        self.is_ejecting = True
        try:
            unmount(self._eject)
        except OffloadError as error:
            self.is_ejecting = False
            return Ended(outcome, eject_failure=str(error))
        return Ended(outcome, left_reader=True)


class _KeptAwake:
    """The machine does not sleep while a run works; asking for that never delays it."""

    def __init__(self) -> None:
        self._awake = Awake("copying and proving a card")
        self._asking = threading.Thread(target=self._awake.start, name="awake", daemon=True)

    def __enter__(self) -> None:
        self._asking.start()

    def __exit__(self, *_: object) -> None:
        # Nor does letting go of it delay a verdict.
        threading.Thread(target=self._let_go, name="awake-end", daemon=True).start()

    def _let_go(self) -> None:
        self._asking.join()
        self._awake.stop()
