"""Looking into a whole clip, however many files it has, and putting together what they say.

* One file: that file.
* Spanned files: every part; the clip is as long as all of them, and begins where the first does.
* Essence group: every file; one has the pictures, the others a sound track each.
* Frames: the first, the middle and the last; the clip has as many pictures as files.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TypeVar

from offload.media.look_request import PICTURE_WIDTH, Depth, LookRequest
from offload.media.probe import ProbePool, ProbeRequest
from offload.media.structure import StructureReport, StructureTrack, TrackKind
from offload.media.timecode import Timecode
from offload.values.clips import (
    Answers,
    AsOrdered,
    AudioTrack,
    Clip,
    ClipCode,
    ClipFile,
    ClipFinding,
    ClipKind,
    Complete,
    Copied,
    StartTimecode,
    Usable,
    Weight,
)
from offload.values.probed import ChannelLevels, Probed, SoundLevels

T = TypeVar("T", int, Fraction)

MAX_PARTS = 1000
"""Files of a spanned clip or essence group that are looked into; more of them is a finding."""

OpenFile = Callable[[bytes], int]
"""Gives a descriptor of a path, open for reading only; called in several threads."""


@dataclass(frozen=True, slots=True)
class ClipLook:
    """A look that is under way.

    Attributes:
        clip: what is looked into.
        parts: of its files, in recording order.
        reports: what the structure checks said, by path.
    """

    clip: Clip
    parts: tuple[Future[Probed], ...]
    reports: Mapping[bytes, StructureReport]

    def result(self) -> Probed:
        """What the look gave; waits for it."""
        probed = [part.result() for part in self.parts]
        whole = _put_together(self.clip, probed)
        report = self.reports.get(self.clip.path)
        if report is None:
            return whole
        known = with_structure(whole, report)
        if self.clip.kind in (ClipKind.FILE, ClipKind.ESSENCE_GROUP):
            return known
        # The report is the first file's: its length is not the clip's.
        length = whole.facts
        facts = replace(known.facts, frames=length.frames, duration=length.duration)
        return replace(known, facts=facts)


def start_look(
    pool: ProbePool,
    clip: Clip,
    open_file: OpenFile,
    reports: Mapping[bytes, StructureReport],
    depth: Depth = Depth.QUICK,
) -> ClipLook:
    """Queue all that has to be looked into for one clip.

    Args:
        pool: of workers.
        clip: its files, on whatever ``open_file`` opens: a proven copy.
        open_file: see :data:`OpenFile`.
        reports: structure reports by path; the container is decided by them, by content.
        depth: how much is decoded.
    """
    chosen = _chosen(clip)
    middle = len(chosen) // 2
    parts = [
        pool.submit(_request(clip, file, open_file, reports, depth, number == middle))
        for number, file in enumerate(chosen)
    ]
    return ClipLook(clip, tuple(parts), reports)


def with_structure(probed: Probed, report: StructureReport) -> Probed:
    """The look, with what only the structure says: the code and raster of an unknown codec."""
    facts = probed.facts
    picture = _first(report.tracks, TrackKind.PICTURE)
    if picture is not None:
        facts = replace(
            facts,
            fourcc=facts.fourcc or picture.fourcc,
            width=facts.width or picture.width,
            height=facts.height or picture.height,
            rate=facts.rate or picture.rate,
            frames=facts.frames or picture.samples,
        )
    return replace(
        probed,
        facts=replace(
            facts,
            duration=facts.duration or report.duration,
            reel=facts.reel or report.reel,
            timecode=facts.timecode or _timecode(report),
            audio=facts.audio or _audio(report),
        ),
    )


def answers_of(
    probed: Probed | None,
    report: StructureReport | None,
    copied: Copied = Copied.UNKNOWN,
    as_ordered: AsOrdered = AsOrdered.UNKNOWN,
) -> Answers:
    """The four answers about one clip; none of them stands in for another."""
    complete = report.complete if report else Complete.UNKNOWN
    usable = probed.usable if probed else Usable.UNKNOWN
    if probed and any(
        each.code in (ClipCode.COUNTS_DIFFER, ClipCode.PART_MISSING) and each.weight is Weight.HOLD
        for each in probed.findings
    ):
        complete = Complete.NO
    return Answers(copied, complete, usable, as_ordered)


def _chosen(clip: Clip) -> Sequence[ClipFile]:
    files = clip.files
    if clip.kind is not ClipKind.FRAMES:
        return files[:MAX_PARTS]
    places = sorted({0, len(files) // 2, len(files) - 1}) if len(files) else []
    return [files[at] for at in places]


def _request(
    clip: Clip,
    file: ClipFile,
    open_file: OpenFile,
    reports: Mapping[bytes, StructureReport],
    depth: Depth,
    has_picture: bool,
) -> ProbeRequest:
    report = reports.get(file.path)
    look = LookRequest(
        container=report.container if report else clip.container,
        depth=depth,
        picture_width=PICTURE_WIDTH if has_picture or clip.kind is ClipKind.ESSENCE_GROUP else 0,
        is_encrypted=any(track.is_encrypted for track in report.tracks) if report else False,
    )
    return ProbeRequest(file.path, lambda: open_file(file.path), look)


def _put_together(clip: Clip, parts: Sequence[Probed]) -> Probed:
    if not parts:
        return Probed()
    if clip.kind is ClipKind.FILE:
        return parts[0]
    whole = Probed(
        facts=parts[0].facts,
        usable=_usable(parts),
        findings=tuple(each for part in parts for each in part.findings),
        picture=next((part.picture for part in parts if part.picture), None),
        pictures_decoded=sum(part.pictures_decoded for part in parts),
        bytes_read=sum(part.bytes_read for part in parts),
    )
    if clip.kind is ClipKind.FRAMES:
        return _frames(whole, parts, clip)
    if clip.kind is ClipKind.SPANNED:
        return _spanned(whole, parts, clip)
    return _group(whole, parts)


def _usable(parts: Sequence[Probed]) -> Usable:
    answers = {part.usable for part in parts}
    if Usable.NO in answers:
        return Usable.NO
    return Usable.YES if answers == {Usable.YES} else Usable.UNKNOWN


def _frames(whole: Probed, parts: Sequence[Probed], clip: Clip) -> Probed:
    facts = replace(whole.facts, frames=len(clip.files))
    rasters = {(part.facts.width, part.facts.height) for part in parts if part.facts.width}
    if len(rasters) < 2:
        return replace(whole, facts=facts)
    sizes = " and ".join(sorted(f"{width}x{height}" for width, height in rasters))
    finding = ClipFinding(
        ClipCode.DAMAGED,
        f"its frames differ in size: {sizes}",
        clip.path,
        weight=Weight.NOTICE,
        check="frame-rasters",
    )
    return replace(whole, facts=facts, findings=(*whole.findings, finding))


def _spanned(whole: Probed, parts: Sequence[Probed], clip: Clip) -> Probed:
    facts = replace(
        whole.facts,
        frames=_total([part.facts.frames for part in parts]),
        duration=_total([part.facts.duration for part in parts]),
        audio=tuple(
            replace(track, duration=_total([_track_s(part, at) for part in parts]))
            for at, track in enumerate(whole.facts.audio)
        ),
    )
    whole = replace(whole, facts=facts, sound=_sound_of_parts([part.sound for part in parts]))
    return whole if len(clip.files) == len(parts) else _left_out(whole, parts, clip)


def _left_out(whole: Probed, parts: Sequence[Probed], clip: Clip) -> Probed:
    text = f"could not be checked: it has {len(clip.files)} parts, {len(parts)} were looked into"
    finding = ClipFinding(ClipCode.UNCHECKED, text, clip.path, check="parts")
    return replace(
        whole,
        # The length would be a guess.
        facts=replace(whole.facts, frames=None, duration=None),
        usable=Usable.UNKNOWN if whole.usable is Usable.YES else whole.usable,
        findings=(*whole.findings, finding),
    )


def _group(whole: Probed, parts: Sequence[Probed]) -> Probed:
    picture = next((part for part in parts if part.facts.width), parts[0])
    timecode = picture.facts.timecode
    facts = replace(
        picture.facts,
        audio=tuple(track for part in parts for track in part.facts.audio),
        timecode=timecode or next((p.facts.timecode for p in parts if p.facts.timecode), None),
    )
    return replace(whole, facts=facts, sound=_sound_of_tracks([part.sound for part in parts]))


def _total(values: Sequence[T | None]) -> T | None:
    known = [value for value in values if value is not None]
    return sum(known[1:], known[0]) if known and len(known) == len(values) else None


def _track_s(part: Probed, at: int) -> Fraction | None:
    return part.facts.audio[at].duration if at < len(part.facts.audio) else None


def _sound_of_parts(sounds: Sequence[SoundLevels | None]) -> SoundLevels | None:
    """One after the other: peaks are the highest, RMS the mean of the energy."""
    known = [sound for sound in sounds if sound is not None]
    counts = {len(sound.channels) for sound in known}
    if not known or len(counts) != 1:
        return None
    heard = sum((sound.heard for sound in known), Fraction(0))
    channels = tuple(
        _joined([(sound.channels[at], sound.heard) for sound in known])
        for at in range(counts.pop())
    )
    is_whole = len(known) == len(sounds) and all(sound.is_whole for sound in known)
    return SoundLevels(channels, heard, sum(sound.windows for sound in known), is_whole)


def _joined(parts: Sequence[tuple[ChannelLevels, Fraction]]) -> ChannelLevels:
    levels = [each for each, _heard in parts]
    peaks = [each.peak_dbfs for each in levels if each.peak_dbfs is not None]
    energy = sum(
        10 ** (each.rms_dbfs / 10) * float(heard)
        for each, heard in parts
        if each.rms_dbfs is not None
    )
    total_s = float(sum(heard for _each, heard in parts))
    tones = {each.tone_hz for each in levels}
    copies = {each.copy_of for each in levels}
    return ChannelLevels(
        peak_dbfs=max(peaks, default=None),
        rms_dbfs=10 * math.log10(energy / total_s) if energy and total_s else None,
        clipped=sum(each.clipped for each in levels),
        tone_hz=_one_tone(tones),
        copy_of=copies.pop() if len(copies) == 1 else None,
    )


def _one_tone(tones: set[float | None]) -> float | None:
    known = [tone for tone in tones if tone is not None]
    if len(known) != len(tones) or max(known) > min(known) * 1.01:
        return None
    return known[0]


def _sound_of_tracks(sounds: Sequence[SoundLevels | None]) -> SoundLevels | None:
    """Side by side: the channels of every file, numbered on."""
    channels: list[ChannelLevels] = []
    known = [sound for sound in sounds if sound is not None]
    for sound in known:
        before = len(channels)
        channels += [
            replace(each, copy_of=each.copy_of + before if each.copy_of else None)
            for each in sound.channels
        ]
    if not channels:
        return None
    return SoundLevels(
        tuple(channels),
        min(sound.heard for sound in known),
        max(sound.windows for sound in known),
        all(sound.is_whole for sound in known),
    )


def _first(tracks: Sequence[StructureTrack], kind: TrackKind) -> StructureTrack | None:
    return next((track for track in tracks if track.kind is kind), None)


def _timecode(report: StructureReport) -> StartTimecode | None:
    start = report.timecode
    if start is None or start.base < 1:
        return None
    label = Timecode(0, start.base, start.is_drop and start.base in (30, 60)).later(start.frame)
    return StartTimecode(str(label), start.is_drop)


def _audio(report: StructureReport) -> tuple[AudioTrack, ...]:
    return tuple(
        AudioTrack(
            codec=track.codec,
            channels=track.channels,
            sample_rate_hz=int(track.rate) if track.rate else None,
            bits_per_sample=track.bits,
            duration=track.duration,
        )
        for track in report.tracks
        if track.kind is TrackKind.SOUND
    )
