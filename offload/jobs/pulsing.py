"""Where a run is, as the small file that faces read: made from the passes' counters."""

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from offload.ledger import pulse as pulses
from offload.ledger.pulse import DrivePulse, Pulse
from offload.transfer.counters import Lane, Pass, Progress
from offload.transfer.estimate import time_left
from offload.values.paths import shown

PULSE_S = 0.5
_WINDOW_S = 4.0


@dataclass(slots=True)
class PulseMaker:
    """Makes the pulses of one run.

    Attributes:
        progress: the run's counters.
        pid: this process.
        roll: as it is called, unescaped; may be empty.
        total_files: on the card.
    """

    progress: Progress
    pid: int
    roll: str = ""
    total_files: int = 0
    _samples: dict[str, deque[tuple[float, int]]] = field(default_factory=dict)

    def pulse(self, now_ns: int) -> Pulse | None:
        """The run at this moment; nothing before the ledger knows it.

        Args:
            now_ns: nanoseconds since 1970.
        """
        if not self.progress.offload:
            return None
        counters = self._current()
        now = time.monotonic()
        rate = self._rate(counters, counters.card, now)
        left = time_left(self.progress)
        return Pulse(
            self.progress.offload,
            now_ns,
            self.pid,
            shown(self.roll),
            self.progress.step,
            counters.card.done_bytes,
            counters.card.total_bytes,
            counters.card.done_files,
            self.total_files,
            rate,
            _lane_left(counters.card, rate),
            now_ns + int(left.seconds * 1e9) if left is not None else 0,
            "",
            tuple(self._drive(counters, lane, now) for lane in counters.drives.values()),
        )

    def _current(self) -> Pass:
        copying, proving = self.progress.copying, self.progress.proving
        is_copying = bool(copying.started_ns and not copying.ended_ns)
        return proving if proving.started_ns and not is_copying else copying

    def _drive(self, counters: Pass, lane: Lane, now: float) -> DrivePulse:
        rate = self._rate(counters, lane, now)
        step = counters.step
        if lane.failure:
            step = "failed"
        elif lane.done_bytes >= lane.total_bytes:
            step = "done"
        return DrivePulse(
            shown(lane.name),
            step,
            lane.done_bytes,
            lane.total_bytes,
            rate,
            _lane_left(lane, rate),
            shown(lane.failure),
        )

    def _rate(self, counters: Pass, lane: Lane, now: float) -> float:
        """Bytes a second over the last few seconds."""
        samples = self._samples.setdefault(f"{counters.step} {lane.name}", deque())
        samples.append((now, lane.done_bytes))
        while len(samples) > 2 and now - samples[0][0] > _WINDOW_S:
            samples.popleft()
        then, before = samples[0]
        # A pass that is gone through once more begins its counters anew.
        moved = max(0, lane.done_bytes - before)
        return moved / (now - then) if now - then > 0.2 else 0.0


class PulseFile:
    """Keeps the pulse of one run, in a process that works on nothing else.

    Args:
        home: the ledger's folder.
        maker: of the pulses.
        now_ns: nanoseconds since 1970.
    """

    def __init__(self, home: bytes, maker: PulseMaker, now_ns: Callable[[], int]) -> None:
        self.maker = maker
        self._home = home
        self._now_ns = now_ns
        self._due_s = 0.0
        self._written: set[int] = set()

    def beat(self) -> None:
        """Write the pulse anew where it is time to; may be called as often as one likes."""
        if time.monotonic() < self._due_s:
            return
        self._due_s = time.monotonic() + PULSE_S
        pulse = self.maker.pulse(self._now_ns())
        if pulse is not None and pulses.write(self._home, pulse):
            self._written.add(pulse.offload)

    def end(self) -> None:
        """The run is over: nothing is left of it here."""
        for number in self._written:
            pulses.remove(self._home, number)


def _lane_left(lane: Lane, rate: float) -> float:
    return (lane.total_bytes - lane.done_bytes) / rate if rate > 0 else -1.0
