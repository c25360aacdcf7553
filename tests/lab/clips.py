"""Real clips, made quickly: a few pictures are encoded and their packets muxed again and again.

Source for the way they are made: measured (rate-controlled encoding takes a hundred times longer);
clip identity as SMPTE RDD 36 (ProRes) and EBU Tech 3285 (broadcast wave) describe it.
"""

import io
import math
import struct
import wave
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import av

RATE = Fraction(24000, 1001)
SOUND_RATE = 48_000


def write_prores(
    path: Path,
    *,
    frames: int = 24,
    width: int = 320,
    height: int = 180,
    rate: Fraction = RATE,
    timecode: str = "13:02:11:00",
    reel: str = "A001",
    seed: int = 1,
) -> None:
    """Write a ProRes 422 HQ clip in a MOV file, with timecode and reel name.

    Args:
        path: where; replaced if it is there.
        frames: pictures in the clip.
        seed: changes the pictures, so that clips differ.
    """
    packets = _pictures(width, height, seed)
    target = io.BytesIO()
    with av.open(target, "w", format="mov") as container:
        container.metadata["reel_name"] = reel
        stream = container.add_stream("prores_ks", rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv422p10le"
        stream.codec_context.options = _QUALITY
        stream.metadata["timecode"] = timecode
        stream.metadata["reel_name"] = reel
        stream.time_base = 1 / rate
        for number in range(frames):
            packet = av.Packet(packets[number % len(packets)])
            packet.stream = stream
            packet.time_base = 1 / rate
            packet.pts = packet.dts = number
            packet.duration = 1
            packet.is_keyframe = True
            container.mux(packet)
    path.write_bytes(target.getvalue())


def write_wave(
    path: Path, *, seconds: float = 1.0, channels: int = 2, hertz: float = 440.0
) -> None:
    """Write a 24-bit wave file with a tone of -20 dBFS in every channel."""
    peak = 10 ** (-20 / 20) * (2**23 - 1)
    count = int(seconds * SOUND_RATE)
    samples = bytearray()
    for number in range(count):
        value = int(peak * math.sin(2 * math.pi * hertz * number / SOUND_RATE))
        samples += struct.pack("<i", value)[:3] * channels
    with wave.open(str(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(3)
        file.setframerate(SOUND_RATE)
        file.writeframes(bytes(samples))


_QUALITY = {"profile": "hq", "flags": "+qscale", "global_quality": "150"}


@lru_cache(maxsize=16)
def _pictures(width: int, height: int, seed: int) -> tuple[bytes, ...]:
    """Two encoded pictures; every picture of this codec stands alone."""
    encoder = av.CodecContext.create("prores_ks", "w")
    encoder.width, encoder.height, encoder.pix_fmt = width, height, "yuv422p10le"
    encoder.time_base = 1 / RATE
    encoder.framerate = RATE
    encoder.options = _QUALITY
    made: list[bytes] = []
    for number in range(2):
        frame = av.VideoFrame(width, height, "yuv422p10le")
        for plane_number, plane in enumerate(frame.planes):
            plane.update(_plane(plane.buffer_size, plane.line_size, seed + number, plane_number))
        frame.pts, frame.time_base = number, 1 / RATE
        made += [bytes(packet) for packet in encoder.encode(frame)]
    made += [bytes(packet) for packet in encoder.encode(None)]
    return tuple(made)


def _plane(size: int, line: int, seed: int, number: int) -> bytes:
    # A slope with a pattern that depends on the seed: cheap, not flat, inside the 10-bit range.
    row = [(64 + (at * (seed + 3) + number * 97) % 800) for at in range(line // 2)]
    packed = struct.pack(f"<{len(row)}H", *row)
    return (packed * (size // line + 1))[:size]
