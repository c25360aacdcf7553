"""All that a page says of one roll, gathered from the ledger."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from fractions import Fraction

from offload.ledger import clips, copies, files, inventories, rolls
from offload.ledger.clips import KeptClip
from offload.ledger.copies import CopyColumns, is_proven
from offload.ledger.database import Ledger
from offload.ledger.files import FileColumns
from offload.ledger.offloads import Work
from offload.ledger.rolls import Roll
from offload.report.clip_lines import ClipLine, Evidence, clip_line
from offload.report.drive_lines import DriveLine, drive_lines
from offload.report.said import MOST_PATHS, Point, Said, Standing, said_of
from offload.report.spelling import Spellings, phrase, safe
from offload.values.clips import ClipKind, Copied, Weight
from offload.values.entries import Entries
from offload.values.paths import name, to_text
from offload.values.probed import Picture

MOST_POINTS = 60

FindPicture = Callable[[Roll, KeptClip], Picture | None]
"""Gives a picture that the ledger has not."""


@dataclass(frozen=True, slots=True)
class Sources:
    """What a page is made of.

    Attributes:
        ledger: the station's memory.
        spellings: see there.
        zone: for moments; None for the machine's own.
        find_picture: see there; left out where the ledger's pictures are all that is wanted.
    """

    ledger: Ledger
    spellings: Spellings
    zone: tzinfo | None = None
    find_picture: FindPicture | None = None


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums over clips and files.

    Attributes:
        rolls, clips, files, size_bytes: how many, how much.
        seconds: running time of all clips whose length is known.
        unknown_lengths: clips whose length is not.
        formats: picture formats and how many clips are in each, most first.
    """

    rolls: int = 0
    clips: int = 0
    files: int = 0
    size_bytes: int = 0
    seconds: Fraction = Fraction(0)
    unknown_lengths: int = 0
    formats: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class RollFacts:
    """One roll.

    Attributes:
        roll: as the ledger has it.
        name: as it is shown.
        production: as it is shown.
        said: of its card.
        drives: where it is.
        clips: what is on it.
        found: what was found in clips and is not among the verdict's points.
        totals: its sums.
        names_before: earlier names, with who changed them and why.
        beyond: findings that did not fit into the ledger.
    """

    roll: Roll
    name: str
    production: str
    said: Said
    drives: tuple[DriveLine, ...]
    clips: tuple[ClipLine, ...]
    found: tuple[Point, ...]
    totals: Totals
    names_before: tuple[str, ...]
    beyond: int = 0

    @property
    def first(self) -> str:
        """Timecode of the first frame of the first clip that has one."""
        return next((each.first for each in self.clips if each.first and each.last), "")

    @property
    def last(self) -> str:
        """Timecode of the last frame of the last clip that has one."""
        return next((each.last for each in reversed(self.clips) if each.last), "")

    @property
    def is_plain_name(self) -> bool:
        """Whether the name can stand in a command as it is."""
        return all(char.isascii() and (char.isalnum() or char in "-_.") for char in self.name)


def roll_facts(sources: Sources, roll: Roll, *, with_pictures: bool = True) -> RollFacts:
    """Everything about one roll.

    Args:
        with_pictures: look for the clips' pictures too.

    Raises:
        LedgerError: what the ledger has of it is damaged.
    """
    ledger = sources.ledger
    said = said_of(ledger, roll.roll, sources.zone)
    kept = clips.of_roll(ledger, roll.roll)
    looked = _Looked(sources, roll, said, with_pictures=with_pictures)
    lines = tuple(looked.line(clip) for clip in kept)
    listed = inventories.describe(ledger, said.run.inventory) if said.run else None
    return RollFacts(
        roll,
        safe(roll.name),
        safe(roll.production),
        said,
        drive_lines(ledger, roll.roll, said, sources.zone),
        lines,
        found_in_clips(kept, said),
        _totals(lines, listed.files if listed else 0, listed.total_bytes if listed else 0),
        tuple(
            f"{safe(each.old)} until {safe(each.by)} renamed it: {phrase(each.because)}"
            for each in rolls.names_before(ledger, roll.roll)
        ),
        said.run.findings_beyond if said.run else 0,
    )


def added(totals: Sequence[Totals]) -> Totals:
    """Sums of sums."""
    formats: Counter[str] = Counter()
    for each in totals:
        formats.update(dict(each.formats))
    return Totals(
        sum(each.rolls for each in totals),
        sum(each.clips for each in totals),
        sum(each.files for each in totals),
        sum(each.size_bytes for each in totals),
        sum((each.seconds for each in totals), Fraction(0)),
        sum(each.unknown_lengths for each in totals),
        tuple(formats.most_common()),
    )


def found_in_clips(kept: Sequence[KeptClip], said: Said) -> tuple[Point, ...]:
    """One point for all clips with the same finding; those that the verdict names are left out."""
    known = {each.code for each in (*said.holds, *said.notices)}
    groups: dict[tuple[str, str], list[str]] = {}
    for clip in kept:
        for each in clip.findings:
            if each.weight is not Weight.NOTE and each.code not in known:
                groups.setdefault((each.code, each.text), []).append(to_text(name(clip.path)))
    points = [
        Point(code, phrase(text), tuple(names[:MOST_PATHS]), max(0, len(names) - MOST_PATHS))
        for (code, text), names in groups.items()
    ]
    points.sort(key=lambda point: -len(point.names) - point.more)
    return tuple(points[:MOST_POINTS])


class _Looked:
    """What one run left in the ledger, as far as clips ask for it."""

    def __init__(self, sources: Sources, roll: Roll, said: Said, *, with_pictures: bool) -> None:
        self._sources = sources
        self._roll = roll
        self._with_pictures = with_pictures
        self._is_cleared = said.standing is Standing.CLEARED
        # Written back from records, a run has no states of files of its own.
        self._has_states = said.run is not None and said.run.work is not Work.REBUILT
        self._entries = Entries()
        self._files: FileColumns | None = None
        self._copies: list[tuple[str, CopyColumns]] = []
        if said.run is not None:
            self._load(said.run.offload, said.run.inventory)

    def _load(self, offload: int, inventory: int) -> None:
        ledger = self._sources.ledger
        self._entries = inventories.load(ledger, inventory).entries
        count = len(self._entries)
        self._files = files.load(ledger, offload, count)
        self._copies = [
            (safe(copy.drive_name), copies.load(ledger, copy.copy, count))
            for copy in copies.of_offload(ledger, offload)
        ]

    def line(self, clip: KeptClip) -> ClipLine:
        evidence = self._evidence(clip)
        if self._with_pictures:
            evidence = replace(evidence, picture=self._picture(clip))
        return clip_line(clip, evidence, self._sources.spellings)

    def _evidence(self, clip: KeptClip) -> Evidence:
        at = _number_of(self._entries, clip.path) if clip.kind is ClipKind.FILE else None
        if at is None:
            copied = Copied.YES if self._is_cleared else clip.answers.copied
            return Evidence({}, None, copied)
        digests = {}
        for each in self._files.digests if self._files else ():
            found = self._files.digest(each, at) if self._files else None
            if found is not None:
                digests[each] = found
        proven = tuple(drive for drive, found in self._copies if is_proven(found.states[at]))
        if not proven and (self._is_cleared or not self._has_states):
            # The verdict rests on copies whose files' states are kept elsewhere.
            return Evidence(digests, None, Copied.YES if self._is_cleared else Copied.UNKNOWN)
        return Evidence(digests, proven)

    def _picture(self, clip: KeptClip) -> Picture | None:
        kept = clips.picture(self._sources.ledger, self._roll.roll, clip.path)
        if kept is not None or self._sources.find_picture is None:
            return kept
        return self._sources.find_picture(self._roll, clip)


def _number_of(entries: Entries, path: bytes) -> int | None:
    """The number of an entry, by halving: entries are sorted by path."""
    low, high = 0, len(entries)
    while low < high:
        middle = (low + high) // 2
        if entries.path(middle) < path:
            low = middle + 1
        else:
            high = middle
    return low if low < len(entries) and entries.path(low) == path else None


def _totals(lines: Sequence[ClipLine], file_count: int, size_bytes: int) -> Totals:
    lengths = [line.kept.probed.facts.duration for line in lines]
    formats = Counter(", ".join(line.picture_format) or "no picture" for line in lines)
    return Totals(
        1,
        len(lines),
        file_count,
        size_bytes,
        sum((each for each in lengths if each is not None), Fraction(0)),
        sum(each is None for each in lengths),
        tuple(formats.most_common()),
    )
