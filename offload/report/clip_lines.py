"""A clip as a page shows it: what it is, how it sounds, four answers, checksums, findings."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from offload.ledger.clips import KeptClip
from offload.report.spelling import Spellings, counted, length, level, phrase, safe, size
from offload.values.clips import (
    AsOrdered,
    AudioTrack,
    ClipFacts,
    ClipKind,
    Complete,
    Copied,
    Usable,
    Weight,
)
from offload.values.paths import name, parent, to_text
from offload.values.probed import ChannelLevels, Picture, SoundLevels

MOST_CHANNELS = 16
MOST_FINDINGS = 8
_FLOOR_DBFS = -60.0
"""Left end of a level's bar; a quieter channel has an empty one."""

_WORDS: dict[Copied | Complete | Usable | AsOrdered, tuple[str, str]] = {
    Copied.YES: ("copied", "yes"),
    Copied.NO: ("copied", "NO"),
    Copied.UNKNOWN: ("copied", "not known"),
    Complete.YES: ("complete", "yes"),
    Complete.NO: ("complete", "NO"),
    Complete.UNKNOWN: ("complete", "not known"),
    Usable.YES: ("decodes", "yes"),
    Usable.NO: ("decodes", "NO"),
    Usable.UNKNOWN: ("decodes", "not known"),
    AsOrdered.YES: ("as ordered", "yes"),
    AsOrdered.NO: ("as ordered", "NO"),
    AsOrdered.UNKNOWN: ("as ordered", "not asked or not known"),
}
_WEIGHTS = {Weight.HOLD: "doubt", Weight.NOTICE: "tell the camera team", Weight.NOTE: "note"}


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the ledger has of one clip beside the clip itself.

    Attributes:
        digests: raw, by checksum name; of a clip that is one file.
        proven_on: drives on which it is proven; None where that is not kept by file.
        copied: what may be said when it is not.
        picture: from its middle.
    """

    digests: Mapping[str, bytes]
    proven_on: tuple[str, ...] | None = None
    copied: Copied = Copied.UNKNOWN
    picture: Picture | None = None


@dataclass(frozen=True, slots=True)
class ChannelLine:
    """One channel of sound.

    Attributes:
        number: from 1.
        peak, rms: levels in dBFS as text.
        is_silent: every sample is zero, so that it has no level.
        peak_bar, rms_bar: how long their bars are, of 100.
        notes: what is odd about it.
    """

    number: int
    peak: str
    rms: str
    is_silent: bool
    peak_bar: int
    rms_bar: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ClipLine:
    """One clip; all texts are printable.

    Attributes:
        name, folder: of its file, or its first one.
        files: how many, and how large.
        first, last: timecode of its first and last frame, or the time of day of its sound.
        length, frames: how long it is.
        picture_format, sound_format: what it says of itself, in parts.
        reel: reel or tape name.
        channels: some of them; ``more_channels`` are left out.
        heard: how much of its sound was listened to.
        answers: question and word, in their order.
        checksums: name and text.
        findings: weight in words, and text; ``more_findings`` are left out.
        picture: from its middle.
        kept: as the ledger has it.
        proven_on, copied: see :class:`Evidence`.
    """

    name: str
    folder: str
    files: str
    first: str
    last: str
    length: str
    frames: str
    picture_format: tuple[str, ...]
    sound_format: tuple[str, ...]
    reel: str
    channels: tuple[ChannelLine, ...]
    more_channels: int
    heard: str
    answers: tuple[tuple[str, str], ...]
    checksums: tuple[tuple[str, str], ...]
    findings: tuple[tuple[str, str], ...]
    more_findings: int
    picture: Picture | None
    kept: KeptClip
    proven_on: tuple[str, ...] | None
    copied: Copied


def clip_line(clip: KeptClip, evidence: Evidence, spellings: Spellings) -> ClipLine:
    """One clip as it is shown."""
    facts, sound = clip.probed.facts, clip.probed.sound
    levels = sound.channels if sound else ()
    told = [each for each in clip.findings if each.weight is not Weight.NOTE]
    return ClipLine(
        name=to_text(name(clip.path)),
        folder=to_text(parent(clip.path)),
        files=f"{_files(clip)}, {size(clip.total_bytes)}",
        first=_first(facts),
        last=spellings.last_timecode(facts),
        length=length(facts.duration),
        frames=counted(facts.frames, "frame") if facts.frames else "",
        picture_format=tuple(_picture_format(facts, spellings)),
        sound_format=tuple(_track(track) for track in facts.audio[:MOST_CHANNELS]),
        reel=phrase(facts.reel),
        channels=tuple(_channels(levels[:MOST_CHANNELS])),
        more_channels=max(0, len(levels) - MOST_CHANNELS),
        heard=_heard(sound),
        answers=tuple(_answers(clip, evidence)),
        checksums=tuple(
            (each, spellings.digest(each, raw)) for each, raw in evidence.digests.items()
        ),
        findings=tuple((_WEIGHTS[each.weight], phrase(each.text)) for each in told[:MOST_FINDINGS]),
        more_findings=max(0, len(told) - MOST_FINDINGS),
        picture=evidence.picture,
        kept=clip,
        proven_on=evidence.proven_on,
        copied=evidence.copied,
    )


def time_of_day(facts: ClipFacts) -> str:
    """When a recording of sound began, by its samples since midnight (EBU Tech 3285)."""
    rate = facts.audio[0].sample_rate_hz if facts.audio else None
    if facts.time_reference is None or not rate:
        return ""
    milliseconds = int(Fraction(facts.time_reference, rate) * 1000)
    seconds, rest = divmod(milliseconds, 1000)
    return f"{seconds // 3600:02}:{seconds % 3600 // 60:02}:{seconds % 60:02}.{rest:03}"


def _files(clip: KeptClip) -> str:
    if clip.kind is ClipKind.FRAMES:
        return f"{counted(clip.files, 'frame')}, one file each"
    return counted(clip.files, "file")


def _first(facts: ClipFacts) -> str:
    return phrase(facts.timecode.text) if facts.timecode else time_of_day(facts)


def _picture_format(facts: ClipFacts, spellings: Spellings) -> Iterator[str]:
    if facts.codec or facts.fourcc:
        yield phrase(spellings.codec(facts))
    if facts.width and facts.height:
        yield f"{facts.width}x{facts.height}"
    if facts.rate:
        yield f"{spellings.rate(facts.rate)} fps"


def _track(track: AudioTrack) -> str:
    # How samples lie in the file means nothing to whoever reads the page; their depth is told.
    codec = "PCM" if track.codec.startswith("pcm_") else track.codec.upper()
    parts = [
        counted(track.channels, "channel") if track.channels is not None else "",
        safe(codec),
    ]
    if track.sample_rate_hz:
        parts.append(f"{track.sample_rate_hz / 1000:g} kHz")
    if track.bits_per_sample:
        parts.append(f"{track.bits_per_sample} bit")
    return " ".join(part for part in parts if part)


def _channels(levels: Sequence[ChannelLevels]) -> Iterator[ChannelLine]:
    for number, each in enumerate(levels, 1):
        yield ChannelLine(
            number,
            level(each.peak_dbfs),
            level(each.rms_dbfs),
            each.peak_dbfs is None,
            _bar(each.peak_dbfs),
            _bar(each.rms_dbfs),
            tuple(_channel_notes(each)),
        )


def _channel_notes(each: ChannelLevels) -> Iterator[str]:
    if each.clipped:
        yield f"at full scale {counted(each.clipped, 'time')}"
    if each.tone_hz is not None:
        yield f"only a tone of {each.tone_hz:.0f} Hz"
    if each.copy_of is not None:
        yield f"same as channel {each.copy_of}"


def _bar(dbfs: float | None) -> int:
    if dbfs is None:
        return 0
    return round(100 * min(1.0, max(0.0, (dbfs - _FLOOR_DBFS) / -_FLOOR_DBFS)))


def _heard(sound: SoundLevels | None) -> str:
    if sound is None or not sound.channels:
        return ""
    if sound.is_whole:
        return "all of it listened to"
    pieces = counted(sound.windows, "piece")
    return f"{float(sound.heard):.0f} s listened to, in {pieces} spread over the clip"


def _answers(clip: KeptClip, evidence: Evidence) -> Iterator[tuple[str, str]]:
    if evidence.proven_on is None:
        yield _WORDS[evidence.copied]
    elif evidence.proven_on:
        yield "copied", f"proven on {', '.join(evidence.proven_on)}"
    else:
        yield "copied", "NO, proven on no drive"
    yield _WORDS[clip.answers.complete]
    yield _WORDS[clip.answers.usable]
    yield _WORDS[clip.answers.as_ordered]
