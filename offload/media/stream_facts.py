"""What an opened clip says of itself, as the decoding library understands it.

Runs inside the worker. All text is outside text and is escaped and cut here.

Traps that are handled (measured): ProRes in MXF has no average rate; MXF and fragmented files
declare no number of frames; a codec that the library does not know has no codec context; a MOV file
holds its timecode with the picture, MXF with the whole; 24-bit samples are decoded into 32 bits.
"""

import re
from fractions import Fraction

import av
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.stream import Disposition
from av.video.stream import VideoStream

from offload.media.frame_rate import STANDARD_RATES, nominal
from offload.values.clips import AudioTrack, ClipFacts, ColourTags, Container, StartTimecode
from offload.values.paths import shown

MAX_TEXT = 120
MAX_TRACKS = 64

_PCM_BITS = re.compile(r"pcm_[sufb][a-z]*([0-9]{1,2})")
_TIMECODE = re.compile(r"[0-9]{2}:[0-9]{2}:[0-9]{2}[:;.][0-9]{2,3}")
_UNSPECIFIED = 2
_NEAR = Fraction(5, 100)


def facts_of(container: InputContainer, kind: Container) -> ClipFacts:
    """All facts of one opened file."""
    picture = picture_stream(container)
    audio = tuple(_audio_track(stream) for stream in audio_streams(container))
    rate = _rate(picture) if picture is not None and not kind.is_frame else None
    duration = _duration(container, picture, kind)
    context = picture.codec_context if picture is not None else None
    return ClipFacts(
        container=kind,
        codec=_codec_name(picture),
        fourcc=_fourcc(picture) if kind is Container.MOV else "",
        profile=cut_text(picture.profile or "") if context is not None and picture else "",
        width=context.width or None if context is not None else None,
        height=context.height or None if context is not None else None,
        rate=rate,
        frames=_frames(picture, kind, rate, duration),
        duration=duration,
        timecode=_timecode(container, picture),
        reel=_reel(container),
        colour=_colour(picture),
        audio=audio,
        time_reference=_time_reference(container),
    )


def picture_stream(container: InputContainer) -> VideoStream | None:
    """The first stream of pictures that is no cover picture; None where there is none."""
    for stream in container.streams.video:
        if not stream.disposition & Disposition.attached_pic:
            return stream
    return None


def audio_streams(container: InputContainer) -> list[AudioStream]:
    """The sound streams, in the order of the file; no file has more than we look at."""
    return list(container.streams.audio[:MAX_TRACKS])


def is_known(stream: VideoStream | AudioStream) -> bool:
    """Whether the library has a decoder for a stream."""
    return stream.codec_context is not None


def is_uneven(stream: VideoStream) -> bool:
    """Whether frames have unequal durations: the average rate is not the rate of the steps."""
    average, step = stream.average_rate, stream.base_rate
    if not average or not step or nominal(average) == nominal(step):
        return False
    # Interlaced streams count fields as steps.
    return nominal(average) * 2 != nominal(step)


def cut_text(text: str) -> str:
    """Outside text, escaped, and no longer than a line."""
    return shown(text[:MAX_TEXT])[:MAX_TEXT]


def _codec_name(stream: VideoStream | AudioStream | None) -> str:
    if stream is None or not is_known(stream):
        return ""
    return cut_text(stream.codec_context.codec.canonical_name)


def _fourcc(stream: VideoStream | None) -> str:
    if stream is None or not is_known(stream):
        return ""
    return cut_text(stream.codec_context.codec_tag)


def _rate(stream: VideoStream) -> Fraction | None:
    average, step = stream.average_rate, stream.base_rate
    if not average:
        rate = stream.guessed_rate or step
        return rate if rate and rate > 0 else None
    if nominal(average) in STANDARD_RATES or not step:
        return average
    # A dropped frame moves the average a little; the clip's rate is still that of its steps.
    is_near = abs(average - step) <= step * _NEAR
    return step if is_near and nominal(step) in STANDARD_RATES else average


def _duration(
    container: InputContainer, picture: VideoStream | None, kind: Container
) -> Fraction | None:
    if kind.is_frame:
        return None
    streams = [picture, *audio_streams(container)]
    for stream in streams:
        if stream is not None and stream.duration and stream.duration > 0 and stream.time_base:
            return stream.duration * stream.time_base
    if container.duration and container.duration > 0:
        return Fraction(container.duration, av.time_base)
    return None


def _frames(
    picture: VideoStream | None, kind: Container, rate: Fraction | None, duration: Fraction | None
) -> int | None:
    if picture is None:
        return None
    if kind.is_frame:
        return 1
    if picture.frames > 0:
        return picture.frames
    return round(duration * rate) if duration and rate else None


def _timecode(container: InputContainer, picture: VideoStream | None) -> StartTimecode | None:
    sources = [container.metadata]
    if picture is not None:
        sources.insert(0, picture.metadata)
    sources += [stream.metadata for stream in container.streams.data]
    for metadata in sources:
        text = metadata.get("timecode", "")
        if _TIMECODE.fullmatch(text):
            return StartTimecode(text, text[8] != ":")
    return None


def _reel(container: InputContainer) -> str:
    streams = [*container.streams.data, *container.streams.video]
    for metadata in (container.metadata, *(stream.metadata for stream in streams)):
        if name := metadata.get("reel_name", ""):
            return cut_text(name)
    return ""


def _time_reference(container: InputContainer) -> int | None:
    text = container.metadata.get("time_reference", "")
    return int(text) if re.fullmatch("[0-9]{1,18}", text) else None


def _colour(stream: VideoStream | None) -> ColourTags:
    if stream is None or not is_known(stream):
        return ColourTags()
    context = stream.codec_context
    ranges = {1: False, 2: True}
    return ColourTags(
        _code_point(context.color_primaries),
        _code_point(context.color_trc),
        _code_point(context.colorspace),
        ranges.get(int(context.color_range)),
    )


def _code_point(value: int) -> int | None:
    # The library's numbers are those of ITU-T H.273; 2 is "unspecified" there.
    return None if int(value) == _UNSPECIFIED else int(value)


def _audio_track(stream: AudioStream) -> AudioTrack:
    duration = None
    if stream.duration and stream.duration > 0 and stream.time_base:
        duration = stream.duration * stream.time_base
    if not is_known(stream):
        return AudioTrack("", duration=duration)
    name = _codec_name(stream)
    bits = _PCM_BITS.match(name)
    context = stream.codec_context
    return AudioTrack(
        codec=name,
        channels=context.channels,
        sample_rate_hz=context.sample_rate or None,
        bits_per_sample=int(bits[1]) if bits else None,
        duration=duration,
    )
