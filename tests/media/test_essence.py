"""Heads and inner sizes of samples: real ones pass whole, broken ones are found."""

import struct

import pytest

from offload.media.essence import HeadFlaw, head_flaw, padding_begins
from offload.media.reading import BoundedReader, BytesReader
from offload.media.structure import Essence
from tests.media import made_clips

_KINDS = {
    Essence.PRORES: ("prores_ks/hq", (320, 180)),
    Essence.VC3: ("dnxhd/hd", (1920, 1080)),
    Essence.START_CODES: ("mpeg2video", (320, 240)),
    Essence.JPEG: ("mjpeg", (320, 180)),
}


def _sample(essence: Essence) -> bytes:
    codec, (width, height) = _KINDS[essence]
    packets = made_clips.packets_of(codec, width, height, made_clips.RATE, 4, is_in_band=False)
    return packets[0][0]


def _flaw(
    data: bytes, essence: Essence, unit_length_bytes: int = 0, *, is_whole: bool = False
) -> HeadFlaw | None:
    return head_flaw(
        BoundedReader(BytesReader(data)),
        essence,
        0,
        len(data),
        unit_length_bytes=unit_length_bytes,
        is_whole=is_whole,
    )


@pytest.mark.parametrize("essence", _KINDS)
def test_real_sample_passes(essence):
    data = _sample(essence)
    assert _flaw(data, essence) is None
    assert _flaw(data, essence, is_whole=True) is None


@pytest.mark.parametrize("essence", _KINDS)
def test_zeroed_beginning_is_found(essence):
    data = _sample(essence)
    assert _flaw(bytes(64) + data[64:], essence) is not None


@pytest.mark.parametrize("essence", [Essence.PRORES, Essence.VC3])
@pytest.mark.parametrize("change", [-1, 1], ids=["shorter", "longer"])
def test_other_size_than_the_index_is_found(essence, change):
    data = _sample(essence)
    changed = data[:-1] if change < 0 else data + b"\1"
    assert _flaw(changed, essence) is not None


def test_every_zeroed_slice_table_entry_is_found():
    # SMPTE RDD 36: header, table and slices add up to the picture.
    data = _sample(Essence.PRORES)
    header = struct.unpack_from(">H", data, 8)[0]
    table = 8 + header + (data[8 + header] >> 3)
    slices = struct.unpack_from(">H", data, 8 + header + 5)[0]
    assert slices == 12 * 3
    for at in range(table, table + 2 * slices, 2):
        assert _flaw(data[:at] + b"\0\0" + data[at + 2 :], Essence.PRORES) is not None


def test_deprecated_number_of_slices_is_not_believed():
    # RDD 36 calls the field deprecated: a writer may leave it wrong.
    data = _sample(Essence.PRORES)
    at = 8 + struct.unpack_from(">H", data, 8)[0] + 5
    assert _flaw(data[:at] + b"\0\0" + data[at + 2 :], Essence.PRORES) is None


@pytest.mark.parametrize(
    ("essence", "hidden"),
    [
        (Essence.PRORES, 0),
        # A hole that ends in front of a start code looks like stuffing.
        (Essence.START_CODES, 2),
    ],
)
def test_hole_is_found_when_read_whole(essence, hidden):
    data = _sample(essence)
    places = range(0, len(data) - 4096, 512)
    broken = [data[:at] + bytes(4096) + data[at + 4096 :] for at in places]
    quiet = [each for each in broken if _flaw(each, essence, is_whole=True) is None]
    assert len(quiet) <= hidden
    assert len(broken) > 10


def test_zeros_inside_a_unit_cannot_occur():
    # ISO/IEC 14496-10, 7.4.1.1: emulation prevention.
    unit = b"\x65" + b"\x11" * 50 + b"\0\0\0" + b"\x22" * 10
    data = len(unit).to_bytes(4, "big") + unit
    assert _flaw(data, Essence.NAL, 4) is None
    assert _flaw(data, Essence.NAL, 4, is_whole=True).offset == 4 + 51


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"\0\0\0\0" + b"\x65aa", "no length"),
        (b"\0\0\0\x03" + b"\xe5aa", "forbidden bit"),
        (b"\0\0\0\x09" + b"\x65aa", "does not end"),
        (b"\0\0\0\x03" + b"\x65aa" + b"\0", "past its end"),
    ],
)
def test_chain_of_units_must_land_on_the_end(data, text):
    # ISO/IEC 14496-15: each unit behind its length.
    assert text in _flaw(data, Essence.NAL, 4).text


def test_long_run_of_zeros_is_looked_at_once():
    # A search that began anew at every zero would take hours here.
    data = b"\0\0\1\xb3" + bytes(4_000_000) + b"\0\0\1\xb7" + bytes(4_000_000)
    assert _flaw(data, Essence.START_CODES, is_whole=True) is None


def test_vc3_rows_must_be_in_order():
    data = _sample(Essence.VC3)
    broken = data[:0x174] + b"\x7f\xff\xff\xff" + data[0x178:]
    assert _flaw(broken, Essence.VC3) is not None


def test_padding_begins_behind_the_last_coded_data():
    data = _sample(Essence.PRORES)
    padded = struct.pack(">I", len(data) + 5000) + data[4:] + bytes(5000)
    reader = BoundedReader(BytesReader(padded))
    assert _flaw(padded, Essence.PRORES, is_whole=True) is None
    assert padding_begins(reader, Essence.PRORES, 0, len(padded)) == len(data)


def test_something_else_behind_the_pictures_is_found():
    data = _sample(Essence.PRORES)
    padded = struct.pack(">I", len(data) + 500) + data[4:] + b"x" * 500
    assert _flaw(padded, Essence.PRORES, is_whole=True) is not None


def test_unknown_essence_is_not_judged():
    assert _flaw(bytes(100), Essence.UNKNOWN_PICTURE) is None
    assert _flaw(bytes(100), Essence.PCM) is None
