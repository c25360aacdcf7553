"""What a job works with, beside what is asked of it."""

from dataclasses import dataclass, field

from offload.errors import OffloadError
from offload.events import Sink, no_sink
from offload.jobs.surroundings import Surroundings
from offload.ledger.database import Ledger
from offload.record.keys import SigningKey
from offload.transfer.counters import Progress
from offload.transfer.plan import IsStopped


class StoppedError(OffloadError):
    """The user wanted to stop; the same command goes on from there."""

    code = "stopped"
    exit_code = 130


def _never() -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Tools:
    """What a job works with.

    Attributes:
        ledger: the station's memory.
        key: signs the record.
        surroundings: the machine.
        progress: counters for faces.
        sink: takes the events.
        is_stopped: whether the user wants to stop.
        identity: who signs, for ``allowed_signers``.
    """

    ledger: Ledger
    key: SigningKey
    surroundings: Surroundings = field(default_factory=Surroundings)
    progress: Progress = field(default_factory=Progress)
    sink: Sink = no_sink
    is_stopped: IsStopped = _never
    identity: str = "station"
