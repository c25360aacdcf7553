"""MOV and MP4: boxes that must add up, and an index that must describe what is there.

The rules are those of the ISO base media file format (ISO/IEC 14496-12) and of the older form it
grew from. A recording that was never closed has no ``moov``; one that was cut short has a box
that reaches past the end of the file; both look whole to programs that only play.
"""

from dataclasses import dataclass, field
from fractions import Fraction

from offload.media.bmff_boxes import BoxData
from offload.media.bmff_descriptions import SampleDescription
from offload.media.bmff_fragments import (
    FragmentCheck,
    FragmentSamples,
    check_announced,
    check_random_access,
)
from offload.media.bmff_index import Index, Track, read_index
from offload.media.bmff_overlaps import check_overlaps
from offload.media.bmff_samples import TrackSamples, check_samples, note_layout
from offload.media.bmff_top import TopLevel, read_top_level
from offload.media.heads import Looking, check_heads
from offload.media.packed import number
from offload.media.reading import EndOfFileError
from offload.media.structure import (
    Essence,
    EssenceLayout,
    MalformedError,
    StructureReport,
    StructureTrack,
    TimecodeStart,
    TrackKind,
)
from offload.values.clips import ClipCode, Container
from offload.values.paths import to_text

_STILL_BRANDS = frozenset((b"heic", b"heix", b"mif1", b"msf1", b"avif", b"crx ", b"miaf"))
_KINDS = {b"vide": TrackKind.PICTURE, b"soun": TrackKind.SOUND, b"tmcd": TrackKind.TIMECODE}
_LEAST_TOLERANCE = Fraction(1, 20)
_DROP_FLAG = 0x1


@dataclass(slots=True)
class _Clip:
    """What has been learnt of one file so far."""

    looking: Looking
    top: TopLevel
    index: Index | None = None
    layout: EssenceLayout = field(default_factory=EssenceLayout)
    tracks: list[StructureTrack] = field(default_factory=list)
    timecode: TimecodeStart | None = None
    reel: bytes = b""
    variant: str = ""


def check(looking: Looking) -> StructureReport:
    """Check one file.

    Args:
        looking: the file, and where flaws go.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    clip = _Clip(looking, read_top_level(looking.reader, looking.findings))
    clip.index = _index(clip)
    if clip.index is not None and not clip.index.is_compressed:
        _check_essence(clip, clip.index)
    return StructureReport(
        container=Container.MOV,
        variant=clip.variant,
        tracks=tuple(clip.tracks),
        duration=_duration(clip),
        timecode=clip.timecode,
        reel=to_text(clip.reel[:255]),
        layout=clip.layout,
    )


def _duration(clip: _Clip) -> Fraction | None:
    """As declared for the movie; in fragments that is 0, and the longest track counts."""
    declared = clip.index.seconds if clip.index else None
    return declared or max((t.duration for t in clip.tracks if t.duration), default=declared)


def _index(clip: _Clip) -> Index | None:
    """The one index; its absence or doubling is reported."""
    findings, top = clip.looking.findings, clip.top
    indexes = top.of(b"moov")
    if not indexes:
        if top.brand in _STILL_BRANDS:
            clip.variant = "still"
            findings.notice(ClipCode.OPAQUE, "index", "a still picture; we cannot look inside")
            return None
        findings.add(
            ClipCode.UNFINISHED,
            "index",
            "it has no index ('moov'): the recording was not closed, or its end is missing",
        )
        return None
    if len(indexes) > 1:
        findings.add(ClipCode.DAMAGED, "index", f"it has {len(indexes)} indexes", indexes[1].start)
    box = indexes[0]
    data = clip.looking.reader.need(box.start, box.end - box.start)
    index = read_index(BoxData(memoryview(data), box.start), findings)
    if index.is_compressed:
        findings.notice(
            ClipCode.OPAQUE, "index", "its index is compressed; we cannot look inside", box.start
        )
    return index


def _check_essence(clip: _Clip, index: Index) -> None:
    findings = clip.looking.findings
    held: list[TrackSamples] = []
    found: list[TrackSamples | None] = []
    for track in index.tracks:
        samples = check_samples(index.source, track, clip.top.mdats, findings)
        found.append(samples)
        if samples and not track.is_external:
            held.append(samples)
    is_fragmented = bool(index.is_fragmented or clip.top.of(b"moof"))
    fragments = _fragments(clip, index) if is_fragmented else {}
    _check_amount(clip, index, held, fragments, is_fragmented)
    if not is_fragmented and all(found):
        check_overlaps(held, clip.top.mdats, index.source.offset, findings)
    for track, samples in zip(index.tracks, found, strict=True):
        _look_at_track(clip, track, samples, fragments.get(track.number))
    _compare_lengths(clip, index)


def _fragments(clip: _Clip, index: Index) -> dict[int, FragmentSamples]:
    clip.variant = "fragmented"
    reader, findings = clip.looking.reader, clip.looking.findings
    follow = FragmentCheck(reader, index, clip.top.mdats, findings)
    moofs = clip.top.of(b"moof")
    for moof in moofs:
        try:
            follow.add(moof)
        except MalformedError as error:
            findings.malformed(error)
    for box in clip.top.of(b"mfra"):
        check_random_access(reader, box, [moof.start for moof in moofs], findings)
    check_announced(index, follow.tracks, findings)
    return follow.tracks


def _check_amount(
    clip: _Clip,
    index: Index,
    held: list[TrackSamples],
    fragments: dict[int, FragmentSamples],
    is_fragmented: bool,
) -> None:
    """There must be something to describe, and something described."""
    findings = clip.looking.findings
    listed = any(samples.samples for samples in held)
    listed = listed or any(samples.offsets for samples in fragments.values())
    is_external = any(track.is_external for track in index.tracks)
    if is_external:
        findings.notice(
            ClipCode.OPAQUE,
            "index",
            "its pictures or sounds lie in another file, which is not followed",
        )
    elif not clip.top.mdats:
        findings.add(ClipCode.DAMAGED, "index", "it has an index and no media data")
    elif index.tracks and not listed:
        what = "fragments" if is_fragmented else "samples"
        findings.add(ClipCode.UNFINISHED, "index", f"its index lists no {what}")


def _look_at_track(
    clip: _Clip,
    track: Track,
    samples: TrackSamples | None,
    fragments: FragmentSamples | None,
) -> None:
    description = track.descriptions[0] if track.descriptions else SampleDescription(b"")
    clip.tracks.append(_structure_track(track, description, samples, fragments))
    if description.is_encrypted:
        clip.looking.findings.notice(
            ClipCode.OPAQUE, "index", f"track {track.number} is encrypted; we cannot look inside"
        )
    if track.is_external:
        return
    if samples and samples.samples:
        note_layout(samples, clip.layout)
        check_heads(
            clip.looking,
            samples.essence,
            samples.samples,
            samples.locate,
            description.unit_length_bytes,
        )
        _read_timecode(clip, track, description, samples.locate(0))
    if fragments and fragments.offsets:
        _look_at_fragments(clip, description, fragments)
        _read_timecode(clip, track, description, fragments.locate(0))


def _look_at_fragments(
    clip: _Clip, description: SampleDescription, fragments: FragmentSamples
) -> None:
    clip.layout.extend(fragments.offsets, fragments.lengths, description.essence)
    check_heads(
        clip.looking,
        description.essence,
        len(fragments.offsets),
        fragments.locate,
        description.unit_length_bytes,
    )


def _structure_track(
    track: Track,
    description: SampleDescription,
    samples: TrackSamples | None,
    fragments: FragmentSamples | None,
) -> StructureTrack:
    kind = _KINDS.get(track.handler, TrackKind.OTHER)
    count = samples.samples if samples else 0
    units = samples.duration if samples else 0
    usual = samples.frame_duration if samples else 0
    if fragments and fragments.offsets:
        count, units = count + len(fragments.offsets), units + fragments.duration
        usual = usual or fragments.frame_duration
        if description.essence is Essence.PCM:
            # One entry of a fragment is a packet of many sample frames.
            count = units
    rate = description.sample_rate
    if kind is TrackKind.PICTURE:
        rate = Fraction(track.timescale, usual) if usual and track.timescale else None
    is_picture = kind is TrackKind.PICTURE
    return StructureTrack(
        kind=kind,
        number=track.number,
        essence=samples.essence if samples else description.essence,
        fourcc=to_text(description.fourcc),
        width=description.width if is_picture else None,
        height=description.height if is_picture else None,
        rate=rate,
        samples=count if samples or fragments else None,
        duration=Fraction(units, track.timescale) if track.timescale else None,
        channels=description.channels if kind is TrackKind.SOUND else None,
        bits=description.bits or None,
        is_encrypted=description.is_encrypted,
    )


def _read_timecode(
    clip: _Clip, track: Track, description: SampleDescription, place: tuple[int, int]
) -> None:
    """Take the first timecode track's first sample (QuickTime file format, timecode media)."""
    offset, size = place
    if clip.timecode is not None or description.timecode is None or size < 4:
        return
    flags, _scale, _length, base = description.timecode
    try:
        frame = number(clip.looking.reader.need(offset, 4), 0, 4)
    except EndOfFileError:
        return
    clip.timecode = TimecodeStart(frame, base, bool(flags & _DROP_FLAG))
    clip.reel = track.reel


def _compare_lengths(clip: _Clip, index: Index) -> None:
    """Picture and sound should be equally long, within two frames or a twentieth of a second."""
    pictures = [t for t in clip.tracks if t.kind is TrackKind.PICTURE and t.duration and t.rate]
    if not pictures:
        return
    picture = max(pictures, key=lambda track: track.duration or 0)
    tolerance = max(2 / (picture.rate or Fraction(25)), _LEAST_TOLERANCE)
    for track in clip.tracks:
        if track.kind is not TrackKind.SOUND or track.duration is None:
            continue
        apart = track.duration - (picture.duration or 0)
        if abs(apart) > tolerance:
            word = "longer" if apart > 0 else "shorter"
            clip.looking.findings.notice(
                ClipCode.LENGTHS_DIFFER,
                "track-lengths",
                f"sound track {track.number} is {float(abs(apart)):.2f} s {word} than the picture",
            )
    if index.seconds is not None and clip.variant != "fragmented":
        longest = max(track.duration or Fraction(0) for track in clip.tracks)
        if abs(index.seconds - longest) > max(tolerance, Fraction(1, 2)):
            clip.looking.findings.notice(
                ClipCode.LENGTHS_DIFFER,
                "track-lengths",
                f"the movie is declared to last {float(index.seconds):.2f} s, "
                f"its tracks last {float(longest):.2f} s",
            )
