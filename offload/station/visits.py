"""One volume's stay, from its mounting to its leaving, as the station knows it."""

from dataclasses import dataclass, field

from offload.jobs.arriving import Arrival
from offload.ledger.queue import Queued, Stage
from offload.station.events import Subject
from offload.station.lanes import InLine
from offload.station.running import Running
from offload.values.paths import shown
from offload.volumes.volume import Volume


@dataclass(slots=True)
class Visit:
    """One stay. Belongs to the station's own thread.

    Attributes:
        volume: as it appeared.
        mounting: its key.
        since_ns: since when it is in line.
        stage: what becomes of it.
        why: a phrase, safe to show: what it waits for, how it ended; what to do in further lines.
        waits_for: names of the drives that it waits for.
        readers: what it shares its speed by.
        kind: what it is; empty until it was looked at.
        problem: why it could not be looked into, a sentence; else empty.
        arrival: once it was met as a card.
        offload: number of the last run in the ledger; 0 before one is known.
        run: under way.
        roll, code: as far as known.
        is_safe: the last verdict in this mounting cleared it.
        is_listed_safe: it is listed as when an earlier verdict cleared it.
        is_received: all of a delivery is where it should be, or was told not to be as sent.
        has_left: it is out, and only its run has not ended yet.
        retry_at_s: not before this moment; monotonic.
    """

    volume: Volume
    mounting: str
    since_ns: int
    stage: Stage = Stage.SETTLING
    why: str = ""
    waits_for: tuple[str, ...] = ()
    readers: frozenset[str] = field(default_factory=frozenset)
    kind: str = ""
    problem: str = ""
    arrival: Arrival | None = None
    offload: int = 0
    run: Running | None = None
    roll: str = ""
    code: str = ""
    is_safe: bool = False
    is_listed_safe: bool = False
    is_received: bool = False
    has_left: bool = False
    retry_at_s: float = 0.0

    @property
    def is_card(self) -> bool:
        """Whether it is worked on as a card."""
        return self.arrival is not None

    @property
    def is_delivery(self) -> bool:
        """Whether it is somebody else's copy with their records on it."""
        return self.kind == "delivery"

    @property
    def is_open(self) -> bool:
        """Whether other drives or settings may bring it further: a card that nothing cleared."""
        is_over = self.stage in (Stage.DONE, Stage.DRIVE_MISSING)
        if self.is_delivery:
            return self.stage is Stage.DRIVE_MISSING
        return self.is_card and is_over and not (self.is_safe or self.is_listed_safe)

    @property
    def card(self) -> int:
        """The card's number in the ledger; 0 where it is not known."""
        return self.arrival.card if self.arrival is not None else 0

    @property
    def subject(self) -> Subject:
        """What events name it by."""
        return Subject(
            self.mounting, self.volume.mount_point, self.volume.label, self.roll, self.code
        )

    @property
    def called(self) -> str:
        """Its name for people, safe to show."""
        return shown(self.roll or self.code or self.volume.label) or "card"

    @property
    def called_in_full(self) -> str:
        """Its name, and what stands on the volume where that is another: for who looks for it."""
        label = shown(self.volume.label)
        return f"{self.called} (label {label})" if label not in ("", self.called) else self.called

    def queued(self) -> Queued:
        """Its row in the ledger."""
        return Queued(
            self.mounting,
            self.volume.mount_point,
            self.volume.label,
            self.stage,
            self.since_ns,
            self.why,
            self.waits_for,
            " ".join(sorted(self.readers)),
            self.card or None,
            self.offload or None,
        )

    def in_line(self, drives: frozenset[str]) -> InLine:
        """Its place among those that wait or are worked on."""
        return InLine(self.mounting, self.readers, drives)
