"""Measuring the sound of an opened clip: short clips whole, long ones in pieces spread over them.

Runs inside the worker. Samples are decoded to doubles between -1 and 1; integer samples come
through that exactly.
"""

import math
from array import array
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

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
        peak = max(max(piece), -min(piece)) if piece else 0.0
        if not peak:
            self.misses += 1
            return
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
    if not samples:
        return None
    # A recorder's offset is no part of the tone.
    samples = array("d", map((-math.fsum(samples) / len(samples)).__add__, samples))
    if _crest_db(samples) > _SINE_DB + 2 * _TONE_CREST_DB:
        # Speech and noise are known by their peaks, long before anything is counted.
        return None
    rising = [n for n, (a, b) in enumerate(pairwise(samples), 1) if a < 0 <= b]
    if len(rising) < 3:
        return None
    frequency = (len(rising) - 1) * sample_rate_hz / (rising[-1] - rising[0])
    lag = max(1, round(sample_rate_hz / frequency / 4))
    middle = samples[lag:-lag]
    sums = array("d", map(float.__add__, samples[: -2 * lag], samples[2 * lag :]))
    energy = math.hypot(*middle) ** 2
    if not energy:
        return None
    # What is left of the sums when the best multiple of the middle is taken away.
    residue = math.hypot(*sums) ** 2 - sum(map(float.__mul__, middle, sums)) ** 2 / energy
    return frequency if math.sqrt(max(residue, 0.0) / energy) <= _TONE_RESIDUE else None


def _crest_db(samples: "array[float]") -> float:
    rms = math.hypot(*samples) / math.sqrt(len(samples))
    return 20 * math.log10(max(max(samples), -min(samples)) / rms) if rms else 0.0


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
    planes = [plane for stream in streams for plane in pieces[stream.index].finish()]
    return planes, all(piece.wanted > 0 for piece in pieces.values())


class _Piece:
    """What one stream gives from a moment on, as long as it is wanted.

    Frames are gathered and converted together: for frames of a thousand samples the converter's
    call costs more than its work (measured: a third of all that listening took).
    """

    def __init__(self, stream: AudioStream, start: Fraction, length: Fraction) -> None:
        self._rate = stream.codec_context.sample_rate
        self._form = ("", "", 0)
        self._gathered: av.AudioFifo | None = None
        self._skipped = 0
        self._most = self.wanted = int(length * self._rate)
        self._planes = [array("d") for _ in range(stream.codec_context.channels)]
        self._first = int(start * self._rate)
        self._decoder = stream.codec_context
        self._refused = 0

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
            self._gather(frame)

    def finish(self) -> list["array[float]"]:
        """An array for each channel; nothing may be taken afterwards."""
        self._convert()
        return self._planes

    def _gather(self, frame: AudioFrame) -> None:
        # Broadcast streams may change their form on the way; another number of channels has no
        # place here, anything else needs a new converter.
        form = (frame.format.name, frame.layout.name, frame.sample_rate)
        if frame.layout.nb_channels != len(self._planes) or frame.sample_rate != self._rate:
            return
        skipped = self._too_early(frame)
        if self.wanted <= 0 or skipped >= frame.samples:
            return
        if form != self._form or skipped:
            self._convert()
            self._form, self._skipped = form, skipped
        if self._gathered is None:
            self._gathered = av.AudioFifo()
        # Gathered by their order; the moment counts only for what is left out in front.
        frame.pts = None
        self._gathered.write(frame)
        self.wanted -= frame.samples - skipped

    def _too_early(self, frame: AudioFrame) -> int:
        """Samples of a frame that lie before the moment.

        Packets of two tracks begin at different moments; their samples have to stand side by side
        to be compared.
        """
        if frame.pts is None or not frame.time_base:
            return 0
        at = int(frame.pts * frame.time_base * frame.sample_rate)
        return min(frame.samples, max(0, self._first - at))

    def _convert(self) -> None:
        """Take over what was gathered, as doubles."""
        if self._gathered is None:
            return
        gathered = self._gathered.read(0)
        skipped, self._gathered, self._skipped = self._skipped, None, 0
        if gathered is None:
            return
        count = len(self._planes)
        end = min(gathered.samples, self._most - len(self._planes[0]) + skipped)
        for frame in av.AudioResampler(format="dbl").resample(gathered):
            # Packed, one plane for all channels: of eight or more the library counts too many.
            samples = array("d")
            samples.frombytes(memoryview(frame.planes[0])[skipped * count * 8 : end * count * 8])
            for number, plane in enumerate(self._planes):
                plane.extend(samples[number::count])


def _all_levels(meters: list[_Meter], same: list[set[int]]) -> tuple[ChannelLevels, ...]:
    levels: list[ChannelLevels] = []
    for number, meter in enumerate(meters):
        # Silence is not a copy of silence.
        copies = same[number] if meter.peak else set()
        levels.append(meter.levels(min(copies) + 1 if copies else None))
    return tuple(levels)
