"""Recordings made by a real encoder are recognised; what computers leave on cards is not."""

from fractions import Fraction
from io import BytesIO

import av
import pytest

from offload.card.signatures import SIGNATURE_BYTES, has_clip_signature


def _pictures(
    container: str, codec: str, size: tuple[int, int], pixels: str, **options: str
) -> bytes:
    target = BytesIO()
    with av.open(target, "w", format=container) as out:
        stream = out.add_stream(codec, rate=Fraction(25), options=options)
        stream.width, stream.height = size
        stream.pix_fmt = pixels
        for number in range(4):
            frame = av.VideoFrame(*size, pixels)
            for plane in frame.planes:
                plane.update(bytes([16 + number]) * plane.buffer_size)
            frame.pts = number
            frame.time_base = Fraction(1, 25)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return target.getvalue()


def _sound(container: str, codec: str, **options: str) -> bytes:
    target = BytesIO()
    with av.open(target, "w", format=container, container_options=options) as out:
        stream = out.add_stream(codec, rate=48000)
        frame = av.AudioFrame(format="s16", layout="stereo", samples=1920)
        frame.sample_rate = 48000
        for plane in frame.planes:
            plane.update(bytes(plane.buffer_size))
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return target.getvalue()


# Reference tool: FFmpeg's own writers, by way of PyAV.
PICTURES = {
    "mov": ("mov", "prores_ks", (128, 64), "yuv422p10le"),
    "mxf": ("mxf", "prores_ks", (128, 64), "yuv422p10le"),
    "vc3": ("dnxhd", "dnxhd", (1920, 1080), "yuv422p"),
    "mpegts": ("mpegts", "mpeg2video", (128, 64), "yuv420p"),
    "avi": ("avi", "mjpeg", (128, 64), "yuvj420p"),
    "matroska": ("matroska", "mpeg2video", (128, 64), "yuv420p"),
    "dpx": ("image2pipe", "dpx", (128, 64), "rgb24"),
    "tiff": ("image2pipe", "tiff", (128, 64), "rgb24"),
    "exr": ("image2pipe", "exr", (128, 64), "gbrpf32le"),
    "jpeg": ("image2pipe", "mjpeg", (128, 64), "yuvj420p"),
    "jpeg2000": ("image2pipe", "jpeg2000", (128, 64), "rgb24"),
    "dv": ("dv", "dvvideo", (720, 576), "yuv420p"),
    "mpeg-ps": ("vob", "mpeg2video", (128, 64), "yuv420p"),
    "asf": ("asf", "mpeg2video", (128, 64), "yuv420p"),
}


@pytest.mark.parametrize("kind", PICTURES)
def test_pictures_from_an_encoder_are_recognised(kind: str) -> None:
    container, codec, size, pixels = PICTURES[kind]
    options = {"b": "120M"} if codec == "dnxhd" else {}
    made = _pictures(container, codec, size, pixels, **options)
    assert has_clip_signature(made[:SIGNATURE_BYTES])


def test_packets_with_time_stamps_are_recognised() -> None:
    # AVCHD's form: 4 bytes of time stamp, then the packet (192 bytes).
    made = _pictures("mpegts", "mpeg2video", (128, 64), "yuv420p")
    stamped = b"".join(b"\x12\x34\x56\x78" + made[at : at + 188] for at in range(0, len(made), 188))
    assert has_clip_signature(stamped[:SIGNATURE_BYTES])


@pytest.mark.parametrize(
    ("container", "codec", "options"),
    [
        ("wav", "pcm_s16le", {}),
        ("wav", "pcm_s16le", {"rf64": "always"}),
        ("w64", "pcm_s16le", {}),
        ("aiff", "pcm_s16be", {}),
        ("flac", "flac", {}),
    ],
    ids=["wav", "rf64", "wave64", "aiff", "flac"],
)
def test_sound_from_an_encoder_is_recognised(
    container: str, codec: str, options: dict[str, str]
) -> None:
    assert has_clip_signature(_sound(container, codec, **options))


def test_mxf_behind_a_run_in_is_recognised() -> None:
    # SMPTE ST 377-1: up to 65,535 bytes may lie before the header partition.
    made = _pictures("mxf", "prores_ks", (128, 64), "yuv422p10le")
    assert has_clip_signature((b"\x01" * 65_535 + made)[:SIGNATURE_BYTES])
    assert not has_clip_signature((b"\x01" * 65_536 + made)[:SIGNATURE_BYTES])


def test_raw_prores_frame_is_recognised() -> None:
    # SMPTE RDD 36: 4-byte frame size, then the identifier.
    assert has_clip_signature(bytes.fromhex("00001000") + b"icpf" + bytes(20))


@pytest.mark.parametrize("size", ["00000000", "00000001", "00000008", "7fffffff"])
def test_unfinished_movies_are_recognised(size: str) -> None:
    # ISO/IEC 14496-12, 4.2: 0 = to the end of the file, 1 = a 64-bit size follows.
    assert has_clip_signature(bytes.fromhex(size) + b"mdat" + b"\xff" * 64)


@pytest.mark.parametrize(
    "head",
    [
        b"",
        b"\0" * 4096,
        b"\xff" * 4096,
        b"\0\0\0\1Bud1\0\0\x10\0",  # a desktop file
        bytes.fromhex("00051607 00020000") + b"Mac OS X        ",  # AppleDouble
        b"\x1f\x8b\x08\0" + bytes(60),  # a packed event log
        "{6B29FC40-CA47-1067-B31D-00DD010662DA}".encode("utf-16-le"),  # a volume's own number
        b"\x0c\0\0\0" + bytes(8),
        b"8tsd" + bytes(100),  # an index
        b"G" + b"A" * 187,  # one packet's sync byte, and no second
        bytes.fromhex("00000003") + b"moov",  # a size that no box can have
        b"RIFF\x10\0\0\0WEBP",
        b"<?xml version='1.0'?><plist/>",
    ],
)
def test_what_computers_leave_is_not_a_clip(head: bytes) -> None:
    assert not has_clip_signature(head)
