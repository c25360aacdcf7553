"""Volumes coming, being looked at, worked on and leaving: what the station does about each.

Every method runs in the station's own thread and is short; what may take long is handed to a
thread, whose result is posted back. A result that comes for a volume that has left changes nothing.
"""

import math
import threading
import time
from collections.abc import Callable

from offload.errors import CardError, LedgerError, OffloadError
from offload.jobs.arriving import Arrival, hints_of_volume, meet_card, what_it_held
from offload.jobs.volume_kind import Looked, VolumeKind
from offload.ledger import cards, offloads, standing
from offload.ledger import queue as line
from offload.ledger.queue import Stage
from offload.ledger.standing import Place
from offload.station.events import (
    CardLeft,
    DriveCame,
    DriveLeft,
    Recognised,
    Subject,
    VerdictGiven,
    VolumeCame,
)
from offload.station.means import Means
from offload.station.orders import OrderBook
from offload.station.register import Register
from offload.station.running import Post
from offload.station.runs import Runs
from offload.station.sorting import Business, business_of, drives_on
from offload.station.visits import Visit
from offload.station.words import of_leaving, of_volume
from offload.values.paths import shown
from offload.volumes.physical import lane_devices
from offload.volumes.volume import Volume

_LOOK_AGAIN_S = 15.0
"""Until a volume that could not be looked into is looked at again: it may be about to fail."""
_MOST_ALARMS = 20
_ASKED_ABOUT = ("unknown", "delivery", "unreadable", "restless")


class Reception:
    """The visits of all volumes.

    Args:
        book: the orders.
        means: what the station works with.
        post: has something done in the station's thread.
        trouble: takes an error of the ledger; the work goes on.

    Attributes:
        runs: of the cards.
    """

    def __init__(
        self,
        book: OrderBook,
        means: Means,
        post: Post,
        trouble: Callable[[OffloadError], None],
    ) -> None:
        self._book = book
        self._means = means
        self._post = post
        self._trouble = trouble
        self._register = Register(book, means, trouble)
        self.runs = Runs(book, means, post, self._register)
        self._drives: dict[str, tuple[Volume, tuple[str, ...]]] = {}
        self._told: set[str] = set()
        self._others: dict[str, Volume] = {}
        self._since: dict[str, int] = {}

    def take_over(self) -> None:
        """At the start: who kept a place in line, and which cards are out unproven.

        Raises:
            LedgerError: it does not answer.
        """
        ledger, now = self._means.ledger, self._means.surroundings.now_ns()
        present = self._means.surroundings.mounted_keys()
        self._since = {row.mounting: row.since_ns for row in line.in_line(ledger)}
        line.keep_only(ledger, present)
        cards.still_mounted(ledger, present, now)
        for stood in standing.not_proven(ledger)[:_MOST_ALARMS]:
            if stood.place is Place.OUT_NOT_PROVEN and stood.mounting is not None:
                subject = Subject(
                    stood.mounting.key,
                    stood.mounting.mount_point,
                    stood.card.hints.label,
                    stood.rolls[0].name if stood.rolls else "",
                    stood.card.code,
                )
                called = shown(subject.roll or subject.code or subject.label) or "a card"
                self._register.tell(CardLeft(subject, False, of_leaving(called, was_safe=False)))

    # --- volumes

    def came(self, volume: Volume) -> None:
        """A volume was mounted."""
        key = self._register.key(volume)
        if key in self._register.visits or key in self._drives:
            return
        self._others.pop(key, None)
        try:
            business = business_of(volume, self._book.orders.settings, self._means.ledger)
        except LedgerError as error:
            self._trouble(error)
            business = Business.MAYBE_CARD
        if business is Business.DRIVE:
            self._drive_came(key, volume)
        elif business is Business.NONE:
            self._others[key] = volume
        else:
            since = self._since.get(key) or self._means.surroundings.now_ns()
            visit = Visit(volume, key, since)
            visit.readers = lane_devices(volume)
            self._register.visits[key] = visit
            self._register.tell(VolumeCame(visit.subject))
            if business is Business.KNOWN_DRIVE:
                visit.kind = "drive"
                self._recognised(visit, "drive", "")
            else:
                self._register.keep(visit)

    def settled(self, volume: Volume, *, is_empty: bool, problem: str) -> None:
        """What lies on a volume has come to rest."""
        visit = self._register.visits.get(self._register.key(volume))
        if visit is None or visit.kind == "drive" or visit.is_card:
            return
        if visit.is_delivery and visit.stage is not Stage.ASKING:
            return
        if problem:
            visit.kind = "unreadable"
            self._recognised(visit, "unreadable", f"it cannot be listed: {problem}")
        elif is_empty:
            visit.kind = "empty"
            self._recognised(visit, "empty", "")
        else:
            self._look(visit)

    def restless(self, volume: Volume) -> None:
        """What lies on a volume goes on changing, so that it was not begun with."""
        visit = self._register.visits.get(self._register.key(volume))
        if visit is not None and visit.kind != "drive" and not visit.is_card:
            visit.kind = "restless"
            self._recognised(visit, "restless", "")

    def left(self, volume: Volume) -> None:
        """A volume is no longer mounted."""
        key = self._register.key(volume)
        self._others.pop(key, None)
        if key in self._drives:
            _, names = self._drives.pop(key)
            for name in names:
                self._told.discard(name)
                self._register.tell(DriveLeft(name))
            return
        visit = self._register.visits.get(key)
        if visit is None:
            return
        visit.has_left = True
        self._register.take_off(key)
        if visit.run is not None and visit.run.is_ejecting:
            return
        if visit.run is not None:
            visit.run.stop()
        else:
            del self._register.visits[key]
        self._register.has_left(visit)

    # --- what the station looks at between events

    def reordered(self) -> None:
        """Other settings are in force: drives are sorted anew, and what waited for one goes on."""
        known = [*self._others.values(), *(volume for volume, _ in self._drives.values())]
        self._drives.clear()
        for volume in known:
            self.came(volume)
        self._told &= {name for _, names in self._drives.values() for name in names}
        for key, visit in list(self._register.visits.items()):
            if drives_on(visit.volume, self._book.orders.settings.drives) and visit.run is None:
                # A volume that a person has just made a drive is a card no more.
                del self._register.visits[key]
                self._register.take_off(key)
                self.came(visit.volume)
            elif visit.is_delivery and visit.stage is Stage.ASKING:
                if self._book.orders.settings.station.receive:
                    self._delivery_came(visit)
            elif visit.is_open:
                self.runs.line_up(visit)

    def look_around(self) -> None:
        """What other commands have done meanwhile, what persons have decided, what has healed."""
        for visit in list(self._register.visits.values()):
            if visit.problem and visit.retry_at_s <= time.monotonic() and not visit.has_left:
                # Its mounting tells nothing when a folder that failed can be listed after all.
                visit.retry_at_s = math.inf
                self._look(visit)
            if visit.run is None and visit.card and not visit.has_left:
                self._register.guarded(lambda v=visit: self.runs.take_up(v))  # type: ignore[misc]

    def summary(self) -> str:
        """One line on how things stand."""
        working = [v.called for v in self._register.visits.values() if v.run is not None]
        waiting = sum(v.stage is Stage.WAITING for v in self._register.visits.values())
        missing = sum(v.stage is Stage.DRIVE_MISSING for v in self._register.visits.values())
        parts = [f"working on {', '.join(working)}"] if working else ["watching for cards"]
        parts += [f"{waiting} in line"] if waiting > len(working) else []
        parts += [f"{missing} waiting for drives"] if missing else []
        return "; ".join(parts)

    # --- drives

    def _drive_came(self, key: str, volume: Volume) -> None:
        names = drives_on(volume, self._book.orders.settings.drives)
        self._drives[key] = (volume, names)
        for name in names:
            # Sorted anew after an edit of the settings, a drive that was there has not come.
            if name not in self._told:
                self._told.add(name)
                self._register.tell(DriveCame(name, volume.mount_point))
        for visit in self._register.visits.values():
            if visit.run is None and set(visit.waits_for) & set(names):
                self.runs.line_up(visit)

    # --- looking

    def _look(self, visit: Visit) -> None:
        """Find out what it is and, for a card, who it is; in a thread, since it may hang."""
        orders, means = self._book.orders, self._means

        def look() -> None:
            found: Looked | OffloadError
            arrival: Arrival | None = None
            try:
                found = orders.look(visit.volume.mount_point)
                if found.kind is VolumeKind.CARD or self._was_card(visit.volume, found):
                    tools = means.tools_for(lambda _: None, lambda: False)
                    arrival = meet_card(visit.volume.mount_point, orders.policy, tools)
            except OffloadError as error:
                found = error
            except Exception as error:  # noqa: BLE001 - a thread's edge: it is told
                found = CardError(f"a fault of the program: {type(error).__name__}: {error}")
            self._post(lambda: self._looked(visit, found, arrival))

        threading.Thread(target=look, name="volume-kind", daemon=True).start()

    def _was_card(self, volume: Volume, found: Looked) -> bool:
        """Whether a volume of no known layout was worked on as a card before."""
        if found.kind is not VolumeKind.UNKNOWN:
            return False
        known = cards.find_by_hints(self._means.ledger, hints_of_volume(volume))
        return any(offloads.of_card(self._means.ledger, each.card) for each in known)

    def _looked(self, visit: Visit, found: Looked | OffloadError, arrival: Arrival | None) -> None:
        if visit.has_left or self._register.visits.get(visit.mounting) is not visit:
            return
        problem = found.what if isinstance(found, OffloadError) else found.problem
        if isinstance(found, OffloadError) or (arrival is None and problem):
            self._could_not_look(visit, problem)
            return
        visit.problem = ""
        if found.kind is VolumeKind.DELIVERY and arrival is None:
            self._delivery_came(visit)
        elif arrival is None:
            visit.kind = found.kind.value
            self._recognised(visit, found.kind.value, "")
        else:
            visit.kind = "card"
            self._met(visit, found, arrival)

    def _could_not_look(self, visit: Visit, problem: str) -> None:
        """Told once, and looked at again after a while."""
        visit.retry_at_s = time.monotonic() + _LOOK_AGAIN_S
        if visit.problem != problem:
            visit.kind, visit.problem = "unreadable", problem
            self._recognised(visit, "unreadable", problem)

    def _delivery_came(self, visit: Visit) -> None:
        """A delivery waits for a person's word, or is taken at once where a setting says so."""
        visit.kind = "delivery"
        if not self._book.orders.settings.station.receive:
            self._recognised(visit, "delivery", "")
            return
        self._recognised(visit, "taken-delivery", "")
        if self.runs.was_received(visit):
            visit.is_received = True
            self._register.stage(visit, Stage.DONE, "received already, while it was mounted here")
        else:
            self.runs.line_up(visit)

    def _met(self, visit: Visit, found: Looked, arrival: Arrival) -> None:
        visit.arrival = arrival
        visit.roll, visit.code = arrival.roll, arrival.code
        # Only what comes after it is another command's doing.
        visit.offload = self._register.last_offload(visit)
        text = found.title or "a card that was offloaded before"
        files = f"{arrival.files:,} files"
        self._register.tell(
            Recognised(visit.subject, "card", f"{text}, {files}. {arrival.news}".strip())
        )
        if arrival.is_settled and arrival.answer is not None:
            visit.is_safe = arrival.answer.verdict.is_cleared
            visit.is_listed_safe = True
            why = "safe" if visit.is_safe else "listed as when it was safe; not read"
            self._register.stage(visit, Stage.DONE, why)
            if not visit.is_safe or self._register.is_mounted(visit):
                self._register.tell(VerdictGiven(visit.subject, arrival.answer, is_listed=True))
        else:
            self.runs.line_up(visit)

    def _recognised(self, visit: Visit, kind: str, problem: str) -> None:
        words = of_volume(kind, visit.volume, problem)
        held: list[str] = []
        if kind == "empty":
            hints = hints_of_volume(visit.volume)
            self._register.guarded(lambda: held.append(what_it_held(self._means.ledger, hints)))
        stage = Stage.ASKING if kind in _ASKED_ABOUT else Stage.DONE
        self._register.stage(visit, stage, words.short, is_told=False)
        text = " ".join(filter(None, (words.text, *held)))
        self._register.tell(Recognised(visit.subject, visit.kind or kind, text, words.command))
