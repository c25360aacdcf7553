"""MXF: the chain of items, partitions and footer, counts, and what the metadata says."""

import io
import struct
from fractions import Fraction

import av
import pytest
from pymediainfo import MediaInfo

from offload.media import damage
from offload.media.mxf_klv import Item, chain
from offload.media.reading import BoundedReader, BytesReader
from offload.media.structure import Essence, StructureReport
from offload.values.clips import ClipCode, Complete, Weight
from tests.media import made_clips
from tests.media.made_clips import clip, unfinished

MXF = b"A001C001.mxf"
FILL = bytes.fromhex("060e2b34010101020301021001000000")


def _check(data: bytes, **options) -> StructureReport:
    return damage.check(BytesReader(data), MXF, **options)


def _holds(data: bytes) -> set[tuple[str, str]]:
    found = _check(data).findings
    return {(each.code, each.check) for each in found if each.weight is Weight.HOLD}


def _items(data: bytes, item: Item):
    return [klv for klv in chain(BoundedReader(BytesReader(data)), 0) if klv.item is item]


def _patched(data: bytes, at: int, value: bytes) -> bytes:
    return data[:at] + value + data[at + len(value) :]


@pytest.mark.parametrize(
    ("codec", "rate", "essence"),
    [
        ("prores_ks", Fraction(24000, 1001), Essence.PRORES),
        ("prores_ks", Fraction(30000, 1001), Essence.PRORES),
        ("dnxhd/hd", Fraction(25), Essence.VC3),
        ("dnxhd/interlaced", Fraction(25), Essence.VC3),
        ("mpeg2video", Fraction(25), Essence.START_CODES),
    ],
)
def test_tracks_agree_with_independent_reader(codec, rate, essence):
    # Source: the MediaInfo library and FFmpeg's reader.
    data = clip("mxf", codec, rate=rate, frames=12)
    report = _check(data, is_whole=True)
    assert report.complete is Complete.YES
    assert report.variant == "OP1a"
    picture, sound = report.tracks
    info = MediaInfo.parse(io.BytesIO(data))
    video, heard = info.video_tracks[0], info.audio_tracks[0]
    assert (picture.essence, picture.width) == (essence, video.width)
    # Fields kept apart are described by the height of one (SMPTE ST 377-1, frame layout).
    assert picture.height in (video.height, video.height // 2)
    assert float(picture.rate) == pytest.approx(float(video.frame_rate), abs=0.001)
    assert (sound.channels, sound.rate, sound.bits) == (
        heard.channel_s,
        heard.sampling_rate,
        heard.bit_depth,
    )
    with av.open(io.BytesIO(data), format="mxf") as container:
        stream = container.streams.video[0]
        assert picture.duration == stream.duration * stream.time_base
        assert picture.samples == sum(1 for packet in container.demux(stream) if packet.size)


@pytest.mark.parametrize(
    ("label", "rate", "frame", "base", "is_drop"),
    [
        # SMPTE ST 12-1, worked value: 00:01:00;02 is frame 1800.
        ("00:01:00;02", Fraction(30000, 1001), 1800, 30, True),
        ("01:00:00:00", Fraction(24000, 1001), 86400, 24, False),
        ("10:00:00:00", Fraction(50), 1_800_000, 50, False),
    ],
)
def test_timecode_start_is_read(label, rate, frame, base, is_drop):
    start = _check(clip("mxf", frames=4, rate=rate, timecode=label)).timecode
    assert (start.frame, start.base, start.is_drop) == (frame, base, is_drop)


def test_clip_wrapped_essence_is_divided_by_its_index():
    # SMPTE ST 390: one track, one value; the index gives the pictures.
    report = _check(clip("mxf_opatom", "dnxhd", ""), is_whole=True)
    assert report.variant == "OPAtom"
    assert (report.tracks[0].samples, report.heads_checked) == (48, 48)
    assert report.complete is Complete.YES


def test_clip_wrapped_picture_that_does_not_begin_is_found():
    data = clip("mxf_opatom", "dnxhd", "")
    (essence,) = _items(data, Item.ESSENCE)
    frame = essence.length // 48
    broken = _patched(data, essence.value + 20 * frame, bytes(64))
    found = [each for each in _check(broken).findings if each.weight is Weight.HOLD]
    assert [each.text for each in found] == [
        "picture 21: a VC-3 frame does not begin with its mark"
    ]


def test_sound_in_a_file_of_its_own_is_counted():
    data = made_clips.sound_alone()
    report = _check(data)
    (track,) = report.tracks
    assert (report.variant, report.complete) == ("OPAtom", Complete.YES)
    assert (track.channels, track.bits, track.samples) == (1, 16, 48_000)
    # One sample more declared than there are bytes for; one fewer only looks odd.
    duration = bytes.fromhex("02020008") + struct.pack(">Q", 48_000)
    assert data.count(duration) >= 2
    more = data.replace(duration, duration[:-8] + struct.pack(">Q", 48_001))
    assert (ClipCode.COUNTS_DIFFER, "essence-counts") in _holds(more)
    fewer = data.replace(duration, duration[:-8] + struct.pack(">Q", 47_999))
    assert _check(fewer).complete is Complete.YES


def test_package_that_joins_a_group_is_read():
    # SMPTE ST 330: a unique material identifier of 32 bytes.
    assert len(_check(clip("mxf_opatom", "dnxhd", "")).package_id) == 64


def test_lost_picture_is_counted():
    # The picture's key becomes that of a fill item: the chain stays whole, one picture is gone.
    data = clip("mxf", "mpeg2video")
    pictures = [klv for klv in _items(data, Item.ESSENCE) if klv.key[12] == 0x15]
    assert len(pictures) == 48
    broken = _patched(data, pictures[20].start, FILL)
    assert _holds(broken) == {(ClipCode.COUNTS_DIFFER, "essence-counts")}


def test_open_header_without_final_values_was_never_closed():
    data = clip("mxf", frames=4)
    footer = _items(data, Item.FOOTER)[0]
    metadata = [klv for klv in _items(data, Item.METADATA) if klv.start > footer.start]
    # Without header metadata in the footer, an open header is all there is (SMPTE ST 377-1).
    broken = _patched(data, 14, b"\x01")
    for klv in metadata:
        broken = _patched(broken, klv.start, FILL)
    assert (ClipCode.UNFINISHED, "header-status") in _holds(broken)


def test_recording_that_was_never_closed_has_no_footer():
    assert (ClipCode.UNFINISHED, "footer") in _holds(unfinished("mxf"))


def test_footer_announced_behind_the_end_is_a_cut():
    data = clip("mxf", frames=4)
    footer = _items(data, Item.FOOTER)[0]
    assert (ClipCode.CUT_SHORT, "footer") in _holds(data[: footer.start])


def test_partition_that_gives_another_place_is_found():
    data = clip("mxf", frames=4)
    footer = _items(data, Item.FOOTER)[0]
    broken = _patched(data, footer.value + 8, struct.pack(">Q", footer.start + 16))
    assert (ClipCode.DAMAGED, "partitions") in _holds(broken)


def test_random_index_must_list_the_partitions():
    data = clip("mxf", frames=4)
    (index,) = _items(data, Item.RANDOM_INDEX)
    assert index.end == len(data)
    other = _check(_patched(data, index.value + 11, b"\x01"))
    assert [(each.check, each.weight) for each in other.findings] == [
        ("random-index", Weight.NOTICE)
    ]
    assert (ClipCode.DAMAGED, "random-index") in _holds(_patched(data, len(data) - 1, b"\x01"))


def test_missing_random_index_is_only_a_note():
    # Optional in the standard: absence alone says nothing.
    data = clip("mxf", frames=4)
    (index,) = _items(data, Item.RANDOM_INDEX)
    report = _check(data[: index.start])
    assert report.complete is Complete.YES
    assert [each.weight for each in report.findings] == [Weight.NOTE]


def test_run_in_before_the_header_is_allowed():
    # SMPTE ST 377-1: up to 65,535 bytes, places counted from the header partition.
    data = clip("mxf", frames=4)
    assert _check(b"Night Ferry " * 5000 + data).complete is Complete.YES


def test_encrypted_essence_is_a_notice():
    data = clip("mxf", frames=4)
    triplet = bytes.fromhex("060e2b34020401010d010301027e0100")
    broken = data
    for klv in _items(data, Item.ESSENCE):
        broken = _patched(broken, klv.start, triplet)
    report = _check(broken)
    assert ClipCode.OPAQUE in {each.code for each in report.findings}
    assert report.complete is Complete.YES


def test_zeros_behind_the_end_are_a_notice():
    report = _check(clip("mxf", frames=4) + bytes(512))
    assert [(each.code, each.weight) for each in report.findings] == [
        (ClipCode.TRAILING, Weight.NOTICE)
    ]
