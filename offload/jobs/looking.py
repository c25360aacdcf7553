"""Looking into a card's clips while and after it is copied: what is whole, usable and as ordered.

Order:

1. Beside the copying pass, structure is checked on the card, so that what is broken is told while
   the camera is still there. Not where the card is read once only: then every reading of the card
   during the copying has to be the copying's own, or the proof of it would be weaker.
2. After proving, what is left of the structure checks, the runs of zeros met while copying, and
   pictures and sound are looked into on the first drive whose copy of the clip is proven.
3. A clip's own doubts become holds, which a person may settle; everything else is told.
4. Every clip is kept in the ledger with its four answers.

Nothing here answers for bytes. Whatever fails in it becomes "could not be checked", which keeps
the card, and never ends or shortens what is about bytes.
"""

import contextlib
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from offload.card.layout import Layout
from offload.events import Found
from offload.jobs.look_decode import is_still, look_into, spread_stills, time_for
from offload.jobs.look_files import Copies, Source, read_small
from offload.jobs.look_findings import clip_findings_of, findings_of, holds_of, told_of
from offload.jobs.look_kept import LookedInto, clip_rule, kept_clip, sounds_of
from offload.jobs.look_notices import Occasion, notices_of
from offload.jobs.look_structure import (
    CardCheck,
    Checked,
    LookStoppedError,
    check_clip,
    is_certain,
)
from offload.jobs.look_zeros import ZeroBlocks
from offload.jobs.noting import Notes
from offload.jobs.opening import HeldCard
from offload.jobs.passes import PassColumns
from offload.jobs.placing import Place
from offload.jobs.tools import Tools
from offload.jobs.wishes import Wish
from offload.ledger import clips as kept_clips
from offload.ledger import rolls
from offload.ledger.clips import KeptClip
from offload.ledger.copies import is_proven
from offload.media.clip_files import group_files
from offload.media.numbering import KnownRoll
from offload.transfer.results import ZeroRuns
from offload.values.clips import (
    Clip,
    ClipCode,
    ClipFinding,
    Copied,
)
from offload.values.entries import Entries
from offload.values.facts import CardState
from offload.values.findings import Finding
from offload.volumes.fat_label import read_format_time

NOT_LOOKED = "not-looked-into"
_BATCH = 50
_EVENTS = 100
"""Broken clips told one by one while the card is copied; all of them are in the verdict."""


class Looking:
    """The look at one card's clips, over the length of one run.

    Args:
        wish: asks for it or not.
        tools: of the run; events of the check on the card come from its own thread.
        card: held.
        notes: of the run.

    Attributes:
        holds: doubts about clips that keep the card.
        notices: what is told and keeps nothing.
    """

    def __init__(self, wish: Wish, tools: Tools, card: HeldCard, notes: Notes) -> None:
        self.holds: tuple[Finding, ...] = ()
        self.notices: tuple[Finding, ...] = () if wish.looks else _nobody_looked(wish)
        self._wish = wish
        self._tools = tools
        self._card = card
        self._notes = notes
        self._entries = Entries()
        self._is_clip = clip_rule(None)
        self._on_card: CardCheck | None = None
        self._told: set[tuple[str, bytes]] = set()
        self._looked: list[LookedInto] = []
        self._kept: dict[bytes, list[ClipFinding]] = {}
        self._occasion = Occasion()
        self._zeros = ZeroBlocks(ZeroRuns(), (), {})
        self._came_ns = tools.surroundings.now_ns()

    @property
    def is_wanted(self) -> bool:
        """Whether anybody is to look; a run about a part of a card judges nothing."""
        return self._wish.looks and self._wish.only_paths is None

    def begin(self, entries: Entries, layout: Layout | None) -> None:
        """The copying begins.

        Args:
            entries: of the card.
            layout: of the card, where it was recognised.
        """
        self._entries = entries
        self._is_clip = clip_rule(layout)
        if self.is_wanted and self._wish.policy.card_reads != 1:
            self._on_card = CardCheck(self._card.root, entries, self._is_clip, self._tell)
            self._on_card.start()

    def leave_card(self) -> None:
        """The copying has ended: from now on the card belongs to the proving alone."""
        if self._on_card is not None:
            self._on_card.stop()

    def look(
        self, places: Sequence[Place], columns: PassColumns, roll: str, read: Collection[int]
    ) -> None:
        """Look into every clip on proven copies, and come to holds and notices.

        Args:
            places: drives that take part and have not been dropped.
            columns: of the run, after proving.
            roll: what the card is called.
            read: numbers of the entries that the copying pass has read.
        """
        copies = Copies(places, columns.drive_states, self._entries)
        try:
            self._zeros = ZeroBlocks(columns.copied.zero_runs, read, self._kept_before())
            self._look_into_all(copies, columns)
            self._judge(roll)
        except LookStoppedError:
            # The run stops too, and says so itself.
            return
        except Exception as error:  # noqa: BLE001 - becomes part of the result, and keeps the card
            self._fail(error)
        finally:
            copies.close()

    def keep(self, columns: PassColumns) -> None:
        """Write every clip down with its four answers, after the last look at card and drives."""
        try:
            for batch in _batches(self._looked):
                self._write([self._kept_clip(each, columns) for each in batch])
        except Exception as error:  # noqa: BLE001 - becomes part of the result, and keeps the card
            self._fail(error)

    # --- on the card ---

    def _tell(self, checked: Checked) -> None:
        """A clip was checked on the card: say at once what is wrong with it, if it is for certain.

        What could not be read is tried again on a copy first.
        """
        if checked.is_unchecked:
            return
        for hold in holds_of(checked.clip, filter(is_certain, checked.findings)):
            if len(self._told) < _EVENTS:
                self._told.add((hold.code, hold.path))
                self._tools.sink(Found(hold))

    # --- on the copies ---

    def _look_into_all(self, copies: Copies, columns: PassColumns) -> None:
        clips = self._clips(copies)
        on_card = self._on_card
        before = on_card.handed_over() if on_card is not None and on_card.clips is clips else {}
        checked = (
            self._checked(clip, before.pop(number, None), copies)
            for number, clip in enumerate(clips)
        )
        stills = spread_stills(clips)

        def source_of(clip: Clip) -> Source | None:
            return None if is_still(clip) and clip.path not in stills else copies.source_of(clip)

        found = look_into(checked, source_of, self._tools.is_stopped, time_for(clips))
        waiting: list[LookedInto] = []
        with contextlib.closing(found):
            for its, probed in found:
                waiting.append(LookedInto(its, probed))
                bare = replace(its, reports={})
                self._looked.append(LookedInto(bare, replace(probed, picture=None)))
                if len(waiting) >= _BATCH:
                    self._write([self._kept_clip(each, columns) for each in waiting])
                    waiting.clear()
        self._write([self._kept_clip(each, columns) for each in waiting])

    def _clips(self, copies: Copies) -> tuple[Clip, ...]:
        if self._on_card is not None and (known := self._on_card.clips) is not None:
            return known

        def read(path: bytes, most_bytes: int) -> bytes:
            source = copies.source_with(path)
            if source is None:
                raise FileNotFoundError
            return read_small(source, path, most_bytes)

        return group_files(self._entries, is_clip=self._is_clip, read=read)

    def _checked(self, clip: Clip, before: Checked | None, copies: Copies) -> Checked:
        """The structure check, from the card where it holds, else on a proven copy."""
        zeros, is_stopped = self._zeros, self._tools.is_stopped
        is_enough = not zeros.noted_in(clip) and zeros.is_known(clip)
        if before is not None and not before.is_unchecked and is_enough:
            return before.with_more(zeros.carried(clip))
        source = copies.source_of(clip)
        if source is None:
            # Its bytes are proven nowhere, and that keeps the card.
            return Checked(clip, findings=clip.findings) if before is None else before.as_far()
        if zeros.is_known(clip):
            checked = check_clip(clip, source, is_stopped, lambda at, _: zeros.noted.of(at))
            return checked.with_more(zeros.carried(clip))
        return check_clip(
            clip, source, is_stopped, lambda at, path: zeros.runs_in(at, path, source, is_stopped)
        )

    # --- what it comes to ---

    def _judge(self, roll: str) -> None:
        self._occasion = Occasion(
            roll,
            self._wish.brief,
            self._wish.sheet,
            self._known_rolls(),
            self._came_ns,
            None if self._card.is_folder else read_format_time(self._card.volume),
        )
        facts = {each.clip.path: each.probed.facts for each in self._looked if len(each.clip.files)}
        notices = notices_of(
            self._occasion,
            [each.clip for each in self._looked],
            facts,
            sounds_of(self._looked),
            self._entries,
        )
        # Levels are said of each clip with its own numbers.
        self._kept = clip_findings_of(n for n in notices if not n.code.startswith("sound-"))
        holds = [hold for each in self._looked for hold in holds_of(each.clip, each.findings)]
        told = [(each.clip, finding) for each in self._looked for finding in each.findings]
        self.holds = tuple(holds)
        self.notices = (
            *(finding for notice in notices for finding in findings_of(notice)),
            *told_of(told),
        )
        self._tell_rest()

    def _tell_rest(self) -> None:
        for hold in self.holds:
            if (hold.code, hold.path) not in self._told and len(self._told) < _EVENTS:
                self._told.add((hold.code, hold.path))
                self._tools.sink(Found(hold))
        # One event for all clips that share a fault; the verdict names them.
        for (code, text), count in Counter((n.code, n.text) for n in self.notices).items():
            path = next(n.path for n in self.notices if (n.code, n.text) == (code, text))
            more = f" (and {count - 1} more clips)" if count > 1 else ""
            self._tools.sink(Found(Finding(code, f"{text}{more}", path)))

    def _known_rolls(self) -> tuple[KnownRoll, ...]:
        """The rolls of this production that the ledger knows; this one is among them."""
        found: list[rolls.Roll] = []
        self._notes.write(lambda: found.extend(rolls.newest(self._tools.ledger)))
        return tuple(
            KnownRoll(each.name, each.code)
            for each in found
            if each.production == self._wish.production
        )

    def _fail(self, error: Exception) -> None:
        text = f"the check of the clips failed ({type(error).__name__})"
        failure = Finding(ClipCode.UNCHECKED, text)
        self.holds = (*self.holds, failure)
        self._tools.sink(Found(failure))

    # --- the ledger ---

    def _kept_before(self) -> dict[bytes, KeptClip]:
        found: list[KeptClip] = []
        notes = self._notes
        if notes.roll:
            notes.write(lambda: found.extend(kept_clips.of_roll(self._tools.ledger, notes.roll)))
        return {each.path: each for each in found}

    def _write(self, batch: Sequence[KeptClip]) -> None:
        notes = self._notes
        if notes.roll and batch:
            notes.write(lambda: kept_clips.keep(self._tools.ledger, notes.roll, batch))

    def _kept_clip(self, each: LookedInto, columns: PassColumns) -> KeptClip:
        return kept_clip(
            each,
            self._copied(each.clip, columns),
            self._wish.brief,
            self._occasion.roll,
            self._kept.get(each.clip.path, ()),
        )

    def _copied(self, clip: Clip, columns: PassColumns) -> Copied:
        """Whether checksums say that every byte of it is on as many drives as were asked for."""
        numbers = clip.files.entry_numbers
        is_read = all(columns.card_states[at] == CardState.READ_EQUAL for at in numbers)
        drives = sum(
            all(is_proven(states[at]) for at in numbers) for states in columns.drive_states.values()
        )
        return Copied.YES if is_read and drives >= self._wish.policy.copies_needed else Copied.NO


def _nobody_looked(wish: Wish) -> tuple[Finding, ...]:
    if wish.only_paths is not None:
        return ()
    text = "the clips are copied and proven; nobody looked into them, as was asked"
    return (Finding(NOT_LOOKED, text),)


def _batches(looked: Sequence[LookedInto]) -> Iterable[Sequence[LookedInto]]:
    for start in range(0, len(looked), _BATCH):
        yield looked[start : start + _BATCH]
