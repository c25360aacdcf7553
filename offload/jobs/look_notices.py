"""What the camera team is told of one card's clips as a whole: brief, sound, numbers, times, rolls.

None of it keeps a card.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from offload.media.brief import Brief, check_brief
from offload.media.camera_sheet import ExpectedRoll
from offload.media.clip_names import COMMON_PATTERNS, read_roll
from offload.media.continuity import check_clock, check_format_date, check_timecode
from offload.media.name_pattern import NamePattern
from offload.media.numbering import (
    KnownRoll,
    check_clips,
    check_rolls,
    check_sheet,
)
from offload.media.sheet_clips import ExpectedClip, check_sheet_clips
from offload.media.sound import sound_notices
from offload.values.clips import Clip, ClipFacts, ClipFile
from offload.values.entries import Entries, Kind
from offload.values.probed import SoundLevels
from offload.values.verdict import Notice


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the camera sheet lists.

    Attributes:
        rolls: that are to come.
        clips: likewise.
    """

    rolls: tuple[ExpectedRoll, ...] = ()
    clips: tuple[ExpectedClip, ...] = ()


@dataclass(frozen=True, slots=True)
class Occasion:
    """What stands around the clips.

    Attributes:
        roll: what the card is called; empty when unknown.
        brief: what was asked for.
        sheet: what the camera team has written down.
        rolls: of the production, this one too.
        came_ns: the station's clock when the card came, nanoseconds since 1970; None where the
            clips have been lying about and their age says nothing.
        formatted_ns: when the card says that it was formatted; None where it does not.
    """

    roll: str = ""
    brief: Brief = field(default_factory=Brief)
    sheet: Sheet = field(default_factory=Sheet)
    rolls: tuple[KnownRoll, ...] = ()
    came_ns: int | None = None
    formatted_ns: int | None = None

    @property
    def patterns(self) -> tuple[NamePattern, ...]:
        """How clips are named: as the brief says, else as is common."""
        return (self.brief.clip_name,) if self.brief.clip_name else COMMON_PATTERNS


def notices_of(
    occasion: Occasion,
    clips: Sequence[Clip],
    facts: Mapping[bytes, ClipFacts],
    sounds: Mapping[bytes, SoundLevels],
    entries: Entries,
) -> tuple[Notice, ...]:
    """Everything there is to tell, the most urgent first.

    Args:
        occasion: what stands around the clips.
        clips: of the card.
        facts: by clip path; of those that could be looked into.
        sounds: likewise, of those that were listened to.
        entries: of the card: a still picture takes a number of a camera's counter too.
    """
    others = _other_paths(clips, entries)
    numbering = check_clips(clips, occasion.roll, occasion.patterns, facts, others)
    return (
        *sound_notices(sounds),
        *check_brief(occasion.brief, facts, occasion.roll),
        *numbering.notices,
        *check_timecode(facts),
        *_clock(clips, occasion),
        *roll_notices(occasion),
        *check_sheet_clips(occasion.sheet.clips, occasion.roll, clips, occasion.patterns),
    )


def roll_notices(occasion: Occasion) -> tuple[Notice, ...]:
    """Roll numbers: skipped just before this one, used twice, on the sheet and not here."""
    sheet = occasion.sheet.rolls
    came = [known.roll for known in occasion.rolls]
    return (
        *check_rolls(_neighbours(occasion)),
        *(check_sheet(sheet, [*came, occasion.roll]) if sheet else ()),
    )


def _neighbours(occasion: Occasion) -> list[KnownRoll]:
    """This roll's number and the next lower one: what was told of others is not told again."""
    own = read_roll(occasion.roll)
    if own is None:
        return []
    numbered = [(read, known) for known in occasion.rolls if (read := read_roll(known.roll))]
    before = max(
        (read for read, _ in numbered if read[0] == own[0] and read[1] < own[1]), default=own
    )
    return [known for read, known in numbered if read in (own, before)]


def _clock(clips: Sequence[Clip], occasion: Occasion) -> Iterator[Notice]:
    if occasion.came_ns is not None:
        yield from check_clock(_files(clips), occasion.came_ns)
    if occasion.formatted_ns is not None:
        yield from check_format_date(_files(clips), occasion.formatted_ns)


def _files(clips: Iterable[Clip]) -> Iterator[ClipFile]:
    return (file for clip in clips for file in clip.files)


def _other_paths(clips: Iterable[Clip], entries: Entries) -> Iterator[bytes]:
    is_of_clip = bytearray(len(entries))
    for clip in clips:
        for number in clip.files.entry_numbers:
            is_of_clip[number] = 1
    return (
        entries.path(number)
        for number in range(len(entries))
        if not is_of_clip[number] and entries.kind(number) is Kind.FILE
    )
