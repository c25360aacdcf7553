"""Footage of every kind that a card may hold: pictures, sound of known level, timecode.

Made with FFmpeg's own encoders and writers. Of codecs that keep whole pictures only a few are
encoded and their packets written again and again (measured: a hundred times as fast).
"""

import math
import random
import struct
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)
FULL_SCALE = 2**23 - 1


@dataclass(frozen=True)
class Codec:
    """One encoder and how it is set."""

    encoder: str
    pixels: str
    options: dict[str, str] = field(default_factory=dict)
    is_intra: bool = True


def _prores(profile: str, pixels: str = "yuv422p10le") -> Codec:
    return Codec(
        "prores_ks",
        pixels,
        {"profile": profile, "flags": "+qscale", "global_quality": "150"},
    )


CODECS = {
    "prores-proxy": _prores("proxy"),
    "prores-lt": _prores("lt"),
    "prores": _prores("standard"),
    "prores-hq": _prores("hq"),
    "prores-4444": _prores("4444", "yuv444p10le"),
    "prores-xq": _prores("4444xq", "yuv444p10le"),
    "vc3-sq": Codec("dnxhd", "yuv422p", {"profile": "dnxhr_sq"}),
    "vc3-hqx": Codec("dnxhd", "yuv422p10le", {"profile": "dnxhr_hqx"}),
    "h264": Codec("libx264", "yuv420p", {"preset": "ultrafast", "g": "12"}, False),
    "h264-b": Codec("libx264", "yuv420p", {"preset": "veryfast", "g": "12"}, False),
    "hevc": Codec(
        "libx265", "yuv420p", {"preset": "ultrafast", "x265-params": "log-level=none"}, False
    ),
    "mpeg2": Codec("mpeg2video", "yuv420p", {"g": "12"}, False),
}


@dataclass(frozen=True)
class Track:
    """One sound track: samples of 24 bits, one array for each channel."""

    channels: Sequence["array[int]"]
    codec: str = "pcm_s24le"
    rate: int = 48000


def tone(
    dbfs: float, hertz: float = 1000.0, seconds: float = 2.0, rate: int = 48000
) -> "array[int]":
    """A sine whose peak is ``dbfs`` below full scale (AES17: its RMS level too)."""
    peak = FULL_SCALE * 10 ** (dbfs / 20)
    step = 2 * math.pi * hertz / rate
    return array("i", (round(peak * math.sin(step * n)) for n in range(int(seconds * rate))))


def noise(dbfs: float, seconds: float = 2.0, rate: int = 48000, seed: int = 1) -> "array[int]":
    """White noise that stays under ``dbfs``."""
    dice = random.Random(seed)
    peak = FULL_SCALE * 10 ** (dbfs / 20)
    return array("i", (round(dice.uniform(-peak, peak)) for _ in range(int(seconds * rate))))


def silence(seconds: float = 2.0, rate: int = 48000) -> "array[int]":
    """Nothing but zeros."""
    return array("i", bytes(4 * int(seconds * rate)))


def write_footage(
    path: Path,
    *,
    container: str = "mov",
    codec: str | None = "prores-hq",
    frames: int = 48,
    size: tuple[int, int] = (320, 180),
    rate: Fraction = FILM,
    timecode: str = "",
    reel: str = "",
    tracks: Iterable[Track] = (),
    durations: Sequence[int] = (),
    colour: tuple[int, int, int] | None = None,
    options: dict[str, str] | None = None,
    metadata: dict[str, str] | None = None,
) -> Path:
    """Write one clip.

    Args:
        path: where.
        container: as the writer is called.
        codec: of :data:`CODECS`; None for sound alone.
        frames: pictures.
        size: of the raster.
        rate: frames a second.
        timecode: of the first frame; ``;`` before the frames for drop-frame.
        reel: its name.
        tracks: of sound.
        durations: of the first pictures, in frames; 1 for those not named.
        colour: primaries, transfer, matrix by the numbers of ITU-T H.273.
        options: of the writer.
        metadata: of the whole file.
    """
    with av.open(str(path), "w", format=container, container_options=options or {}) as target:
        target.metadata.update(metadata or {})
        video = None
        if codec is not None:
            video = _add_video(target, CODECS[codec], size, rate, colour)
            if timecode:
                video.metadata["timecode"] = timecode
            if reel:
                video.metadata["reel_name"] = reel
        audio = [(_add_audio(target, track), track) for track in tracks]
        if video is not None and codec is not None:
            _write_pictures(target, video, CODECS[codec], size, rate, frames, durations)
        for stream, track in audio:
            _write_sound(target, stream, track)
    return path


def write_frame(path: Path, *, size: tuple[int, int] = (320, 180), seed: int = 1) -> Path:
    """Write one frame file; what it is, its suffix says (dpx, tif, exr, j2c)."""
    encoders = {
        ".dpx": ("dpx", "gbrp10be"),
        ".tif": ("tiff", "rgb48le"),
        ".exr": ("exr", "gbrpf32le"),
        ".j2c": ("jpeg2000", "rgb48le"),
    }
    name, pixels = encoders[path.suffix]
    encoder = av.CodecContext.create(name, "w")
    encoder.width, encoder.height = size
    encoder.pix_fmt, encoder.time_base = pixels, 1 / FILM
    if name == "jpeg2000":
        # The codestream alone, as cameras write it, and no boxes of a JP2 file around it.
        encoder.options = {"format": "j2k"}
    frame = picture(size, pixels, seed)
    frame.pts, frame.time_base = 0, 1 / FILM
    packets = [*encoder.encode(frame), *encoder.encode(None)]
    path.write_bytes(b"".join(bytes(packet) for packet in packets))
    return path


def write_dng(path: Path, *, size: tuple[int, int] = (64, 36), level: int = 900) -> Path:
    """Write one frame of undeveloped sensor data: 16 bits, dark, the tags of DNG 1.4 by hand."""
    width, height = size
    pixels = struct.pack("<H", level) * (width * height)
    tags = [
        (254, 4, 1, 0),
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, 16),
        (259, 3, 1, 1),
        (262, 3, 1, 32803),  # colour filter array
        (273, 4, 1, 0),
        (277, 3, 1, 1),
        (278, 4, 1, height),
        (279, 4, 1, len(pixels)),
        (33421, 3, 2, 2 | 2 << 16),
        (33422, 1, 4, 0 | 1 << 8 | 1 << 16 | 2 << 24),
        (50706, 1, 4, 1 | 4 << 8),
    ]
    start = 8 + 2 + 12 * len(tags) + 4
    body = b"".join(
        struct.pack("<HHII", tag, kind, count, start if tag == 273 else value)
        for tag, kind, count, value in tags
    )
    head = b"II*\0" + struct.pack("<IH", 8, len(tags))
    path.write_bytes(head + body + b"\0\0\0\0" + pixels)
    return path


def picture(size: tuple[int, int], pixels: str, seed: int) -> av.VideoFrame:
    """A grey slope with some grain: neither flat nor noise."""
    frame = av.VideoFrame(*size, "gray")
    width, height = size
    row = bytes((40 + (x * 160 // width + seed * 7) % 170) for x in range(width))
    plane = frame.planes[0]
    line = row.ljust(plane.line_size, b"\0")
    rows = [line[shift:] + line[:shift] for shift in range(4)]
    plane.update(b"".join(rows[y % 4] for y in range(height)).ljust(plane.buffer_size, b"\0"))
    return frame.reformat(format=pixels)


def _add_video(target, codec: Codec, size, rate: Fraction, colour):
    video = target.add_stream(codec.encoder, rate=rate)
    video.width, video.height = size
    video.pix_fmt = codec.pixels
    video.options = dict(codec.options)
    video.codec_context.time_base = 1 / rate
    if colour:
        context = video.codec_context
        context.color_primaries, context.color_trc, context.colorspace = colour
        context.color_range = 1
    return video


def _write_pictures(target, video, codec: Codec, size, rate, frames: int, durations) -> None:
    at = 0
    encoded: list[bytes] = []
    for number in range(frames):
        length = durations[number] if number < len(durations) else 1
        if codec.is_intra and len(encoded) >= 2:
            packet = av.Packet(encoded[number % 2])
            packet.stream, packet.time_base = video, 1 / rate
            packet.pts = packet.dts = at
            packet.duration, packet.is_keyframe = length, True
            target.mux(packet)
        else:
            frame = picture(size, codec.pixels, number)
            frame.pts, frame.time_base = at, 1 / rate
            for packet in video.encode(frame):
                encoded.append(bytes(packet))
                if codec.is_intra:
                    packet.duration = length
                target.mux(packet)
        at += length
    for packet in video.encode(None):
        target.mux(packet)


def _add_audio(target, track: Track):
    stream = target.add_stream(track.codec, rate=track.rate)
    names = {1: "mono", 2: "stereo", 4: "quad", 6: "5.1", 8: "7.1"}
    stream.layout = names[len(track.channels)]
    return stream


def _write_sound(target, stream, track: Track) -> None:
    count = len(track.channels)
    interleaved = array("i", bytes(4 * count * len(track.channels[0])))
    for number, channel in enumerate(track.channels):
        interleaved[number::count] = array("i", (sample << 8 for sample in channel))
    data = memoryview(interleaved).cast("B")
    fifo = av.AudioFifo()
    total = len(track.channels[0])
    for at in range(0, total, 1600):
        samples = min(1600, total - at)
        frame = av.AudioFrame(format="s32", layout=stream.layout.name, samples=samples)
        frame.sample_rate, frame.time_base, frame.pts = track.rate, Fraction(1, track.rate), at
        piece = bytes(data[at * count * 4 : (at + samples) * count * 4])
        frame.planes[0].update(piece.ljust(frame.planes[0].buffer_size, b"\0"))
        fifo.write(frame)
    resampler = av.AudioResampler(
        format=stream.codec_context.format, layout=stream.layout.name, rate=track.rate
    )
    size = stream.codec_context.frame_size or 1600
    while (frame := fifo.read(size, partial=True)) is not None:
        for ready in resampler.resample(frame):
            for packet in stream.encode(ready):
                target.mux(packet)
    for packet in stream.encode(None):
        target.mux(packet)
