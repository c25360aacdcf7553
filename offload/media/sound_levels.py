"""Measuring the sound of an opened clip: short clips whole, long ones in pieces spread over them.

Runs inside the worker. Samples are decoded to doubles between -1 and 1; integer samples come
through that exactly.
"""

import math
from array import array
from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction

import av
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.packet import Packet
from av.stream import Discard

from offload.media.stream_facts import audio_streams, is_known
from offload.values.clips import AudioTrack
from offload.values.probed import ChannelLevels, SoundLevels

MAX_CHANNELS = 64
WHOLE_CHANNEL_S = 16
"""Clips of up to so many seconds times channels are listened to from end to end."""
WINDOWS = 4
_WINDOW_S = Fraction(5, 4)
_SHORTEST_S = Fraction(1, 5)
_RUN = 3
"""Samples in a row at full scale that make a clipping; common practice, no source."""

_TONE_SLICE_S = 0.1
_TONE_STEP_S = 0.25
_TONE_RESIDUE = 10 ** (-40 / 20)
_TONE_DRIFT = 0.01
_TONE_CREST_DB = 1.5
_TONE_MISSES = 1
"""Slices that may be no tone: a lossy codec begins with a transient."""
_SINE_DB = 20 * math.log10(math.sqrt(2))
"""Between the plain root mean square and AES17, which gives a full-scale sine 0 dBFS."""
_LOUD = 10 ** (-60 / 20)
_REFUSED = 2
_SAMPLE_RATES = range(1000, 768_001)


@dataclass(slots=True)
class _Meter:
    """One channel, over all pieces."""

    full_scale: float
    sample_rate_hz: int
    peak: float = 0.0
    squares: float = 0.0
    samples: int = 0
    clipped: int = 0
    misses: int = 0
    tones: list[float] = field(default_factory=list)

    def take(self, piece: "array[float]") -> None:
        self.samples += len(piece)
        if not any(piece):
            self.misses += 1
            return
        peak = max(max(piece), -min(piece))
        self.peak = max(self.peak, peak)
        self.squares += math.hypot(*piece) ** 2
        if peak >= self.full_scale:
            self.clipped += _clippings(piece, self.full_scale)
        self._listen_for_tone(piece)

    def levels(self, copy_of: int | None) -> ChannelLevels:
        if not self.squares:
            return ChannelLevels(None, None, copy_of=copy_of)
        rms = math.sqrt(self.squares / self.samples)
        return ChannelLevels(
            peak_dbfs=20 * math.log10(self.peak),
            rms_dbfs=20 * math.log10(rms) + _SINE_DB,
            clipped=self.clipped,
            tone_hz=self._tone(rms),
            copy_of=copy_of,
        )

    def _listen_for_tone(self, piece: "array[float]") -> None:
        length = round(_TONE_SLICE_S * self.sample_rate_hz)
        for start in range(0, len(piece), round(_TONE_STEP_S * self.sample_rate_hz)):
            if self.misses > _TONE_MISSES or len(piece) - start < length:
                return
            tone = tone_hz(piece[start : start + length], self.sample_rate_hz)
            if tone is None:
                self.misses += 1
            else:
                self.tones.append(tone)

    def _tone(self, rms: float) -> float | None:
        if self.misses > _TONE_MISSES or len(self.tones) < 2 or self.peak < _LOUD:
            return None
        # Between the slices too: a steady sine has one crest factor.
        if abs(20 * math.log10(self.peak / rms) - _SINE_DB) > _TONE_CREST_DB:
            return None
        low, high = min(self.tones), max(self.tones)
        return (low + high) / 2 if high <= low * (1 + _TONE_DRIFT) else None


def measure_sound(
    container: InputContainer, tracks: tuple[AudioTrack, ...], duration: Fraction | None
) -> SoundLevels | None:
    """Levels of every channel of an opened clip; None when there is nothing to listen to.

    Args:
        container: opened; its pictures are left out from here on.
        tracks: as in the facts, one for each sound stream.
        duration: of the clip, seconds; None where the file does not say.

    Raises:
        av.error.FFmpegError: the sound does not decode.
        MemoryError: the decoder needs more than the worker may have.
        BudgetError: more would have to be read than was agreed.
    """
    listened = _listened(container, tracks)
    if not listened:
        return None
    indexes = {stream.index for stream, _track in listened}
    for stream in container.streams:
        stream.discard = Discard.default if stream.index in indexes else Discard.all
    meters = [meter for stream, track in listened for meter in _meters(stream, track)]
    same = [set(range(number)) for number in range(len(meters))]
    heard, reached_end = Fraction(0), False
    lengths = [track.duration for _stream, track in listened if track.duration]
    pieces = _pieces(min(lengths) if lengths else duration, len(meters))
    for start, length in pieces:
        planes, reached_end = _listen(container, [each for each, _ in listened], start, length)
        for number, (meter, plane) in enumerate(zip(meters, planes, strict=True)):
            meter.take(plane)
            same[number] = {other for other in same[number] if planes[other] == plane}
        heard += Fraction(len(planes[0]), meters[0].sample_rate_hz)
    is_whole = len(pieces) == 1 and reached_end
    return SoundLevels(_all_levels(meters, same), heard, len(pieces), is_whole)


def tone_hz(samples: "array[float]", sample_rate_hz: int) -> float | None:
    """The frequency of a steady sine; None when the samples are anything else.

    For a sine, x[n-k] + x[n+k] = 2 cos(2 pi f k / rate) x[n] holds for every n, whatever k. With k
    near a quarter of the period, overtones and noise break it most. The frequency comes from the
    zero crossings.
    """
    # A recorder's offset is no part of the tone.
    mean = sum(samples) / max(1, len(samples))
    samples = array("d", (sample - mean for sample in samples))
    rising = [n for n in range(1, len(samples)) if samples[n - 1] < 0 <= samples[n]]
    if len(rising) < 3:
        return None
    frequency = (len(rising) - 1) * sample_rate_hz / (rising[-1] - rising[0])
    lag = max(1, round(sample_rate_hz / frequency / 4))
    middle = samples[lag:-lag]
    sums = array("d", map(float.__add__, samples[: -2 * lag], samples[2 * lag :]))
    energy = _dot(middle, middle)
    if not energy:
        return None
    factor = _dot(middle, sums) / energy
    residue = sum((b - factor * a) ** 2 for a, b in zip(middle, sums, strict=True))
    return frequency if math.sqrt(residue / energy) <= _TONE_RESIDUE else None


def _dot(left: Iterable[float], right: Iterable[float]) -> float:
    return sum(map(float.__mul__, left, right))


def _clippings(piece: "array[float]", full_scale: float) -> int:
    """Runs of three or more samples at full scale, of either sign."""
    count, run, before = 0, 0, -2
    for at in (n for n, value in enumerate(piece) if value >= full_scale or value <= -full_scale):
        run = run + 1 if at == before + 1 else 1
        count += run == _RUN
        before = at
    return count


def _listened(
    container: InputContainer, tracks: tuple[AudioTrack, ...]
) -> list[tuple[AudioStream, AudioTrack]]:
    """The streams that can be decoded, up to a bounded number of channels in all."""
    found: list[tuple[AudioStream, AudioTrack]] = []
    channels = 0
    for stream, track in zip(audio_streams(container), tracks, strict=True):
        if not is_known(stream) or not track.channels or track.sample_rate_hz not in _SAMPLE_RATES:
            continue
        channels += track.channels
        if channels > MAX_CHANNELS:
            break
        found.append((stream, track))
    return found


def _meters(stream: AudioStream, track: AudioTrack) -> list[_Meter]:
    # A lossy codec has no depth, and decodes to numbers with a point: full scale is 1.
    is_float = stream.codec_context.format.name.startswith(("flt", "dbl"))
    bits = track.bits_per_sample
    full_scale = 1.0 if is_float or not bits else 1.0 - 2.0 ** (1 - bits)
    rate = stream.codec_context.sample_rate
    return [_Meter(full_scale, rate) for _ in range(stream.codec_context.channels)]


def _pieces(duration: Fraction | None, channels: int) -> list[tuple[Fraction, Fraction]]:
    """Where to listen, as (start, length) in seconds; one piece when it may be everything."""
    whole = Fraction(WHOLE_CHANNEL_S, channels)
    if duration is None or duration <= whole:
        # A little more than declared: whether it was everything is known only at the end.
        return [(Fraction(0), whole + 1)]
    length = max(_SHORTEST_S, min(_WINDOW_S, whole / WINDOWS))
    step = (duration - length) / (WINDOWS - 1)
    return [(step * number, length) for number in range(WINDOWS)]


def _listen(
    container: InputContainer, streams: list[AudioStream], start: Fraction, length: Fraction
) -> tuple[list["array[float]"], bool]:
    """One piece: an array for each channel of all streams, and whether the sound ended in it."""
    start += Fraction(container.start_time or 0, av.time_base)
    container.seek(int(start * av.time_base), backward=True)
    pieces = {stream.index: _Piece(stream, start, length) for stream in streams}
    for packet in container.demux(streams):
        pieces[packet.stream.index].take(packet)
        if all(piece.wanted <= 0 for piece in pieces.values()):
            break
    planes = [plane for stream in streams for plane in pieces[stream.index].planes]
    return planes, all(piece.wanted > 0 for piece in pieces.values())


class _Piece:
    """What one stream gives from a moment on, as long as it is wanted."""

    def __init__(self, stream: AudioStream, start: Fraction, length: Fraction) -> None:
        self._rate = stream.codec_context.sample_rate
        self._form = ("", "", 0)
        self.wanted = int(length * self._rate)
        self.planes = [array("d") for _ in range(stream.codec_context.channels)]
        self._first = int(start * self._rate)
        self._decoder = stream.codec_context
        self._refused = 0
        self._resampler = av.AudioResampler(format="dbl")

    def take(self, packet: Packet) -> None:  # type: ignore[type-arg]  # generic in stubs only
        if self.wanted <= 0:
            return
        try:
            frames = self._decoder.decode(packet)
        except av.error.InvalidDataError:
            # A decoder that begins in the middle may refuse its first packets.
            self._refused += 1
            if self._refused > _REFUSED:
                raise
            return
        for frame in frames:
            self._convert(frame)

    def _convert(self, frame: AudioFrame) -> None:
        # Broadcast streams may change their form on the way; another number of channels has no
        # place here, anything else needs a new converter.
        form = (frame.format.name, frame.layout.name, frame.sample_rate)
        if frame.layout.nb_channels != len(self.planes) or frame.sample_rate != self._rate:
            return
        if form != self._form:
            self._form = form
            self._resampler = av.AudioResampler(format="dbl")
        for out in self._resampler.resample(frame):
            self._append(out)

    def _append(self, frame: AudioFrame) -> None:
        skipped = 0
        if frame.pts is not None and frame.time_base:
            at = int(frame.pts * frame.time_base * frame.sample_rate)
            # Packets of two tracks begin at different moments; their samples have to stand side
            # by side to be compared.
            skipped = min(frame.samples, max(0, self._first - at))
        end = min(frame.samples, skipped + self.wanted)
        count = len(self.planes)
        # Packed, one plane for all channels: of eight or more planes the library counts too many.
        samples = array("d")
        samples.frombytes(memoryview(frame.planes[0])[skipped * count * 8 : end * count * 8])
        for number, plane in enumerate(self.planes):
            plane.extend(samples[number::count])
        self.wanted -= end - skipped


def _all_levels(meters: list[_Meter], same: list[set[int]]) -> tuple[ChannelLevels, ...]:
    levels: list[ChannelLevels] = []
    for number, meter in enumerate(meters):
        # Silence is not a copy of silence.
        copies = same[number] if meter.peak else set()
        levels.append(meter.levels(min(copies) + 1 if copies else None))
    return tuple(levels)
