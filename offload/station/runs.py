"""Runs: who waits for what, who begins, and what comes of each."""

import time
from collections.abc import Iterator

from offload.errors import BusyError, OffloadError
from offload.events import CardCoded, CardListed, Event, RollNamed, StepStarted
from offload.jobs.outcome import Outcome
from offload.jobs.receive_result import Received
from offload.jobs.receive_sentences import first_words, headline
from offload.jobs.tools import StoppedError
from offload.jobs.wishes import Wish
from offload.ledger import cards, decisions, offloads, standing
from offload.ledger.pulse import Pulse
from offload.ledger.queue import Stage
from offload.station.events import (
    DeliveryReceived,
    NotReceived,
    NoVerdict,
    RunReported,
    RunStarted,
    Trouble,
    VerdictGiven,
)
from offload.station.facts import environment_of, held_environment
from offload.station.lanes import may_begin
from offload.station.means import Means
from offload.station.orders import OrderBook
from offload.station.register import Register
from offload.station.running import Ended, Post, Running
from offload.station.visits import Visit
from offload.values.paths import shown
from offload.values.verdict import Answer

_RETRY_S = 5.0


class Runs:
    """The runs of all cards. Belongs to the station's own thread.

    Args:
        book: the orders.
        means: what the station works with.
        post: has something done in the station's thread.
        register: the visits.
    """

    def __init__(self, book: OrderBook, means: Means, post: Post, register: Register) -> None:
        self._book = book
        self._means = means
        self._post = post
        self._register = register

    def line_up(self, visit: Visit) -> None:
        """Put a card in line, or have it wait for drives when none is there."""
        orders = self._book.orders
        if not orders.settings.drives:
            why = "the settings name no drive: offload drive add"
            self._register.stage(visit, Stage.DRIVE_MISSING, why)
            return
        try:
            wish = self._wish(visit)
        except OffloadError as error:
            self._failed(visit, error)
            return
        missing = tuple(drive.name for drive in wish.drives if not drive.path)
        if len(missing) == len(wish.drives):
            visit.waits_for = missing
            self._register.stage(visit, Stage.DRIVE_MISSING, f"waits for {_named(missing)}")
            return
        visit.waits_for = ()
        visit.retry_at_s = 0.0
        self._register.stage(visit, Stage.WAITING, "in line")

    def begin_runs(self) -> None:
        """Begin whatever may begin now."""
        now = time.monotonic()
        waiting = [
            visit
            for visit in self._register.visits.values()
            if visit.stage is Stage.WAITING and not visit.has_left and visit.retry_at_s <= now
        ]
        working = [visit for visit in self._register.visits.values() if visit.run is not None]
        if not waiting:
            return
        named = frozenset(drive.name for drive in self._book.orders.settings.drives)
        begun = may_begin(
            [visit.in_line(named) for visit in sorted(waiting, key=lambda v: v.since_ns)],
            [visit.in_line(visit.run.drives if visit.run else named) for visit in working],
        )
        for key in begun:
            self._begin(self._register.visits[key])

    def pulses(self, now_ns: int) -> Iterator[Pulse]:
        """Where the runs are."""
        for visit in self._register.visits.values():
            pulse = visit.run.pulse(now_ns) if visit.run is not None else None
            if pulse is not None:
                yield pulse

    @property
    def is_any_at_work(self) -> bool:
        """Whether a run is under way."""
        return any(visit.run is not None for visit in self._register.visits.values())

    def stop_runs(self) -> list[Running]:
        """Ask all runs to stop."""
        runs = [visit.run for visit in self._register.visits.values() if visit.run is not None]
        for run in runs:
            run.stop()
        return runs

    def _wish(self, visit: Visit) -> Wish:
        given = visit.arrival.given_roll if visit.arrival is not None else ""
        return self._book.orders.wish(visit.volume.mount_point, given)

    def _begin(self, visit: Visit) -> None:
        orders = self._book.orders
        try:
            wish = self._wish(visit)
        except OffloadError as error:
            self._failed(visit, error)
            return
        visit.is_safe = visit.is_listed_safe = False
        visit.run = Running(
            self._means.receive if visit.is_delivery else self._means.offload,
            wish,
            self._means.tools_for,
            self._post,
            lambda event: self._reported(visit, event),
            lambda ended: self._ended(visit, ended),
            visit.volume if orders.ejects and not visit.is_delivery else None,
        )
        self._register.stage(visit, Stage.WORKING, "at work", is_told=False)
        self._register.tell(RunStarted(visit.subject, tuple(sorted(visit.run.drives))))
        visit.run.start()

    def _reported(self, visit: Visit, event: Event) -> None:
        match event:
            case CardListed(files, _, _) if visit.run is not None:
                visit.run.know(total_files=files)
            case RollNamed(roll):
                if not visit.is_delivery:
                    visit.roll = roll
                if visit.run is not None:
                    visit.run.know(roll=roll)
            case CardCoded(code):
                visit.code = code
                self._register.guarded(lambda: self._tell_twins(visit))
            case StepStarted("preflight"):
                visit.offload = self._register.last_offload(visit)
                self._register.keep(visit)
            case _:
                pass
        self._register.tell(RunReported(visit.subject, event))

    def _ended(self, visit: Visit, ended: Ended) -> None:
        took_part = visit.run.drives if visit.run is not None else frozenset[str]()
        visit.run = None
        visit.offload = self._register.last_offload(visit) or visit.offload
        if visit.has_left:
            self._register.visits.pop(visit.mounting, None)
        if ended.received is not None:
            self._received(visit, ended.received)
        elif ended.outcome is not None:
            self._verdict(visit, ended.outcome, ended)
        elif ended.error is not None:
            self._failed(visit, ended.error)
        if visit.is_open and not visit.has_left and self._has_come_since(visit, took_part):
            self.line_up(visit)

    def _has_come_since(self, visit: Visit, took_part: frozenset[str]) -> bool:
        """Whether a drive is there that was not when the run began."""
        try:
            drives = self._wish(visit).drives
        except OffloadError:
            return False
        return any(drive.path and drive.name not in took_part for drive in drives)

    def _verdict(self, visit: Visit, outcome: Outcome, ended: Ended) -> None:
        verdict = outcome.verdict
        visit.is_safe = verdict.is_cleared
        visit.roll = outcome.context.roll or visit.roll
        visit.code = outcome.context.code or visit.code
        if ended.eject_failure:
            self._register.tell(Trouble(f"{visit.called} was not ejected: {ended.eject_failure}"))
        if visit.has_left and not ended.left_reader and not verdict.is_cleared:
            # The alarm has been raised already; the reasons follow from the card's absence.
            return
        if verdict.is_cleared and not ended.left_reader and self._is_out(visit):
            return
        self._register.tell(VerdictGiven(visit.subject, outcome, left_reader=ended.left_reader))
        station = self._book.orders.settings.station
        command = station.on_cleared if verdict.is_cleared else station.on_held
        self._means.hooks.run(command, environment_of(visit.subject, outcome))
        if visit.has_left:
            self._register.has_left(visit)
            return
        visit.waits_for = _wanted_drives(outcome)
        codes = ", ".join(hold.code for hold in verdict.holds)
        if visit.is_safe:
            self._register.stage(visit, Stage.DONE, "safe", is_told=False)
        elif visit.waits_for:
            why = f"waits for {_named(visit.waits_for)} ({codes})"
            self._register.stage(visit, Stage.DRIVE_MISSING, why)
        else:
            self._register.stage(visit, Stage.DONE, f"held: {codes}", is_told=False)

    def _is_out(self, visit: Visit) -> bool:
        """Whether a card was proven and has left since: the words hold only in the reader.

        What is said of it is that it was safe when it left.
        """
        if visit.has_left:
            self._register.has_left(visit)
            return True
        if self._register.is_mounted(visit):
            return False
        # The watcher tells of its leaving in a moment.
        self._register.stage(visit, Stage.DONE, "safe", is_told=False)
        return True

    def was_received(self, visit: Visit) -> bool:
        """Whether all of a delivery was received in this mounting, by whomever."""
        found: list[offloads.Offload] = []
        ledger = self._means.ledger
        self._register.guarded(lambda: found.extend(offloads.received_in(ledger, visit.mounting)))
        return bool(found) and all(
            each.verdict.get("copies_counted", 0) >= each.policy.copies_needed for each in found
        )

    def _received(self, visit: Visit, received: Received) -> None:
        self._register.tell(DeliveryReceived(visit.subject, received))
        words = first_words(received).lower()
        if not received.is_done:
            command = self._book.orders.settings.station.on_held
            text = f"{first_words(received)}. {headline(received)}"
            self._means.hooks.run(command, held_environment(visit.subject, "delivery", text))
        visit.is_received = received.is_copied
        missing = {copy.drive for roll in received.rolls for copy in roll.drives if not copy.counts}
        visit.waits_for = () if received.is_copied else tuple(sorted(missing))
        if visit.has_left:
            return
        if visit.waits_for:
            why = f"{words}; waits for {_named(visit.waits_for)}"
            self._register.stage(visit, Stage.DRIVE_MISSING, why)
        else:
            self._register.stage(visit, Stage.DONE, words, is_told=False)

    def _not_received(self, visit: Visit, error: Exception) -> None:
        text, code, remedy = _said_by(error)
        why = _with_remedy(f"not received: {shown(text)}", remedy)
        self._register.stage(visit, Stage.DONE, why, is_told=False)
        self._register.tell(NotReceived(visit.subject, code, shown(text), remedy))
        command = self._book.orders.settings.station.on_held
        self._means.hooks.run(command, held_environment(visit.subject, "delivery", shown(text)))

    def _failed(self, visit: Visit, error: Exception) -> None:
        if visit.has_left or isinstance(error, StoppedError):
            return
        if isinstance(error, BusyError):
            visit.retry_at_s = time.monotonic() + _RETRY_S
            self._register.stage(visit, Stage.WAITING, str(error))
            return
        if visit.is_delivery:
            self._not_received(visit, error)
            return
        text, code, remedy = _said_by(error)
        why = _with_remedy(f"no verdict: {shown(text)}", remedy)
        self._register.stage(visit, Stage.DONE, why, is_told=False)
        self._register.tell(NoVerdict(visit.subject, code, shown(text), remedy))
        command = self._book.orders.settings.station.on_held
        self._means.hooks.run(command, held_environment(visit.subject, "no-verdict", shown(text)))

    def take_up(self, visit: Visit) -> None:
        """A verdict that another command gave, or a word that a person gave, for this card."""
        ledger = self._means.ledger
        last = offloads.last_of_card(ledger, visit.card)
        if last is not None and last.offload > visit.offload and last.answer is not None:
            visit.offload = last.offload
            is_here = last.mounting == visit.mounting
            visit.is_safe = is_here and last.answer is Answer.CLEARED
            answer = "safe" if visit.is_safe else "held"
            self._register.stage(visit, Stage.DONE, f"{answer}, by another command")
        for kept in decisions.waiting(ledger, decisions.SETTLE):
            if kept.word.card == visit.card:
                now = self._means.surroundings.now_ns()
                decisions.answer(ledger, kept.decision, "the card is proven anew", now)
                self.line_up(visit)

    def _tell_twins(self, visit: Visit) -> None:
        """A second slot records the same: two cards of one code are told so."""
        for known in cards.find_by_code(self._means.ledger, visit.code):
            if known.card == visit.card:
                continue
            stood = standing.of_card(self._means.ledger, known.card)
            called = shown(stood.rolls[0].name if stood.rolls else known.hints.label)
            text = f"{visit.called} holds the same material as another card ({called})."
            self._register.tell(Trouble(text))
            return


def _said_by(error: Exception) -> tuple[str, str, str]:
    """What an error says, its code, and what to do."""
    if isinstance(error, OffloadError):
        return str(error), error.code, error.remedy
    return f"a fault of the program: {type(error).__name__}: {error}", "fault", ""


def _with_remedy(text: str, remedy: str) -> str:
    """What is kept for other faces: a screen that is read hours later has to say what to do."""
    return f"{text}\n{remedy}" if remedy else text


def _wanted_drives(outcome: Outcome) -> tuple[str, ...]:
    """Drives whose coming would let the run go on."""
    if outcome.verdict.is_cleared:
        return ()
    return tuple(
        drive.name for drive in outcome.facts.drives if not drive.is_present or drive.failure
    )


def _named(names: tuple[str, ...]) -> str:
    return " and ".join(shown(name) for name in names)
