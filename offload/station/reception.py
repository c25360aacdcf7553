"""Volumes coming, being looked at, worked on and leaving: what the station does about each.

Every method runs in the station's own thread and is short; what may take long is handed to a
thread, whose result is posted back. A result that comes for a volume that has left changes nothing.
"""

import threading
import time
from collections.abc import Callable, Iterator

from offload.errors import BusyError, CardError, LedgerError, OffloadError
from offload.events import CardCoded, CardListed, Event, RollNamed, StepStarted
from offload.jobs.arriving import Arrival, meet_card
from offload.jobs.noting import mounted_keys
from offload.jobs.outcome import Outcome
from offload.jobs.tools import StoppedError
from offload.jobs.volume_kind import Looked, VolumeKind
from offload.jobs.wishes import Wish
from offload.ledger import cards, decisions, offloads, standing
from offload.ledger import queue as line
from offload.ledger.pulse import Pulse
from offload.ledger.queue import Stage
from offload.ledger.standing import Place
from offload.station.events import (
    CardLeft,
    DriveCame,
    DriveLeft,
    Lined,
    NoVerdict,
    Recognised,
    RunReported,
    RunStarted,
    StationEvent,
    Subject,
    Trouble,
    VerdictGiven,
    VolumeCame,
    VolumeLeft,
)
from offload.station.facts import environment_of, left_environment
from offload.station.lanes import may_begin
from offload.station.means import Means
from offload.station.orders import OrderBook
from offload.station.running import Ended, Post, Running
from offload.station.sorting import Business, business_of, drives_on
from offload.station.visits import Visit
from offload.station.words import of_leaving, of_volume
from offload.values.paths import shown
from offload.values.verdict import Answer
from offload.volumes.physical import lane_devices
from offload.volumes.volume import Volume

_RETRY_S = 5.0
_MOST_ALARMS = 20


class Reception:
    """The visits of all volumes.

    Args:
        book: the orders.
        means: what the station works with.
        post: has something done in the station's thread.
        trouble: takes an error of the ledger; the work goes on.
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
        self._visits: dict[str, Visit] = {}
        self._drives: dict[str, tuple[Volume, tuple[str, ...]]] = {}
        self._since: dict[str, int] = {}

    def take_over(self) -> None:
        """At the start: who kept a place in line, and which cards are out unproven.

        Raises:
            LedgerError: it does not answer.
        """
        ledger, now = self._means.ledger, self._means.surroundings.now_ns()
        present = mounted_keys(self._means.surroundings)
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
                self._tell(CardLeft(subject, False, of_leaving(called, was_safe=False)))

    # --- volumes

    def came(self, volume: Volume) -> None:
        """A volume was mounted."""
        key = self._key(volume)
        if key in self._visits or key in self._drives:
            return
        try:
            business = business_of(volume, self._book.orders.settings, self._means.ledger)
        except LedgerError as error:
            self._trouble(error)
            business = Business.MAYBE_CARD
        if business is Business.DRIVE:
            self._drive_came(key, volume)
        elif business is not Business.NONE:
            since = self._since.get(key) or self._means.surroundings.now_ns()
            visit = Visit(volume, key, since)
            visit.readers = lane_devices(volume)
            self._visits[key] = visit
            self._tell(VolumeCame(visit.subject))
            if business is Business.KNOWN_DRIVE:
                visit.kind = "drive"
                self._recognised(visit, "drive", "")
            else:
                self._keep(visit)

    def settled(self, volume: Volume, *, is_empty: bool, problem: str) -> None:
        """What lies on a volume has come to rest."""
        visit = self._visits.get(self._key(volume))
        if visit is None or visit.kind == "drive" or visit.is_card:
            return
        if problem:
            visit.kind = "unreadable"
            self._recognised(visit, "unreadable", problem)
        elif is_empty:
            visit.kind = "empty"
            self._recognised(visit, "empty", "")
        else:
            self._look(visit)

    def left(self, volume: Volume) -> None:
        """A volume is no longer mounted."""
        key = self._key(volume)
        if key in self._drives:
            _, names = self._drives.pop(key)
            for name in names:
                self._tell(DriveLeft(name))
            return
        visit = self._visits.get(key)
        if visit is None:
            return
        visit.has_left = True
        self._guarded(lambda: line.take_off(self._means.ledger, key))
        if visit.run is not None and visit.run.is_ejecting:
            return
        if visit.run is not None:
            visit.run.stop()
        else:
            del self._visits[key]
        self._has_left(visit)

    # --- what the station looks at between events

    def reordered(self) -> None:
        """Other settings are in force: drives are sorted anew, and what waited for one goes on."""
        for key, (volume, _) in list(self._drives.items()):
            del self._drives[key]
            self.came(volume)
        for key, visit in list(self._visits.items()):
            if drives_on(visit.volume, self._book.orders.settings.drives) and visit.run is None:
                # A volume that a person has just made a drive is a card no more.
                del self._visits[key]
                self._guarded(lambda k=key: line.take_off(self._means.ledger, k))  # type: ignore[misc]
                self.came(visit.volume)
            elif visit.is_open:
                self._line_up(visit)

    def look_around(self) -> None:
        """What other commands have done meanwhile, and what persons have decided."""
        for visit in list(self._visits.values()):
            if visit.run is None and visit.card and not visit.has_left:
                self._guarded(lambda v=visit: self._take_up(v))  # type: ignore[misc]

    def begin_runs(self) -> None:
        """Begin whatever may begin now."""
        now = time.monotonic()
        waiting = [
            visit
            for visit in self._visits.values()
            if visit.stage is Stage.WAITING and not visit.has_left and visit.retry_at_s <= now
        ]
        working = [visit for visit in self._visits.values() if visit.run is not None]
        if not waiting:
            return
        named = frozenset(drive.name for drive in self._book.orders.settings.drives)
        begun = may_begin(
            [visit.in_line(named) for visit in sorted(waiting, key=lambda v: v.since_ns)],
            [visit.in_line(visit.run.drives if visit.run else named) for visit in working],
        )
        for key in begun:
            self._begin(self._visits[key])

    def pulses(self, now_ns: int) -> Iterator[Pulse]:
        """Where the runs are."""
        for visit in self._visits.values():
            pulse = visit.run.pulse(now_ns) if visit.run is not None else None
            if pulse is not None:
                yield pulse

    def stop_runs(self) -> list[Running]:
        """Ask all runs to stop."""
        runs = [visit.run for visit in self._visits.values() if visit.run is not None]
        for run in runs:
            run.stop()
        return runs

    def summary(self) -> str:
        """One line on how things stand."""
        working = [v.called for v in self._visits.values() if v.run is not None]
        waiting = sum(v.stage is Stage.WAITING for v in self._visits.values())
        missing = sum(v.stage is Stage.DRIVE_MISSING for v in self._visits.values())
        parts = [f"working on {', '.join(working)}"] if working else ["watching for cards"]
        parts += [f"{waiting} in line"] if waiting > len(working) else []
        parts += [f"{missing} waiting for drives"] if missing else []
        return "; ".join(parts)

    # --- drives

    def _drive_came(self, key: str, volume: Volume) -> None:
        names = drives_on(volume, self._book.orders.settings.drives)
        self._drives[key] = (volume, names)
        for name in names:
            self._tell(DriveCame(name, volume.mount_point))
        for visit in self._visits.values():
            if visit.run is None and set(visit.waits_for) & set(names):
                self._line_up(visit)

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
                found = CardError(f"it could not be looked at: {type(error).__name__}: {error}")
            self._post(lambda: self._looked(visit, found, arrival))

        threading.Thread(target=look, name="volume-kind", daemon=True).start()

    def _was_card(self, volume: Volume, found: Looked) -> bool:
        """Whether a volume of no known layout was worked on as a card before."""
        if found.kind is not VolumeKind.UNKNOWN:
            return False
        hints = cards.CardHints(
            volume.volume_id, volume.label, volume.capacity_bytes or 0, volume.fs_type
        )
        known = cards.find_by_hints(self._means.ledger, hints)
        return any(offloads.last_of_card(self._means.ledger, each.card) for each in known)

    def _looked(self, visit: Visit, found: Looked | OffloadError, arrival: Arrival | None) -> None:
        if visit.has_left or self._visits.get(visit.mounting) is not visit:
            return
        if isinstance(found, OffloadError):
            visit.kind = "unreadable"
            self._recognised(visit, "unreadable", str(found))
        elif arrival is None:
            visit.kind = found.kind.value
            self._recognised(visit, found.kind.value, "")
        else:
            visit.kind = "card"
            self._met(visit, found, arrival)

    def _met(self, visit: Visit, found: Looked, arrival: Arrival) -> None:
        visit.arrival = arrival
        visit.roll, visit.code = arrival.roll, arrival.code
        text = found.title or "a card that was offloaded before"
        files = f"{arrival.files:,} files"
        self._tell(Recognised(visit.subject, "card", f"{text}, {files}. {arrival.news}".strip()))
        if arrival.is_settled and arrival.answer is not None:
            visit.is_safe = arrival.answer.verdict.is_cleared
            visit.is_listed_safe = True
            visit.offload = self._last_offload(visit)
            why = "safe" if visit.is_safe else "listed as when it was safe; not read"
            self._stage(visit, Stage.DONE, why)
            self._tell(VerdictGiven(visit.subject, arrival.answer, is_listed=True))
        else:
            self._line_up(visit)

    def _recognised(self, visit: Visit, kind: str, problem: str) -> None:
        words = of_volume(kind, visit.volume, problem)
        stage = Stage.ASKING if kind in ("unknown", "delivery", "unreadable") else Stage.DONE
        self._stage(visit, stage, words.short, is_told=False)
        self._tell(Recognised(visit.subject, kind, words.text, words.command))

    # --- running

    def _line_up(self, visit: Visit) -> None:
        """Put a card in line, or have it wait for drives when none is there."""
        orders = self._book.orders
        if not orders.settings.drives:
            why = "the settings name no drive: offload drive add"
            self._stage(visit, Stage.DRIVE_MISSING, why)
            return
        wish = self._wish(visit)
        missing = tuple(drive.name for drive in wish.drives if not drive.path)
        if len(missing) == len(wish.drives):
            visit.waits_for = missing
            self._stage(visit, Stage.DRIVE_MISSING, f"waits for {_named(missing)}")
            return
        visit.waits_for = ()
        visit.retry_at_s = 0.0
        self._stage(visit, Stage.WAITING, "in line")

    def _wish(self, visit: Visit) -> Wish:
        given = visit.arrival.given_roll if visit.arrival is not None else ""
        return self._book.orders.wish(visit.volume.mount_point, given)

    def _begin(self, visit: Visit) -> None:
        orders = self._book.orders
        wish = self._wish(visit)
        visit.is_safe = visit.is_listed_safe = False
        visit.run = Running(
            self._means.offload,
            wish,
            self._means.tools_for,
            self._post,
            lambda event: self._reported(visit, event),
            lambda ended: self._ended(visit, ended),
            visit.volume if orders.ejects else None,
        )
        self._stage(visit, Stage.WORKING, "at work", is_told=False)
        self._tell(RunStarted(visit.subject, tuple(sorted(visit.run.drives))))
        visit.run.start()

    def _reported(self, visit: Visit, event: Event) -> None:
        match event:
            case CardListed(files, _, _) if visit.run is not None:
                visit.run.know(total_files=files)
            case RollNamed(roll):
                visit.roll = roll
                if visit.run is not None:
                    visit.run.know(roll=roll)
            case CardCoded(code):
                visit.code = code
                self._guarded(lambda: self._tell_twins(visit))
            case StepStarted("preflight") if visit.run is not None:
                visit.offload = self._last_offload(visit)
                visit.run.know(offload=visit.offload)
                self._keep(visit)
            case _:
                pass
        self._tell(RunReported(visit.subject, event))

    def _ended(self, visit: Visit, ended: Ended) -> None:
        visit.run = None
        visit.offload = self._last_offload(visit) or visit.offload
        if visit.has_left:
            self._visits.pop(visit.mounting, None)
        if ended.outcome is not None:
            self._verdict(visit, ended.outcome, ended)
        elif ended.error is not None:
            self._failed(visit, ended.error)

    def _verdict(self, visit: Visit, outcome: Outcome, ended: Ended) -> None:
        verdict = outcome.verdict
        visit.is_safe = verdict.is_cleared
        visit.roll = outcome.context.roll or visit.roll
        visit.code = outcome.context.code or visit.code
        if ended.eject_failure:
            self._tell(Trouble(f"{visit.called} was not ejected: {ended.eject_failure}"))
        is_gone = visit.has_left and not ended.left_reader
        if is_gone and not verdict.is_cleared:
            # The alarm has been raised already; the reasons follow from the card's absence.
            return
        self._tell(VerdictGiven(visit.subject, outcome, left_reader=ended.left_reader))
        station = self._book.orders.settings.station
        command = station.on_cleared if verdict.is_cleared else station.on_held
        self._means.hooks.run(command, environment_of(visit.subject, outcome))
        if visit.has_left:
            self._has_left(visit)
            return
        visit.waits_for = _wanted_drives(outcome)
        codes = ", ".join(hold.code for hold in verdict.holds)
        if visit.is_safe:
            self._stage(visit, Stage.DONE, "safe", is_told=False)
        elif visit.waits_for:
            why = f"waits for {_named(visit.waits_for)} ({codes})"
            self._stage(visit, Stage.DRIVE_MISSING, why)
        else:
            self._stage(visit, Stage.DONE, f"held: {codes}", is_told=False)

    def _failed(self, visit: Visit, error: Exception) -> None:
        if visit.has_left or isinstance(error, StoppedError):
            return
        if isinstance(error, BusyError):
            visit.retry_at_s = time.monotonic() + _RETRY_S
            self._stage(visit, Stage.WAITING, str(error))
            return
        is_ours = isinstance(error, OffloadError)
        text = str(error) if is_ours else f"a fault of the program: {type(error).__name__}: {error}"
        code = error.code if isinstance(error, OffloadError) else "fault"
        remedy = error.remedy if isinstance(error, OffloadError) else ""
        self._stage(visit, Stage.DONE, f"no verdict: {shown(text)}", is_told=False)
        self._tell(NoVerdict(visit.subject, code, shown(text), remedy))

    # --- what was decided elsewhere

    def _take_up(self, visit: Visit) -> None:
        """A verdict that another command gave, or a word that a person gave, for this card."""
        ledger = self._means.ledger
        last = offloads.last_of_card(ledger, visit.card)
        if last is not None and last.offload > visit.offload and last.answer is not None:
            visit.offload = last.offload
            is_here = last.mounting == visit.mounting
            visit.is_safe = is_here and last.answer is Answer.CLEARED
            answer = "safe" if visit.is_safe else "held"
            self._stage(visit, Stage.DONE, f"{answer}, by another command")
        for kept in decisions.waiting(ledger, decisions.SETTLE):
            if kept.word.card == visit.card:
                now = self._means.surroundings.now_ns()
                decisions.answer(ledger, kept.decision, "the card is proven anew", now)
                self._line_up(visit)

    def _tell_twins(self, visit: Visit) -> None:
        """A second slot records the same: two cards of one code are told so."""
        for known in cards.find_by_code(self._means.ledger, visit.code):
            if known.card == visit.card:
                continue
            stood = standing.of_card(self._means.ledger, known.card)
            called = shown(stood.rolls[0].name if stood.rolls else known.hints.label)
            text = f"{visit.called} holds the same material as another card ({called})."
            self._tell(Trouble(text))
            return

    # --- leaving

    def _has_left(self, visit: Visit) -> None:
        now = self._means.surroundings.now_ns()
        ledger = self._means.ledger
        self._guarded(lambda: cards.left(ledger, visit.mounting, now))
        if not visit.is_card and visit.kind not in ("unreadable",):
            self._tell(VolumeLeft(visit.subject))
            return
        was_safe = visit.is_safe or visit.is_listed_safe
        text = of_leaving(visit.called, was_safe=was_safe, stage=visit.stage)
        self._tell(CardLeft(visit.subject, was_safe, text))
        if not was_safe:
            command = self._book.orders.settings.station.on_held
            self._means.hooks.run(command, left_environment(visit.subject, text))

    # --- small things

    def _key(self, volume: Volume) -> str:
        return self._means.surroundings.mounting_key(volume)

    def _tell(self, event: StationEvent) -> None:
        self._means.sink(event)

    def _stage(self, visit: Visit, stage: Stage, why: str, *, is_told: bool = True) -> None:
        is_new = (visit.stage, visit.why) != (stage, why)
        visit.stage, visit.why = stage, why
        self._keep(visit)
        if is_told and is_new:
            self._tell(Lined(visit.subject, stage, why, visit.waits_for))

    def _keep(self, visit: Visit) -> None:
        if not visit.has_left:
            self._guarded(lambda: line.put(self._means.ledger, visit.queued()))

    def _last_offload(self, visit: Visit) -> int:
        found: list[int] = []

        def look() -> None:
            last = offloads.last_of_card(self._means.ledger, visit.card) if visit.card else None
            found.append(last.offload if last is not None else 0)

        self._guarded(look)
        return found[0] if found else 0

    def _guarded(self, action: Callable[[], object]) -> None:
        """The queue is for faces: a ledger that fails is told, and stops no card."""
        try:
            action()
        except LedgerError as error:
            self._trouble(error)


def _wanted_drives(outcome: Outcome) -> tuple[str, ...]:
    """Drives whose coming would let the run go on."""
    if outcome.verdict.is_cleared:
        return ()
    return tuple(
        drive.name for drive in outcome.facts.drives if not drive.is_present or drive.failure
    )


def _named(names: tuple[str, ...]) -> str:
    return " and ".join(shown(name) for name in names)
