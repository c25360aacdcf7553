"""Frames as files: headers, directories and tables against the file's size."""

import io
import struct
from fractions import Fraction

import av
import pytest
from pymediainfo import MediaInfo

from offload.media import damage
from offload.media.dpx import known_rate
from offload.media.reading import BytesReader
from offload.media.structure import StructureReport
from offload.values.clips import ClipCode, Complete, Container, Weight
from tests.media.made_clips import dng, frame

FRAMES = {
    "dpx-10": (b"f.dpx", lambda: frame("dpx", "gbrp10be"), Container.DPX),
    "dpx-8": (b"f.dpx", lambda: frame("dpx", "rgb24"), Container.DPX),
    "dpx-12": (b"f.dpx", lambda: frame("dpx", "gbrp12be"), Container.DPX),
    "dpx-16": (b"f.dpx", lambda: frame("dpx", "rgb48be"), Container.DPX),
    "tiff": (
        b"f.tif",
        lambda: frame("tiff", "rgb24", (("compression_algo", "raw"),)),
        Container.TIFF,
    ),
    "tiff-lzw": (
        b"f.tiff",
        lambda: frame("tiff", "rgb48le", (("compression_algo", "lzw"),)),
        Container.TIFF,
    ),
    "dng": (b"f.dng", dng, Container.DNG),
    "exr-zip": (
        b"f.exr",
        lambda: frame("exr", "gbrpf32le", (("compression", "zip16"),)),
        Container.EXR,
    ),
    "exr-none": (
        b"f.exr",
        lambda: frame("exr", "gbrpf32le", (("compression", "none"),)),
        Container.EXR,
    ),
    "jpeg-2000": (
        b"f.j2c",
        lambda: frame("jpeg2000", "rgb24", (("format", "j2k"),)),
        Container.JPEG2000,
    ),
    "jpeg-2000-tiles": (
        b"f.j2c",
        lambda: frame(
            "jpeg2000", "rgb48le", (("format", "j2k"), ("tile_width", "128"), ("tile_height", "64"))
        ),
        Container.JPEG2000,
    ),
}


def _check(data: bytes, file: bytes) -> StructureReport:
    return damage.check(BytesReader(data), file)


def _holds(data: bytes, file: bytes) -> set[str]:
    found = _check(data, file).findings
    return {each.code for each in found if each.weight is Weight.HOLD}


def _patched(data: bytes, at: int, value: bytes) -> bytes:
    return data[:at] + value + data[at + len(value) :]


@pytest.mark.parametrize(("file", "make", "container"), FRAMES.values(), ids=FRAMES)
def test_whole_frame_passes_with_its_raster(file, make, container):
    data = make()
    report = _check(data, file)
    assert report.findings == ()
    assert (report.container, report.complete) == (container, Complete.YES)
    # Source: the MediaInfo library, or FFmpeg for the format that it does not read.
    info = MediaInfo.parse(io.BytesIO(data)) if container is not Container.EXR else None
    pictures = (info.image_tracks + info.video_tracks) if info else []
    if pictures and container is not Container.DNG:
        expected = (pictures[0].width, pictures[0].height)
    else:
        expected = (320, 180)
    assert (report.tracks[0].width, report.tracks[0].height) == expected


def test_made_dng_is_one_for_an_independent_reader():
    # FFmpeg takes the picture of the sensor, not the preview, and decodes all of it.
    with av.open(io.BytesIO(dng()), format="tiff_pipe") as container:
        picture = next(container.decode(video=0))
    assert (picture.width, picture.height, picture.format.name) == (320, 180, "gray16le")


@pytest.mark.parametrize(("file", "make", "container"), FRAMES.values(), ids=FRAMES)
def test_every_cut_is_found(file, make, container):
    data = make()
    for part in range(1, 31):
        assert _holds(data[: len(data) * part // 31], file)


def test_dpx_size_in_its_header_is_compared():
    # SMPTE ST 268: the file's size stands at byte 16; all ones mean that it is not given.
    data = frame("dpx", "gbrp10be")
    assert _holds(_patched(data, 16, struct.pack(">I", len(data) - 4)), b"f.dpx")
    unset = _patched(data, 16, b"\xff\xff\xff\xff")
    assert _holds(unset, b"f.dpx") == set()
    assert _holds(unset[:-100], b"f.dpx") == {ClipCode.CUT_SHORT}


def test_dpx_little_endian_is_read():
    data = frame("dpx", "rgb48le")
    assert data[:4] == b"XPDS"
    assert _check(data, b"f.dpx").complete is Complete.YES


@pytest.mark.parametrize("raster", [(0, 180), (0xFFFFFFFF, 180), (320, 0)])
def test_dpx_of_impossible_raster_is_found(raster):
    data = _patched(frame("dpx", "gbrp10be"), 772, struct.pack(">II", *raster))
    assert ClipCode.DAMAGED in _holds(data, b"f.dpx")


def test_dpx_timecode_and_rate_are_read():
    # SMPTE ST 268: eight decimal digits at byte 1920, the rate at byte 1940.
    data = _patched(frame("dpx", "gbrp10be"), 1920, bytes.fromhex("01000010"))
    data = _patched(data, 1940, struct.pack(">f", 23.976))
    report = _check(data, b"f.dpx")
    assert report.tracks[0].rate == Fraction(24000, 1001)
    assert report.timecode.frame == 3600 * 24 + 10


@pytest.mark.parametrize(
    ("value", "rate"),
    [
        (23.976, Fraction(24000, 1001)),
        (23.98, Fraction(24000, 1001)),
        (24.0, Fraction(24)),
        (25.0, Fraction(25)),
        (29.97, Fraction(30000, 1001)),
        (59.94, Fraction(60000, 1001)),
    ],
)
def test_decimal_rates_become_fractions(value, rate):
    # 23.976, 23.98 and 24 are three inputs and two rates (SMPTE ST 2036 family of rates).
    assert known_rate(struct.unpack(">f", struct.pack(">f", value))[0]) == rate


def test_dpx_that_is_encrypted_is_a_notice():
    report = _check(_patched(frame("dpx", "gbrp10be"), 660, b"\0\0\0\1"), b"f.dpx")
    assert [each.code for each in report.findings] == [ClipCode.OPAQUE]


def _directory(*entries: tuple[int, int, int, int], following: int = 0) -> bytes:
    body = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    return struct.pack("<H", len(entries)) + body + struct.pack("<I", following)


def _tiff(directory: bytes, extra: bytes = b"") -> bytes:
    return struct.pack("<2sHI", b"II", 42, 8) + directory + extra


def test_tiff_directories_in_a_circle_end():
    entry = (256, 4, 1, 10)
    assert ClipCode.DAMAGED in _holds(_tiff(_directory(entry, following=8)), b"f.tif")


def test_tiff_value_larger_than_the_file_is_refused():
    data = _tiff(_directory((273, 4, 0x3FFFFFFF, 8), (279, 4, 0x3FFFFFFF, 8)))
    assert _holds(data, b"f.tif")


def test_tiff_with_too_few_bytes_for_its_raster():
    entries = [(256, 4, 1, 100), (257, 4, 1, 100), (258, 4, 1, 8), (259, 4, 1, 1)]
    entries += [(273, 4, 1, 8), (277, 4, 1, 1), (279, 4, 1, 50)]
    assert ClipCode.DAMAGED in _holds(_tiff(_directory(*entries), bytes(100)), b"f.tif")


def test_tiff_without_a_picture_is_found():
    assert ClipCode.DAMAGED in _holds(_tiff(_directory((256, 4, 1, 10))), b"f.tif")


def test_big_tiff_is_read():
    # The BigTIFF design: 8-byte offsets, entries of 20 bytes.
    entries = [(256, 4), (257, 4), (258, 8), (259, 1), (273, 0), (277, 1), (279, 0)]
    count = len(entries)
    strip_at = 16 + 8 + 20 * count + 8
    values = {256: 4, 257: 4, 258: 8, 259: 1, 273: strip_at, 277: 1, 279: 16}
    body = b"".join(struct.pack("<HHQQ", tag, 16, 1, values[tag]) for tag, _value in entries)
    data = struct.pack("<2sHHHQ", b"II", 43, 8, 0, 16) + struct.pack("<Q", count) + body
    data += bytes(8) + bytes(range(16))
    report = _check(data, b"f.tif")
    assert (report.variant, report.complete) == ("BigTIFF", Complete.YES)
    assert _holds(data[:-1], b"f.tif") == {ClipCode.CUT_SHORT}


def test_dng_named_as_tiff_is_no_lie():
    report = _check(dng(), b"f.tif")
    assert (report.container, report.findings) == (Container.DNG, ())


def test_exr_whose_table_was_never_written():
    data = frame("exr", "gbrpf32le", (("compression", "zip16"),))
    # 180 lines in blocks of 16: 12 offsets, the first of which is the first block's place.
    at = next(at for at in range(8, 4096) if struct.unpack_from("<Q", data, at)[0] == at + 12 * 8)
    broken = data[:at] + bytes(12 * 8) + data[at + 12 * 8 :]
    assert _holds(broken, b"f.exr") == {ClipCode.UNFINISHED}


def test_exr_of_unknown_compression_is_unchecked():
    data = frame("exr", "gbrpf32le", (("compression", "none"),))
    at = data.index(b"compression\0compression\0") + 24 + 4
    assert _holds(_patched(data, at, b"\x63"), b"f.exr") == {ClipCode.UNCHECKED}
