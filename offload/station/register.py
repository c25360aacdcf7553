"""All visits, and how a change of one is told and written down."""

from collections.abc import Callable

from offload.errors import LedgerError, OffloadError
from offload.ledger import cards, offloads
from offload.ledger import queue as line
from offload.ledger.queue import Stage
from offload.station.events import CardLeft, Lined, StationEvent, Trouble, VolumeLeft
from offload.station.facts import held_environment
from offload.station.means import Means
from offload.station.orders import OrderBook
from offload.station.visits import Visit
from offload.station.words import of_delivery_leaving, of_leaving
from offload.volumes.table import system_table
from offload.volumes.volume import Volume

_UNDER_WAY = (Stage.WORKING, Stage.WAITING, Stage.DRIVE_MISSING)


class Register:
    """The visits by the key of their mounting. Belongs to the station's own thread.

    Args:
        book: the orders.
        means: what the station works with.
        trouble: takes an error of the ledger; the work goes on.

    Attributes:
        visits: see there.
    """

    def __init__(
        self, book: OrderBook, means: Means, trouble: Callable[[OffloadError], None]
    ) -> None:
        self.visits: dict[str, Visit] = {}
        self._book = book
        self._means = means
        self._trouble = trouble

    def key(self, volume: Volume) -> str:
        """What identifies a volume's mounting."""
        return self._means.surroundings.mounting_key(volume)

    def is_mounted(self, visit: Visit) -> bool:
        """Whether a volume is still there, by the system's word: its leaving may not be told yet.

        A machine that slept, or a loop that was busy, hears of a pulled card after its verdict.
        """
        return system_table().is_mounted(visit.volume)

    def tell(self, event: StationEvent) -> None:
        """Tell the faces."""
        self._means.sink(event)

    def stage(self, visit: Visit, stage: Stage, why: str, *, is_told: bool = True) -> None:
        """A visit's place in line is another, or for another reason."""
        is_new = (visit.stage, visit.why) != (stage, why)
        visit.stage, visit.why = stage, why
        self.keep(visit)
        if is_told and is_new:
            self.tell(Lined(visit.subject, stage, why, visit.waits_for))

    def keep(self, visit: Visit) -> None:
        """Write a visit's place in line down."""
        if not visit.has_left:
            self.guarded(lambda: line.put(self._means.ledger, visit.queued()))

    def take_off(self, mounting: str) -> None:
        """A volume is in line no more."""
        self.guarded(lambda: line.take_off(self._means.ledger, mounting))

    def last_offload(self, visit: Visit) -> int:
        """Number of the card's newest run in the ledger; 0 where there is none."""
        found: list[int] = []

        def look() -> None:
            last = offloads.last_of_card(self._means.ledger, visit.card) if visit.card else None
            found.append(last.offload if last is not None else 0)

        self.guarded(look)
        return found[0] if found else 0

    def guarded(self, action: Callable[[], object]) -> None:
        """The queue is for faces: a ledger that fails is told, and stops no card."""
        try:
            action()
        except LedgerError as error:
            self._trouble(error)

    def has_left(self, visit: Visit) -> None:
        """Say and write down that a volume has left: for an unproven card, as loudly as can be."""
        now = self._means.surroundings.now_ns()
        self.guarded(lambda: cards.left(self._means.ledger, visit.mounting, now))
        if not visit.is_card and visit.kind not in ("unreadable", "restless"):
            self.tell(VolumeLeft(visit.subject))
            if visit.is_delivery and visit.stage in _UNDER_WAY:
                self.tell(Trouble(of_delivery_leaving(visit.called)))
            return
        listed = visit.is_listed_safe and not visit.is_safe
        is_known_safe = visit.is_safe or listed
        called = visit.called if is_known_safe else visit.called_in_full
        text = of_leaving(called, was_safe=visit.is_safe, was_listed_safe=listed, stage=visit.stage)
        left = CardLeft(visit.subject, visit.is_safe, text, listed)
        self.tell(left)
        if left.is_alarm:
            command = self._book.orders.settings.station.on_held
            self._means.hooks.run(command, held_environment(visit.subject, "left-unproven", text))
