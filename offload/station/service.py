"""The station at work: one thread that decides, and one for each thing that may take long.

It takes what the watcher sees and what its threads have found out, in the order in which they
come; each of them is a small step, so that it is never held up by a card, a drive or a share. What
it knows of each volume stands in the ledger's queue, for every face; after a kill the queue is made
anew from what is mounted, and unfinished runs go on.
"""

import os
import queue
import time
from collections.abc import Callable

from offload.errors import LedgerError, OffloadError, SettingsError
from offload.jobs.pulsing import PULSE_S
from offload.ledger import pulse as pulses
from offload.ledger.lease import take_station
from offload.ledger.locks import Holder
from offload.station.events import (
    SettingsRefused,
    SettingsTaken,
    Slept,
    StationStarted,
    StationStopping,
    Trouble,
)
from offload.station.means import Means
from offload.station.memory import give_back, keep_few_pools
from offload.station.orders import OrderBook
from offload.station.reception import Reception
from offload.volumes.suspend import SleepGauge
from offload.volumes.watch import (
    Appeared,
    Left,
    Restless,
    Settled,
    VolumeEvent,
    Watcher,
    WatchFailed,
)

_WAIT_S = 0.25
_LOOK_S = 2.0
_STOP_S = 4.0
"""A service has to be down within five seconds of being told."""


class WatchEndedError(OffloadError):
    """Volumes are not noticed any more; by the system's doing."""

    code = "watch-ended"


class Station:
    """One station on one ledger.

    Args:
        book: the orders.
        means: see there.
    """

    def __init__(self, book: OrderBook, means: Means) -> None:
        self._book = book
        self._means = means
        self._posted: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._is_woken = False
        self._gauge = SleepGauge()
        self._pulsed: set[int] = set()
        self._pulse_at = self._look_at = 0.0
        self._stop_why = ""
        self._said_trouble = ""
        self._has_worked = False
        self.reception = Reception(book, means, self._post, self._trouble)

    def stop(self, why: str) -> None:
        """Ask the station to stop; may be called from a signal handler."""
        self._stop_why = self._stop_why or why

    def tell(self, text: str) -> None:
        """Have a sentence told; from any thread."""
        self._post(lambda: self._means.sink(Trouble(text)))

    def _post(self, work: Callable[[], None]) -> None:
        """Have something done in the station's own thread, at once; from any thread."""
        self._posted.put(work)
        if not self._is_woken:
            # Once is enough, however much is posted until it looks.
            self._is_woken = True
            self._means.watcher.wake()

    def run(self) -> None:
        """Work until asked to stop.

        Raises:
            BusyError: a station keeps this ledger already.
            LedgerError: no lease can be taken here.
            WatchEndedError: volumes are not noticed any more.
        """
        keep_few_pools()
        machine = self._means.surroundings
        holder = Holder(machine.pid, machine.host, machine.now_ns())
        with take_station(self._means.ledger.home, holder), self._means.watcher as watcher:
            self._means.sink(StationStarted(machine.pid, self._means.ledger.home))
            self._take_over()
            self._means.notifier.ready("watching for cards")
            try:
                while not self._stop_why:
                    self._turn(watcher)
            finally:
                self._end()

    def _turn(self, watcher: Watcher) -> None:
        event = watcher.next(_WAIT_S if self._posted.empty() else 0.0)
        if event is not None:
            self._has_worked = True
            self._take(event)
        self._do_posted()
        self._means.notifier.alive()
        now = time.monotonic()
        if now >= self._pulse_at:
            self._pulse_at = now + PULSE_S
            self._write_pulses()
        if now >= self._look_at:
            self._look_at = now + _LOOK_S
            self._look_around()
        self.reception.runs.begin_runs()

    def _take(self, event: VolumeEvent) -> None:
        match event:
            case Appeared(volume):
                self.reception.came(volume)
            case Settled(volume, is_empty, problem):
                self.reception.settled(volume, is_empty=is_empty, problem=problem)
            case Restless(volume):
                self.reception.restless(volume)
            case Left(volume):
                self.reception.left(volume)
            case WatchFailed(reason):
                raise WatchEndedError(
                    f"volumes are not noticed any more: {reason}",
                    meaning="Cards that are put in now are not seen.",
                    remedy="Start the station again: offload watch",
                )

    def _do_posted(self) -> None:
        self._is_woken = False
        while True:
            try:
                work = self._posted.get_nowait()
            except queue.Empty:
                return
            self._has_worked = True
            work()

    def _look_around(self) -> None:
        slept = self._gauge.gap_s()
        if slept:
            self._means.sink(Slept(slept))
        try:
            if self._book.refresh():
                self._means.sink(SettingsTaken(self._book.path))
                self.reception.reordered()
        except SettingsError as error:
            self._means.sink(SettingsRefused(self._book.path, str(error)))
        self.reception.look_around()
        self._means.notifier.status(self.reception.summary())
        if self._has_worked and not self.reception.runs.is_any_at_work:
            self._has_worked = False
            give_back()

    def _write_pulses(self) -> None:
        home, now_ns = self._means.ledger.home, self._means.surroundings.now_ns()
        written: set[int] = set()
        for pulse in self.reception.runs.pulses(now_ns):
            pulses.write(home, pulse)
            written.add(pulse.offload)
        for gone in self._pulsed - written:
            pulses.remove(home, gone)
        self._pulsed = written

    def _take_over(self) -> None:
        """What an earlier station left behind: pulses, places in line, cards that have left."""
        home = self._means.ledger.home
        for pulse in pulses.read_all(home):
            if pulse.pid == os.getpid() or not _is_alive(pulse.pid):
                pulses.remove(home, pulse.offload)
        try:
            self.reception.take_over()
        except LedgerError as error:
            self._trouble(error)

    def _end(self) -> None:
        self._means.notifier.stopping()
        self._means.sink(StationStopping(self._stop_why or "a fault"))
        deadline = time.monotonic() + _STOP_S
        for run in self.reception.runs.stop_runs():
            run.wait_ended(max(0.0, deadline - time.monotonic()))
        self._do_posted()
        home = self._means.ledger.home
        for number in self._pulsed:
            pulses.remove(home, number)

    def _trouble(self, error: OffloadError) -> None:
        text = str(error)
        if text != self._said_trouble:
            self._said_trouble = text
            self._means.sink(Trouble(text))


def _is_alive(pid: int) -> bool:
    if pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
