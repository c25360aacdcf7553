"""What the station works with; handed in, so that a test can hand in others."""

from collections.abc import Callable
from dataclasses import dataclass

from offload.events import Event
from offload.jobs.surroundings import Surroundings
from offload.jobs.tools import Tools
from offload.ledger.database import Ledger
from offload.station.events import StationSink
from offload.station.hooks import Hooks
from offload.station.notify import Notifier
from offload.station.running import Job
from offload.volumes.watch import Watcher


@dataclass(frozen=True, slots=True)
class Means:
    """What the station works with.

    Attributes:
        ledger: see there.
        surroundings: the machine.
        tools_for: makes a run's tools around its sink and its stop.
        offload: the job for a card.
        receive: the job for a delivery.
        hooks: the user's own commands.
        sink: takes the station's events, in its own thread.
        notifier: the service manager.
        watcher: sees volumes.
    """

    ledger: Ledger
    surroundings: Surroundings
    tools_for: Callable[[Callable[[Event], None], Callable[[], bool]], Tools]
    offload: Job
    receive: Job
    hooks: Hooks
    sink: StationSink
    notifier: Notifier
    watcher: Watcher
