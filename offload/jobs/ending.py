"""The end of a run: judge, publish where there is something to publish, write down, return.

The order is the promise's: the facts are gathered after the last look, the statement is down on
every drive that it counts before the ledger commits, and what the ledger will not take is taken
back from the drives before anybody is told anything.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial

from offload import __version__
from offload.card.inventory import Walk
from offload.clearance.context import Context
from offload.clearance.origin import CopyName
from offload.clearance.rules import decide
from offload.clearance.statement import Occasion, StatedRoll, statement_of
from offload.clearance.statement_json import to_bytes
from offload.errors import reason
from offload.events import Found
from offload.jobs.clearing import Published, PublishingError, publish, withdraw
from offload.jobs.copied import Recorded
from offload.jobs.descents import descends_from
from offload.jobs.facts import FactSources, gather_facts
from offload.jobs.last_look import LastLook
from offload.jobs.noting import Notes
from offload.jobs.opening import HeldCard, is_still_mounted
from offload.jobs.outcome import Outcome
from offload.jobs.passes import PassColumns
from offload.jobs.placing import Place, Standing
from offload.jobs.preparing import Drives
from offload.jobs.result import result_of
from offload.jobs.sent_lists import SentCheck
from offload.jobs.stating import card_name, content_texts, folders_of, key_line, manifests_of
from offload.jobs.tools import Tools
from offload.jobs.wishes import Wish
from offload.jobs.withdrawing import withdraw_earlier
from offload.ledger import clearances, copies
from offload.values.facts import Facts, ReadBack
from offload.values.findings import Finding
from offload.values.verdict import Verdict
from offload.volumes.bounded import NotAnsweringError

_NOTICED = frozenset({"time-not-kept"})
_STAGES = {
    Standing.FREE: copies.Stage.GROWING,
    Standing.GROWING: copies.Stage.GROWING,
    Standing.ADDING: copies.Stage.GROWING,
    Standing.PARTIAL: copies.Stage.PARTIAL,
    Standing.DONE: copies.Stage.PROVEN,
}


@dataclass(slots=True)
class Ending:
    """Everything that a run has come to.

    Attributes:
        wish, tools, card, walk, columns, drives, notes: of the run.
        recorded: by drive name: those whose whole record is down and whose name is taken.
        context: names for sentences.
        roots: root hashes of the card's content.
        started_at: of the run.
        findings: told on the way.
        clip_findings: doubts about clips that keep the card.
        sent: how the files agree with a list that came with them.
        is_without_clip: a known layout without one clip.
        rolls: of a recorder's card, the oldest first; none where the card is one roll.
    """

    wish: Wish
    tools: Tools
    card: HeldCard
    walk: Walk
    columns: PassColumns
    drives: Drives
    notes: Notes
    recorded: dict[str, Recorded]
    context: Context
    roots: Mapping[str, bytes]
    started_at: datetime
    findings: tuple[Finding, ...] = ()
    clip_findings: tuple[Finding, ...] = ()
    sent: SentCheck = field(default_factory=SentCheck)
    notices: tuple[Finding, ...] = ()
    is_without_clip: bool = False
    rolls: tuple[StatedRoll, ...] = ()
    _made: dict[str, CopyName] = field(default_factory=dict)
    """What the statement says that copies were made from."""

    def conclude(self, look: LastLook) -> Outcome:
        """Judge and publish; the outcome is written down when this returns.

        Raises:
            LedgerError: a cleared card could not be written down: no verdict.
        """
        self.write_states()
        facts = self.facts(look)
        verdict = decide(facts, self.context)
        published = None
        # A drive that refuses the statement counts no more; the others may still be enough.
        while verdict.is_cleared and published is None:
            verdict, facts, published = self._publish(verdict, facts, look)
        outcome = self._outcome(verdict, facts, published)
        self.notes.end(verdict, result_of(outcome), look.walk.moment if look.walk else "")
        if not verdict.is_cleared and self.wish.only_paths is None:
            self.notes.void_clearance()
            self._withdraw(verdict)
        if published is not None and not self.notes.is_written:
            withdraw(published)
            facts = self.facts(look)
            outcome = self._outcome(decide(facts, self.context), facts, None)
        self._write_page()
        return outcome

    def _withdraw(self, verdict: Verdict) -> None:
        """Whoever has only the drives has to see it too."""
        now = self.tools.surroundings.now().astimezone()
        because = tuple(dict.fromkeys(hold.code for hold in verdict.holds))
        for place in self.drives.active:
            step = partial(withdraw_earlier, _rolls_on([place]), because, now, self.tools.key)
            try:
                found = self.drives.answered(place.drive, step)
            except NotAnsweringError as error:
                self.drives.fail(place.name, str(error))
                continue
            for finding in found:
                self.tools.sink(Found(finding))

    def _write_page(self) -> None:
        """The page is for looking at: whatever goes wrong with it changes nothing here."""
        write = self.tools.write_page
        if write is None or not self.notes.roll or not self.notes.is_written:
            return
        places = [place for place in self.drives.places if place.name in self.recorded]
        for finding in write(self.notes.roll, places, self.tools.surroundings.now_ns()):
            self.tools.sink(Found(finding))

    def _outcome(self, verdict: Verdict, facts: Facts, published: Published | None) -> Outcome:
        return Outcome(
            verdict,
            facts,
            self.context,
            self.card.path,
            self.card.volume.label,
            published,
            self.recorded,
            self.started_at,
            self.tools.surroundings.now(),
            self.rolls,
            self._made if published else {},
        )

    def facts(self, look: LastLook) -> Facts:
        """What the verdict rests on, at this moment."""
        is_present = is_still_mounted(self.card, self.tools.surroundings)
        facts = gather_facts(
            FactSources(
                self.walk,
                self.columns,
                tuple(self.drives.places),
                self.wish,
                self.drives.failures,
                frozenset(self.drives.away),
                frozenset(self.recorded),
                self.card,
                is_present=is_present,
                is_ledger_written=self.notes.is_written,
                notices=self._all_notices(),
                clip_findings=self.clip_findings,
                sent_differs=self.sent.differs,
                decisions=self.notes.decisions(),
                causes=self.findings,
                is_without_clip=self.is_without_clip,
            ),
            look,
        )
        # A run about a part of a card says nothing of the card.
        return facts if self.wish.only_paths is None else replace(facts, is_as_listed=False)

    def _all_notices(self) -> tuple[Finding, ...]:
        told = [each for each in self.columns.findings if each.code in _NOTICED]
        return (*self.drives.notices, *self.notices, *self._as_sent(), *told)

    def _as_sent(self) -> tuple[Finding, ...]:
        if not self.sent.good:
            return ()
        text = f"{self.sent.good:,} files are as the list that came with them says"
        return (Finding("as-sent", text),)

    def _publish(
        self, verdict: Verdict, facts: Facts, look: LastLook
    ) -> tuple[Verdict, Facts, Published | None]:
        counted = {copy.drive for copy in verdict.copies if copy.counts}
        places = [place for place in self.drives.places if place.name in counted]
        content = to_bytes(statement_of(facts, verdict, self._occasion(places)))
        try:
            published = publish(_rolls_on(places), content, self.tools.key)
        except PublishingError as error:
            self.drives.fail(error.drive, reason(error.error))
            self.recorded.pop(error.drive, None)
            facts = self.facts(look)
            return decide(facts, self.context), facts, None
        facts = self.facts(look)
        now = decide(facts, self.context)
        if not now.is_cleared:
            # The card has left while its clearance was being written.
            withdraw(published)
            return now, facts, None
        self.notes.write(lambda: self._note_clearance(published, verdict))
        return verdict, facts, published

    def _occasion(self, counted: Sequence[Place]) -> Occasion:
        key = self.tools.key
        # Of several rolls no one descent is true of the whole: each has its own beside it.
        whole = [place for place in counted if len(place.rolls) == 1]
        made = {place.name: descends_from(place.rolls[0], key) for place in whole}
        self._made = {name: source for name, source in made.items() if source is not None}
        now = self.tools.surroundings.now()
        return Occasion(
            roll=self.context.roll,
            code=self.context.code,
            production=self.wish.production,
            card=card_name(self.card, self.tools.surroundings),
            content=content_texts(self.roots),
            manifests=manifests_of(self.recorded),
            started=self.started_at,
            proven=now,
            written=now,
            version=__version__,
            key=key_line(key, self.tools.identity),
            paths=folders_of(self.drives.places),
            descends_from=self._made,
            rolls=self.rolls,
        )

    def _note_clearance(self, published: Published, verdict: Verdict) -> None:
        new = clearances.NewClearance(
            self.notes.offload,
            self.notes.card,
            self.notes.roll or None,
            self.walk.inventory.digest,
            published.c4,
            self.tools.key.public.fingerprint,
            self.card.mounting,
            verdict.headline,
            self.tools.surroundings.now_ns(),
        )
        clearances.add(self.tools.ledger, new)

    def write_states(self) -> None:
        """Write down how every file came out, and every drive."""
        entries = self.walk.inventory.entries
        self.notes.card_states(self.columns, entries)
        for place in self.drives.places:
            self.notes.copy_states(place, self.columns, entries)
            states = self.columns.drive_states[place.name]
            failure = self.drives.failures.get(place.name, "")
            written = self.tools.progress.copying.drives.get(place.name)
            result = copies.CopyResult(
                copies.Stage.DROPPED if failure else _STAGES[place.standing],
                place.absolute,
                self.columns.read_back.get(place.name, ReadBack.NONE),
                sum(copies.is_proven(state) for state in states),
                written.done_bytes if written else 0,
                failure,
            )
            self.notes.copy_result(place.name, result)
        self.notes.found([*self.findings, *self.columns.findings, *self.clip_findings])


def _rolls_on(places: Iterable[Place]) -> list[Place]:
    """Every roll of the card on every drive: each record has to say the same."""
    return [roll for place in places for roll in place.rolls]
