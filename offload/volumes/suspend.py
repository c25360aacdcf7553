"""How long the machine has slept: seen afterwards, by two clocks of which one stops.

Sources: clock_gettime(2) (``CLOCK_BOOTTIME`` goes on during sleep, ``CLOCK_MONOTONIC`` stops);
clock_gettime(3) of macOS (``CLOCK_MONOTONIC`` goes on, ``CLOCK_UPTIME_RAW`` stops).
"""

import time
from collections.abc import Callable

_GRAIN_S = 1.0


def slept_s() -> float | None:
    """Seconds slept since the machine started; None where the system tells nothing."""
    going = getattr(time, "CLOCK_BOOTTIME", None)
    stopping: int | None = getattr(time, "CLOCK_MONOTONIC", None)
    if going is None:
        going, stopping = stopping, getattr(time, "CLOCK_UPTIME_RAW", None)
    if going is None or stopping is None:
        return None
    return time.clock_gettime(going) - time.clock_gettime(stopping)


class SleepGauge:
    """Tells, each time it is asked, how long the machine slept since it was last asked.

    Args:
        slept: seconds slept since the machine started.
    """

    def __init__(self, slept: Callable[[], float | None] = slept_s) -> None:
        self._slept = slept
        self._before = slept()

    def gap_s(self) -> float:
        """Seconds slept since the last asking; 0 where nothing is told or it did not sleep."""
        now, before = self._slept(), self._before
        if now is None or before is None or now - before < _GRAIN_S:
            # Two clocks read one after the other differ a little; that is no sleep.
            return 0.0
        self._before = now
        return now - before
