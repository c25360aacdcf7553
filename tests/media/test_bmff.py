"""MOV and MP4: what the index says, and each way in which it can contradict the file."""

import io
import struct
from fractions import Fraction

import av
import pytest
from pymediainfo import MediaInfo

from offload.media import damage
from offload.media.reading import BytesReader
from offload.media.structure import Essence, StructureReport, TrackKind
from offload.values.clips import ClipCode, Complete, Weight
from tests.media import made_clips
from tests.media.made_clips import clip, find_box

MOV = b"A001C001.mov"
FIRST = (("movflags", "faststart"),)


def _check(data: bytes, **options) -> StructureReport:
    return damage.check(BytesReader(data), MOV, **options)


def _holds(data: bytes) -> set[tuple[str, str]]:
    found = _check(data).findings
    return {(each.code, each.check) for each in found if each.weight is Weight.HOLD}


def _notices(data: bytes) -> set[str]:
    return {each.code for each in _check(data).findings if each.weight is Weight.NOTICE}


def _table(data: bytes, kind: bytes, track: int = 0) -> int:
    """Where the content of a table of one track begins."""
    moov = find_box(data, b"moov")
    traks = [(s, e) for k, s, e in made_clips.boxes(data, moov[0] + 8, moov[1]) if k == b"trak"]
    start, end = traks[track]
    for step in (b"mdia", b"minf", b"stbl", kind):
        start, end = next((s, e) for k, s, e in made_clips.boxes(data, start + 8, end) if k == step)
    return start + 8


def _patched(data: bytes, at: int, value: bytes) -> bytes:
    return data[:at] + value + data[at + len(value) :]


# SMPTE RDD 36 profiles by their codes in the public registry of codes.
PROFILES = {
    "proxy": "apco",
    "lt": "apcs",
    "standard": "apcn",
    "hq": "apch",
    "4444": "ap4h",
    "4444xq": "ap4x",
}


@pytest.mark.parametrize(("profile", "fourcc"), PROFILES.items())
def test_every_prores_profile_is_whole(profile, fourcc):
    report = _check(clip("mov", f"prores_ks/{profile}", frames=4), is_whole=True)
    assert report.complete is Complete.YES
    assert (report.tracks[0].fourcc, report.tracks[0].essence) == (fourcc, Essence.PRORES)


@pytest.mark.parametrize(
    ("form", "codec", "sound", "rate"),
    [
        ("mov", "prores_ks", "pcm_s24le", Fraction(24000, 1001)),
        ("mov", "prores_ks/interlaced", "pcm_s24le", Fraction(30000, 1001)),
        ("mov", "dnxhd/hd", "pcm_s24le", Fraction(25)),
        ("mov", "dnxhd/interlaced", "pcm_s24le", Fraction(25)),
        ("mp4", "libx264", "aac", Fraction(50)),
        ("mp4", "libx265", "aac", Fraction(60000, 1001)),
        ("mov", "v210", "pcm_s24le", Fraction(24)),
    ],
)
def test_tracks_agree_with_independent_reader(form, codec, sound, rate):
    # Source: the MediaInfo library and FFmpeg's reader.
    data = clip(form, codec, sound, rate=rate, frames=12)
    report = _check(data)
    picture, audio = report.tracks[:2]
    info = MediaInfo.parse(io.BytesIO(data))
    video, heard = info.video_tracks[0], info.audio_tracks[0]
    assert (picture.width, picture.height) == (video.width, video.height)
    assert picture.samples == int(video.frame_count)
    assert float(picture.rate) == pytest.approx(float(video.frame_rate), abs=0.001)
    assert (audio.channels, audio.rate) == (heard.channel_s, heard.sampling_rate)
    if sound.startswith("pcm"):
        assert audio.bits == heard.bit_depth
    with av.open(io.BytesIO(data), format="mov") as container:
        stream = container.streams.video[0]
        assert picture.rate == stream.average_rate
        assert picture.samples == stream.frames
        assert picture.duration == stream.duration * stream.time_base
        assert picture.fourcc == stream.codec_context.codec_tag
    assert report.complete is Complete.YES


@pytest.mark.parametrize(
    ("label", "rate", "frame", "base", "is_drop"),
    [
        # SMPTE ST 12-1, worked values: 00:10:00;00 is frame 17982, 01:00:00;00 at 59.94 is 215784.
        ("00:10:00;00", Fraction(30000, 1001), 17982, 30, True),
        ("01:00:00;00", Fraction(60000, 1001), 215784, 60, True),
        ("01:00:00:00", Fraction(24000, 1001), 86400, 24, False),
        ("10:00:00:00", Fraction(25), 900000, 25, False),
    ],
)
def test_timecode_start_is_read(label, rate, frame, base, is_drop):
    report = _check(clip("mov", frames=4, rate=rate, timecode=label))
    start = report.timecode
    assert (start.frame, start.base, start.is_drop) == (frame, base, is_drop)
    assert report.reel == "A001"


def test_timecode_of_fragmented_file_is_read():
    options = (("movflags", "frag_keyframe+empty_moov+default_base_moof"),)
    report = _check(clip("mov", options=options, frames=12))
    assert report.variant == "fragmented"
    assert report.timecode.frame == 86400
    assert report.tracks[0].samples == 12
    assert report.duration == 12 * Fraction(1001, 24000)


def test_box_with_long_size_is_followed():
    # A size of 1 means that 64 bits follow (ISO/IEC 14496-12, 4.2).
    data = clip("mov", frames=4)
    wide, _end = find_box(data, b"wide")
    start, end = find_box(data, b"mdat")
    assert start == wide + 8
    head = struct.pack(">I4sQ", 1, b"mdat", end - wide)
    report = _check(_patched(data, wide, head))
    assert report.complete is Complete.YES


def test_media_data_without_length_was_never_closed():
    # A size of 0 reaches to the end of the file; on media data it was never filled in.
    data = clip("mov", options=FIRST, frames=4)
    start, end = find_box(data, b"mdat")
    assert end == len(data)
    assert (ClipCode.UNFINISHED, "top-level") in _holds(_patched(data, start, bytes(4)))


def test_long_placeholder_length_was_never_closed():
    data = clip("mov", options=FIRST, frames=4)
    start, _end = find_box(data, b"mdat")
    broken = data[:start] + struct.pack(">I4sQ", 1, b"mdat", 0) + data[start + 8 :]
    assert (ClipCode.UNFINISHED, "top-level") in _holds(broken)


@pytest.mark.parametrize("kind", [b"stsd", b"stts", b"stsc", b"stsz", b"stco"])
def test_missing_table_is_found(kind):
    data = clip("mov", frames=4)
    assert (ClipCode.DAMAGED, "index-parts") in _holds(
        _patched(data, _table(data, kind) - 4, b"free")
    )


@pytest.mark.parametrize("kind", [b"stts", b"stsc", b"stco"])
def test_count_larger_than_its_box_is_refused(kind):
    data = clip("mov", frames=4)
    broken = _patched(data, _table(data, kind) + 4, b"\x7f\xff\xff\xff")
    assert (ClipCode.DAMAGED, "sample-tables") in _holds(broken)


def test_size_table_larger_than_its_box_is_refused():
    data = clip("mov", frames=4)
    broken = _patched(data, _table(data, b"stsz") + 8, b"\xff\xff\xff\xff")
    assert (ClipCode.DAMAGED, "sample-tables") in _holds(broken)


def test_durations_for_other_number_of_samples():
    data = clip("mov", frames=4)
    broken = _patched(data, _table(data, b"stts") + 8, (5).to_bytes(4, "big"))
    assert (ClipCode.COUNTS_DIFFER, "sample-tables") in _holds(broken)


def test_chunks_for_other_number_of_samples():
    data = clip("mov", frames=4)
    broken = _patched(data, _table(data, b"stsc") + 12, (2).to_bytes(4, "big"))
    assert (ClipCode.COUNTS_DIFFER, "sample-tables") in _holds(broken)


def test_chunk_outside_media_data_is_found():
    data = clip("mov", frames=4)
    broken = _patched(data, _table(data, b"stco") + 8, len(data).to_bytes(4, "big"))
    assert (ClipCode.DAMAGED, "chunks-in-data") in _holds(broken)


def test_two_chunks_with_the_same_bytes_are_found():
    data = clip("mov", "v210", frames=4)
    picture, sound = _table(data, b"stco", 0) + 8, _table(data, b"stco", 1) + 8
    broken = _patched(data, sound, data[picture : picture + 4])
    assert (ClipCode.DAMAGED, "chunk-overlap") in _holds(broken)


def test_declared_duration_must_be_the_sum():
    data = clip("mov", frames=12)
    moov = find_box(data, b"moov")
    trak = find_box(data, b"moov", b"trak")
    mdhd = data.index(b"mdhd", trak[0], moov[1]) + 4
    broken = _patched(data, mdhd + 16, (10**6).to_bytes(4, "big"))
    assert (ClipCode.COUNTS_DIFFER, "durations") in _holds(broken)


def test_one_long_frame_is_a_notice_with_its_place():
    # Measured: a reader shows nothing of it but an average rate of 23500/1001.
    data = clip("mov", frames=12)
    at = _table(data, b"stts") + 4
    delta = struct.unpack_from(">I", data, at + 8)[0]
    entries = struct.pack(">I6I", 3, 4, delta, 1, 2 * delta, 7, delta)
    grown = _with_grown_table(data, b"stts", entries)
    report = _check(grown)
    texts = [each.text for each in report.findings if each.code == ClipCode.UNEVEN]
    assert texts == ["track 1: picture 5 lasts 2 frames, as if 1 were dropped"]


def _with_grown_table(data: bytes, kind: bytes, content: bytes) -> bytes:
    """Replace a table's content behind its flags, fixing the sizes of all that hold it."""
    at = _table(data, kind)
    (old,) = struct.unpack_from(">I", data, at - 8)
    grown = data[:at] + bytes(4) + content + data[at - 8 + old :]
    more = len(content) + 12 - old
    start = find_box(data, b"moov")[0]
    holders = [start]
    for step in (b"trak", b"mdia", b"minf", b"stbl", kind):
        start = next(s for k, s, _e in made_clips.boxes(data, start + 8) if k == step)
        holders.append(start)
    out = bytearray(grown)
    for holder in holders:
        (size,) = struct.unpack_from(">I", out, holder)
        struct.pack_into(">I", out, holder, size + more)
    return bytes(out)


def test_compact_sizes_are_read():
    # ISO/IEC 14496-12, compact sample sizes: 16 bits each.
    data = clip("mp4", "libx264", "aac", frames=48)
    at = _table(data, b"stsz")
    (count,) = struct.unpack_from(">I", data, at + 8)
    sizes = struct.unpack_from(f">{count}I", data, at + 12)
    body = struct.pack(f">IBBBBI{count}H", 0, 0, 0, 0, 16, count, *sizes)
    compact = struct.pack(">I4s", 8 + len(body), b"stz2") + body
    left = 20 + 4 * count - len(compact)
    padding = struct.pack(">I4s", left, b"free") + bytes(left - 8)
    report = _check(_patched(data, at - 8, compact + padding))
    assert report.complete is Complete.YES
    assert report.tracks[0].samples == count


def test_old_sound_sizes_of_one_are_understood():
    # Old writers put 1 for uncompressed sound; the description gives the bytes (from memory).
    data = clip("mov", frames=4)
    at = _table(data, b"stsz", 1) + 4
    assert struct.unpack_from(">I", data, at)[0] == 6
    assert _check(_patched(data, at, (1).to_bytes(4, "big"))).complete is Complete.YES
    assert (ClipCode.DAMAGED, "sample-tables") in _holds(_patched(data, at, (5).to_bytes(4, "big")))


def test_sound_of_other_length_is_a_notice():
    data = clip("mov", frames=12)
    at = data.index(b"mdhd", data.index(b"trak", data.index(b"trak") + 4)) + 4
    assert struct.unpack_from(">I", data, at + 12)[0] == 48_000
    broken = _patched(data, at + 12, (24_000).to_bytes(4, "big"))
    assert ClipCode.LENGTHS_DIFFER in _notices(broken)
    assert _check(broken).complete is Complete.YES


def test_user_data_that_is_no_boxes_is_only_a_note():
    # What makers keep there is theirs.
    data = clip("mov", frames=4)
    start, end = find_box(data, b"moov")
    junk = _sized(b"udta", b"\x12\x34 private \xff")
    size = struct.pack(">I", end - start + len(junk))
    report = _check(data[:start] + size + data[start + 4 : end] + junk + data[end:])
    assert report.complete is Complete.YES
    assert [each.weight for each in report.findings] == [Weight.NOTE]


def test_timecode_tracks_may_share_a_sample():
    # Only pictures and sounds must lie apart.
    data = clip("mov", frames=4)
    timecode, picture = _table(data, b"stco", 2) + 8, _table(data, b"stco", 0) + 8
    shared = _patched(data, timecode, data[picture : picture + 4])
    assert _check(shared).complete is Complete.YES


def test_small_differences_of_declared_length_are_notes():
    data = clip("mov", frames=12)
    at = data.index(b"mdhd", data.index(b"trak", data.index(b"trak") + 4)) + 4
    (duration,) = struct.unpack_from(">I", data, at + 16)
    report = _check(_patched(data, at + 16, struct.pack(">I", duration + 500)))
    assert report.complete is Complete.YES
    assert [each.weight for each in report.findings] == [Weight.NOTE]


def _sized(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(content), kind) + content


def test_encrypted_track_is_a_notice_and_no_hold():
    data = clip("mp4", "libx264", "aac", frames=12)
    at = _table(data, b"stsd")
    report = _check(_patched(data, at + 12, b"encv"))
    assert report.tracks[0].is_encrypted
    assert ClipCode.OPAQUE in {each.code for each in report.findings}
    assert report.complete is Complete.YES


def test_essence_in_another_file_is_never_followed():
    data = clip("mov", frames=4)
    at = data.index(b"dref") + 4
    # The flag "self-contained" is taken away (ISO/IEC 14496-12, data reference).
    report = _check(_patched(data, at + 8 + 11, b"\0"))
    assert any("another file" in each.text for each in report.findings)


def test_still_picture_is_a_notice():
    data = struct.pack(">I4s4sI", 16, b"ftyp", b"heic", 0) + struct.pack(">I4sI", 12, b"meta", 0)
    report = _check(data)
    assert [(each.code, each.weight) for each in report.findings] == [
        (ClipCode.OPAQUE, Weight.NOTICE)
    ]


def test_compressed_index_is_a_notice():
    cmov = struct.pack(">I4s", 16, b"cmov") + bytes(8)
    moov = struct.pack(">I4s", 8 + len(cmov), b"moov") + cmov
    report = _check(struct.pack(">I4s", 16, b"mdat") + bytes(8) + moov)
    assert [each.code for each in report.findings] == [ClipCode.OPAQUE]


def test_two_indexes_are_found():
    data = clip("mov", frames=4)
    start, end = find_box(data, b"moov")
    assert (ClipCode.DAMAGED, "index") in _holds(data + data[start:end])


def test_index_without_samples_was_never_closed():
    options = (("movflags", "frag_keyframe+empty_moov+default_base_moof"),)
    data = clip("mov", options=options, frames=12)
    end = find_box(data, b"moov")[1]
    alone = data[:end] + struct.pack(">I4s", 8, b"mdat")
    assert (ClipCode.UNFINISHED, "index") in _holds(alone)


def test_a_few_zeros_behind_the_end_are_a_notice():
    data = clip("mov", frames=4)
    assert _notices(data + bytes(4096)) == {ClipCode.TRAILING}
    assert _check(data + bytes(4096)).complete is Complete.YES


def test_zeros_behind_fragments_may_be_lost_fragments():
    options = (("movflags", "frag_keyframe+empty_moov+default_base_moof"),)
    data = clip("mov", options=options, frames=12)
    start, _end = find_box(data, b"mfra")
    assert (ClipCode.DAMAGED, "top-level") in _holds(data[:start] + bytes(4096))


def test_unknown_box_is_only_a_note():
    data = clip("mov", frames=4) + struct.pack(">I4s", 16, b"xyz1") + bytes(8)
    report = _check(data)
    assert [each.weight for each in report.findings] == [Weight.NOTE]
    assert report.complete is Complete.YES


def test_boxes_nested_without_end_do_no_harm():
    inner = b""
    for _depth in range(2000):
        inner = struct.pack(">I4s", 8 + len(inner), b"trak") + inner
    moov = struct.pack(">I4s", 8 + len(inner), b"moov") + inner
    report = _check(moov + struct.pack(">I4s", 8, b"mdat"))
    assert report.complete is Complete.NO


def test_picture_names_its_kind():
    kinds = [track.kind for track in _check(clip("mov", frames=4)).tracks]
    assert kinds == [TrackKind.PICTURE, TrackKind.SOUND, TrackKind.TIMECODE]
