"""The ways clips break, as functions from a whole file and a place to a broken file."""

import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.media import made_clips as made

PLACES = 30
BLOCK = made.BLOCK


@dataclass(frozen=True)
class Form:
    """One kind of file under test."""

    name: str
    file: bytes
    make: Callable[[], bytes]


FORMS = {
    form.name: form
    for form in (
        Form("mov", b"A001C001.mov", lambda: made.clip("mov", frames=24)),
        Form(
            "mov index first",
            b"A001C001.mov",
            lambda: made.clip("mov", options=(("movflags", "faststart"),), frames=24),
        ),
        Form("mov vc-3", b"A001C001.mov", lambda: made.clip("mov", "dnxhd")),
        Form("mp4", b"A001C001.mp4", lambda: made.clip("mp4", "libx264", "aac", frames=96)),
        Form(
            "mov fragmented",
            b"A001C001.mov",
            lambda: made.clip(
                "mov",
                options=(("movflags", "frag_keyframe+empty_moov+default_base_moof"),),
                frames=24,
            ),
        ),
        Form("mxf prores", b"A001C001.mxf", lambda: made.clip("mxf", frames=24)),
        Form("mxf vc-3", b"A001C001.mxf", lambda: made.clip("mxf", "dnxhd")),
        Form("mxf mpeg-2", b"A001C001.mxf", lambda: made.clip("mxf", "mpeg2video")),
        Form("mxf op-atom", b"A001C001.mxf", lambda: made.clip("mxf_opatom", "dnxhd", "")),
        Form("wave", b"A001S01.wav", lambda: made.wave((("write_bext", "1"),))),
        Form(
            "rf64",
            b"A001S01.wav",
            lambda: made.wave((("write_bext", "1"), ("rf64", "always"))),
        ),
        Form(
            "mts",
            b"00001.MTS",
            lambda: made.clip(
                "mpegts", "libx264", "ac3", options=(("mpegts_m2ts_mode", "1"),), frames=96
            ),
        ),
        Form("dpx", b"A001C001_0001.dpx", lambda: made.frame("dpx", "gbrp10be")),
        Form(
            "tiff",
            b"A001C001_0001.tif",
            lambda: made.frame("tiff", "rgb24", (("compression_algo", "raw"),)),
        ),
        Form("dng", b"A001C001_0001.dng", made.dng),
        Form(
            "exr",
            b"A001C001_0001.exr",
            lambda: made.frame("exr", "gbrpf32le", (("compression", "zip16"),)),
        ),
        Form(
            "jpeg 2000",
            b"A001C001_0001.j2c",
            lambda: made.frame("jpeg2000", "rgb24", (("format", "j2k"),)),
        ),
    )
}


def places(size: int) -> list[int]:
    """30 places spread over a file."""
    return [int(size * (at + 0.5) / PLACES) for at in range(PLACES)]


def cut(data: bytes, at: int) -> bytes:
    """The file ends at ``at``."""
    return data[:at]


def cut_on_packet(data: bytes, at: int) -> bytes:
    """The file ends on a packet boundary."""
    return data[: at // 192 * 192]


def tail_zeroed(data: bytes, at: int) -> bytes:
    """Right size, zeros to the end: the file system lost the end."""
    return data[:at] + bytes(len(data) - at)


def hole(data: bytes, at: int) -> bytes:
    """64 KiB of zeros on a block boundary."""
    start = min(at, len(data) - BLOCK) // BLOCK * BLOCK
    return data[:start] + bytes(BLOCK) + data[start + BLOCK :]


def small_hole(data: bytes, at: int) -> bytes:
    """4 KiB of zeros: less than the copier's map of zero runs shows."""
    start = min(at, len(data) - 4096)
    return data[:start] + bytes(4096) + data[start + 4096 :]


def byte_added(data: bytes, at: int) -> bytes:
    """One byte too many from ``at`` on."""
    return data[:at] + b"\x5a" + data[at:]


def byte_lost(data: bytes, at: int) -> bytes:
    """One byte too few from ``at`` on."""
    return data[:at] + data[at + 1 :]


def junk_added(data: bytes, at: int) -> bytes:
    """Something follows the end: text, noise, or another file's beginning."""
    noise = random.Random(at).randbytes(1 + at % 5000)
    return data + (noise, b"Night Ferry, roll A001\n", data[:4096])[at % 3]


def head_zeroed(data: bytes, at: int) -> bytes:
    """The first 512 bytes, or as many as leave something, are zeros."""
    return bytes(512) + data[512:]
