"""Recordings that are whole and look strange: none of them may keep a card.

Each is what some writer leaves in good order: counted differently, filled up, or with parts that a
standard allows and few use. Where a table says "measured", the writer is FFmpeg's.
"""

import struct
from fractions import Fraction

import pytest

from offload.media import damage
from offload.media.reading import BytesReader
from offload.media.structure import StructureReport
from offload.values.clips import ClipCode, Complete, Weight
from tests.media import made_clips
from tests.media.made_clips import BLOCK, clip, find_box

RATE = Fraction(25)


def _check(data: bytes, file: bytes) -> StructureReport:
    return damage.check(BytesReader(data), file)


def _holds(data: bytes, file: bytes) -> list[tuple[str, str]]:
    found = _check(data, file).findings
    return [(each.code, each.text) for each in found if each.weight is Weight.HOLD]


def _chunk(kind: bytes, data: bytes) -> bytes:
    return kind + struct.pack("<I", len(data)) + data + bytes(len(data) & 1)


def _wave_of(*chunks: bytes, counted: int = 0, behind: bytes = b"") -> bytes:
    """A wave file whose header counts ``counted`` bytes more than there are."""
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body) + counted) + body + behind


FORMAT = _chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, 48_000, 288_000, 6, 24))
SOUND = _chunk(b"data", bytes(range(240)) * 25 * 6)
LATER = _chunk(b"iXML", b"<BWFXML><TAPE>A001</TAPE></BWFXML>")

WAVES = {
    # EBU Tech 3285 supplements and common practice: room kept for later, of either name.
    "room kept in front": _wave_of(
        _chunk(b"JUNK", bytes(28)), FORMAT, _chunk(b"PAD ", bytes(4000)), SOUND
    ),
    "room kept behind": _wave_of(FORMAT, SOUND, _chunk(b"FLLR", bytes(4044))),
    "sound before its format": _wave_of(SOUND, FORMAT),
    # Common practice, no source: writers that count the header too, or not the last chunk's head.
    "header counted too": _wave_of(FORMAT, SOUND, counted=8),
    "chunks not counted": _wave_of(FORMAT, SOUND, behind=LATER),
    "chunks not counted, then zeros": _wave_of(FORMAT, SOUND, behind=LATER + bytes(300)),
    "zeros counted": _wave_of(FORMAT, SOUND, LATER, bytes(2000)),
    "zeros not counted": _wave_of(FORMAT, SOUND, behind=bytes(2000)),
}


@pytest.mark.parametrize("data", WAVES.values(), ids=WAVES)
def test_strange_wave_is_not_held(data):
    assert _holds(data, b"A001S01.wav") == []
    report = _check(data, b"A001S01.wav")
    assert report.complete is Complete.YES
    assert report.tracks[0].samples == 6000


@pytest.mark.parametrize("name", ["header counted too", "chunks not counted"])
@pytest.mark.parametrize("lost", [1, 7, 300])
def test_strange_wave_that_was_cut_is_held(name, lost):
    assert _holds(WAVES[name][:-lost], b"A001S01.wav")


@pytest.mark.parametrize("behind", [b"something that is no chunk at all", LATER[:-1] + b"xy"])
def test_other_bytes_behind_a_wave_are_held(behind):
    data = _wave_of(FORMAT, SOUND, behind=behind)
    assert [code for code, _text in _holds(data, b"A001S01.wav")] == [ClipCode.DAMAGED]


@pytest.mark.parametrize("form", ["mxf", "mxf_opatom", "mov"])
def test_jpeg_2000_in_a_file_of_its_own_form_is_not_held(form):
    # Measured: FFmpeg's encoder puts the boxes of a JP2 file (ISO/IEC 15444-1, annex I) around
    # each picture, and its writers leave them there.
    sound = "" if form == "mxf_opatom" else "pcm_s24le"
    data = clip(form, "jpeg2000", sound, frames=6)
    report = _check(data, b"A001C001." + form[:3].encode())
    assert b"jP  \r\n\x87\n" in data
    assert report.heads_checked == 6
    assert report.complete is Complete.YES


def test_jpeg_2000_code_stream_alone_is_not_held():
    # SMPTE ST 422: the value of an item is the code stream. Here the boxes in front of each
    # picture's stream become a fill item of the same length, so that every offset stays.
    data = bytearray(clip("mxf", "jpeg2000", "pcm_s24le", frames=6))
    key = bytes.fromhex("060e2b34010201010d010301150108")
    fill = bytes.fromhex("060e2b34010101020301021001000000")
    at = data.find(key)
    while at >= 0:
        length = int.from_bytes(data[at + 17 : at + 20], "big")
        assert data[at + 16] == 0x83
        stream = data.index(b"\xff\x4f\xff\x51", at) - at - 20
        room = stream - 20
        item = bytes(data[at : at + 17])
        data[at : at + 20 + stream] = (
            (fill + b"\x83" + room.to_bytes(3, "big") + bytes(room))
            + item
            + (length - stream).to_bytes(3, "big")
        )
        at = data.find(key, at + 20 + length)
    assert _holds(bytes(data), b"A001C001.mxf") == []
    assert _check(bytes(data), b"A001C001.mxf").heads_checked == 6


def test_jpeg_2000_picture_without_its_beginning_is_held():
    data = bytearray(clip("mxf", "jpeg2000", "pcm_s24le", frames=6))
    at = data.index(b"jP  \r\n\x87\n")
    data[at : at + 4] = bytes(4)
    assert [code for code, _text in _holds(bytes(data), b"A001C001.mxf")] == [ClipCode.DAMAGED]


def _with_duration(data: bytes, units: int) -> bytes:
    """The same with another media duration of its first track."""
    start, _end = find_box(data, b"moov", b"trak", b"mdia", b"mdhd")
    return data[: start + 24] + units.to_bytes(4, "big") + data[start + 28 :]


def _duration(data: bytes) -> int:
    start, _end = find_box(data, b"moov", b"trak", b"mdia", b"mdhd")
    return int.from_bytes(data[start + 24 : start + 28], "big")


def _with_table(data: bytes, kind: bytes, content: bytes) -> bytes:
    """The same, index last, with one table of its first track written anew."""
    path = (b"moov", b"trak", b"mdia", b"minf", b"stbl", kind)
    start, end = find_box(data, *path)
    box = (8 + len(content)).to_bytes(4, "big") + kind + content
    grown = len(box) - (end - start)
    changed = bytearray(data[:start] + box + data[end:])
    for depth in range(1, len(path)):
        at, _end = find_box(data, *path[:depth])
        size = int.from_bytes(changed[at : at + 4], "big") + grown
        changed[at : at + 4] = size.to_bytes(4, "big")
    return bytes(changed)


def _uneven(data: bytes) -> bytes:
    """One picture of 48 lasts three times as long."""
    unit = _duration(data) // 48
    runs = ((20, unit), (1, 3 * unit), (27, unit))
    table = struct.pack(">II", 0, 3) + b"".join(struct.pack(">II", *run) for run in runs)
    return _with_table(data, b"stts", table)


@pytest.mark.parametrize(("pictures", "is_held"), [(4, False), (20, True)])
def test_uneven_pictures_may_be_added_up_either_way(pictures, is_held):
    # Measured: 30 pictures of uneven length in MP4 with reordering are written with a media
    # duration that is 4 pictures longer than the sum of the durations listed.
    data = _uneven(clip("mov"))
    unit = _duration(data) // 48
    changed = _with_duration(data, _duration(data) + (2 + pictures) * unit)
    assert bool(_holds(changed, b"A001C001.mov")) is is_held


def test_even_pictures_have_one_sum():
    data = clip("mov")
    unit = _duration(data) // 48
    assert _holds(_with_duration(data, _duration(data) + 4 * unit), b"A001C001.mov")


@pytest.mark.parametrize(("room", "is_held"), [(bytes(64), False), (b"\1" * 64, True)])
def test_room_kept_behind_a_table(room, is_held):
    data = clip("mov")
    start, end = find_box(data, b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stsz")
    changed = _with_table(data, b"stsz", data[start + 8 : end] + room)
    assert bool(_holds(changed, b"A001C001.mov")) is is_held


FILL = bytes.fromhex("060e2b34010101020301021001000000")


@pytest.mark.parametrize(("key", "is_held"), [(FILL, False), (bytes.fromhex("060e2b34" * 4), True)])
def test_only_filling_may_follow_the_random_index(key, is_held):
    data = clip("mxf") + key + b"\x83" + (500).to_bytes(3, "big") + bytes(500)
    assert bool(_holds(data, b"A001C001.mxf")) is is_held


def test_computer_file_without_its_clip_is_told_and_not_held():
    # RFC 1740, appendix A: the mark and version of AppleDouble.
    data = bytes.fromhex("0005160700020000") + b"Mac OS X        " + bytes(range(200)) * 20
    report = _check(data, b"DCIM/100ABCDE/._ABCD0001.MOV")
    assert [(each.code, each.weight) for each in report.findings] == [
        (ClipCode.OPAQUE, Weight.NOTICE)
    ]


def test_clip_that_only_begins_like_a_computer_file_is_held():
    data = bytes.fromhex("0005160700020000") + bytes(range(200)) * 20
    assert _holds(data, b"DCIM/100ABCDE/ABCD0001.MOV")


def test_clip_with_a_computer_files_name_is_looked_into():
    data = clip("mov")
    assert _check(data, b"._A001C001.mov").complete is Complete.YES
    assert _holds(data[:-1000], b"._A001C001.mov")


@pytest.mark.parametrize("codec", ["dnxhd/interlaced", "dnxhd/hd"])
def test_hole_in_either_field_of_a_vc_3_picture_is_held(codec):
    # SMPTE ST 2019-1: a frame of two fields holds two coding units of half its size; FFmpeg fills
    # each up with zeros before its own end mark.
    data = clip("mov", codec, "", frames=3, size=(1920, 1080), rate=RATE)
    blocks = range(0, len(data) - BLOCK + 1, BLOCK)
    full = [at for at in blocks if data[at : at + BLOCK].count(0) < BLOCK // 2]
    empty = [at for at in blocks if not any(data[at : at + BLOCK])]
    assert len(full) >= 3
    runs = [(at, BLOCK) for at in empty]
    assert not [
        each
        for each in damage.check(BytesReader(data), b"A001C001.mov", runs).findings
        if each.weight is Weight.HOLD
    ]
    for at in full:
        broken = data[:at] + bytes(BLOCK) + data[at + BLOCK :]
        found = damage.check(BytesReader(broken), b"A001C001.mov", made_clips.zero_runs(broken))
        assert found.complete is Complete.NO, at
