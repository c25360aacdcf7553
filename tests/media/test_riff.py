"""Wave files: sizes, format and extension against each other, and what they say."""

import io
import struct
from fractions import Fraction

import pytest
from pymediainfo import MediaInfo

from offload.media import damage
from offload.media.reading import BytesReader
from offload.media.structure import StructureReport
from offload.values.clips import ClipCode, Complete, Container, Weight
from tests.media.made_clips import clip, wave

WAV = b"A001S01.wav"
BEXT = (("write_bext", "1"),)
RF64 = (("write_bext", "1"), ("rf64", "always"))


def _check(data: bytes, runs=()) -> StructureReport:
    return damage.check(BytesReader(data), WAV, runs)


def _found(data: bytes) -> set[tuple[str, str, Weight]]:
    return {(each.code, each.check, each.weight) for each in _check(data).findings}


def _chunk(data: bytes, kind: bytes) -> int:
    """Where a chunk begins."""
    at = 12
    while data[at : at + 4] != kind:
        (size,) = struct.unpack_from("<I", data, at + 4)
        at += 8 + size + size % 2
    return at


def _patched(data: bytes, at: int, value: bytes) -> bytes:
    return data[:at] + value + data[at + len(value) :]


@pytest.mark.parametrize(
    ("options", "variant"), [((), "RIFF"), (BEXT, "RIFF"), (RF64, "RF64")], ids=str
)
def test_sound_agrees_with_independent_reader(options, variant):
    # Source: the MediaInfo library.
    data = wave(options)
    report = _check(data)
    (track,) = report.tracks
    heard = MediaInfo.parse(io.BytesIO(data)).audio_tracks[0]
    assert (track.channels, track.rate, track.bits) == (
        heard.channel_s,
        heard.sampling_rate,
        heard.bit_depth,
    )
    assert track.samples == int(heard.samples_count)
    assert report.duration == 4
    assert (report.variant, report.complete) == (variant, Complete.YES)


@pytest.mark.parametrize("options", [BEXT, RF64], ids=["bext", "rf64"])
def test_time_reference_is_one_o_clock(options):
    # EBU Tech 3285: samples since midnight; 172,800,000 at 48 kHz is 01:00:00.
    start = _check(wave(options)).timecode
    assert Fraction(start.frame, start.base) == 3600


def test_bw64_is_read_like_rf64():
    # ITU-R BS.2088: the same sizes chunk under another name.
    report = _check(b"BW64" + wave(RF64)[4:])
    assert (report.variant, report.complete) == ("BW64", Complete.YES)


def test_long_form_without_its_sizes_is_found():
    data = wave(RF64)
    assert (ClipCode.DAMAGED, "long-sizes", Weight.HOLD) in _found(_patched(data, 12, b"JUNK"))


def test_long_form_that_was_cut_is_found():
    data = wave(RF64)
    found = _found(data[: len(data) // 2])
    assert (ClipCode.CUT_SHORT, "chunk-sizes", Weight.HOLD) in found


def test_no_whole_number_of_samples_is_found():
    data = wave()
    at = _chunk(data, b"data")
    (size,) = struct.unpack_from("<I", data, at + 4)
    lost = data[:-2]
    lost = _patched(lost, at + 4, struct.pack("<I", size - 2))
    lost = _patched(lost, 4, struct.pack("<I", len(lost) - 8))
    assert (ClipCode.CUT_SHORT, "wave-format", Weight.HOLD) in _found(lost)


@pytest.mark.parametrize(
    ("offset", "value", "weight"),
    [
        (10, struct.pack("<H", 0), Weight.HOLD),
        (20, struct.pack("<H", 5), Weight.HOLD),
        (20, struct.pack("<H", 7), Weight.HOLD),
        (12, struct.pack("<I", 0), Weight.HOLD),
        (16, struct.pack("<I", 1), Weight.NOTICE),
    ],
    ids=["no-channel", "short-block", "odd-block", "no-rate", "byte-rate"],
)
def test_format_fields_must_agree(offset, value, weight):
    data = wave()
    at = _chunk(data, b"fmt ")
    found = _found(_patched(data, at + offset, value))
    assert (ClipCode.DAMAGED, "wave-format", weight) in found


def test_24_bits_kept_in_32_are_legal():
    body = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 2, 48_000, 384_000, 8, 24)
    body += b"data" + struct.pack("<I", 16) + bytes(range(16))
    data = b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body
    assert _found(data) == set()


def test_chunk_without_its_padding_is_followed():
    # Careless writers leave out the byte that makes a chunk even.
    body = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, 48_000, 48_000, 1, 8)
    body += b"LIST" + struct.pack("<I", 3) + b"abc"
    body += b"data" + struct.pack("<I", 4) + b"\1\2\3\4"
    data = b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body
    assert _found(data) == set()


def test_missing_format_is_found():
    data = wave()
    found = _found(_patched(data, _chunk(data, b"fmt "), b"LIST"))
    assert (ClipCode.DAMAGED, "wave-format", Weight.HOLD) in found


def test_missing_sound_was_never_closed():
    data = wave()
    at = _chunk(data, b"data")
    found = _found(_patched(data[:at], 4, struct.pack("<I", at - 8)))
    assert (ClipCode.UNFINISHED, "chunk-sizes", Weight.HOLD) in found


def test_sound_of_no_bytes_is_empty():
    data = wave()
    at = _chunk(data, b"data")
    empty = _patched(data[: at + 8], at + 4, bytes(4))
    found = _found(_patched(empty, 4, struct.pack("<I", at)))
    assert (ClipCode.EMPTY, "chunk-sizes", Weight.HOLD) in found


def test_short_extension_is_a_notice():
    # EBU Tech 3285: 602 bytes and the coding history.
    body = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, 48_000, 144_000, 3, 24)
    body += b"bext" + struct.pack("<I", 10) + bytes(10)
    body += b"data" + struct.pack("<I", 6) + b"\1\2\3\4\5\6"
    data = b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body
    assert _found(data) == {(ClipCode.DAMAGED, "broadcast-extension", Weight.NOTICE)}


def test_missing_padding_at_the_end_is_only_a_note():
    body = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, 48_000, 144_000, 3, 24)
    body += b"data" + struct.pack("<I", 9) + b"123456789"
    data = b"RIFF" + struct.pack("<I", 4 + len(body) + 1) + b"WAVE" + body
    report = _check(data)
    assert report.complete is Complete.YES
    assert [each.weight for each in report.findings] == [Weight.NOTE]


def test_long_silence_is_a_notice_and_no_hold():
    data = wave(seconds=8)
    silent = data[:500_000] + bytes(len(data) - 500_000)
    report = _check(silent, [(524_288, len(silent) - 524_288)])
    assert report.complete is Complete.YES
    assert [(each.code, each.weight) for each in report.findings] == [
        (ClipCode.ZEROS, Weight.NOTICE)
    ]


def test_riff_without_wave_is_a_notice():
    data = clip("avi", "mjpeg", "pcm_s16le", frames=4)
    report = damage.check(BytesReader(data), b"A001C001.avi")
    assert report.container is Container.UNKNOWN
    assert {(each.code, each.weight) for each in report.findings} == {
        (ClipCode.OPAQUE, Weight.NOTICE)
    }
