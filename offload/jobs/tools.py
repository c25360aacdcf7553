"""What a job works with, beside what is asked of it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from offload.card.layout import LayoutRule
from offload.errors import OffloadError
from offload.events import Sink, no_sink
from offload.jobs.placing import Place
from offload.jobs.surroundings import Surroundings
from offload.ledger.database import Ledger
from offload.record.keys import SigningKey
from offload.transfer.counters import Progress
from offload.transfer.plan import IsStopped
from offload.values.findings import Finding

WritePage = Callable[[int, Sequence[Place], int], Sequence[Finding]]


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
        write_page: writes a roll's page beside its record when the verdict is in the ledger; takes
            the roll's number, the places and the time (ns), gives back what went wrong.
        layouts: by which a card is known; the built-in ones when left out.
    """

    ledger: Ledger
    key: SigningKey
    surroundings: Surroundings = field(default_factory=Surroundings)
    progress: Progress = field(default_factory=Progress)
    sink: Sink = no_sink
    is_stopped: IsStopped = _never
    identity: str = "station"
    write_page: WritePage | None = None
    layouts: tuple[LayoutRule, ...] | None = None
