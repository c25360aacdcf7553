"""Files grouped into clips, and what is missing from a group."""

import struct
import tracemalloc

import pytest

from offload.media.clip_files import group_files
from offload.values.clips import Clip, ClipCode, ClipKind, Container, Weight
from offload.values.entries import Entries, Entry, Kind

FULL = 2**32 - 1
"""The largest file of FAT32."""


def _entries(files: dict[bytes, int]) -> Entries:
    return Entries(Entry(path, Kind.FILE, size) for path, size in files.items())


def _group(files: dict[bytes, int], **options) -> list[Clip]:
    return list(group_files(_entries(files), **options))


def _texts(clip: Clip, weight: Weight = Weight.HOLD) -> list[str]:
    return [each.text for each in clip.findings if each.weight is weight]


def _frames(folder: bytes, numbers, suffix: bytes = b".dpx", size: int = 1000) -> dict[bytes, int]:
    return {folder + b"/A001C001_%07d" % each + suffix: size for each in numbers}


def test_single_files_are_clips_of_their_own():
    clips = _group({b"A001C001.mov": 10, b"A001C002.mov": 10, b"A001S01.wav": 10})
    assert [clip.path for clip in clips] == [b"A001C001.mov", b"A001C002.mov", b"A001S01.wav"]
    assert {clip.kind for clip in clips} == {ClipKind.FILE}
    assert {clip.container for clip in clips} == {Container.MOV, Container.WAV}


def test_small_files_of_the_same_name_go_with_the_clip():
    (clip,) = _group({b"A/A001C001.MXF": 10, b"A/A001C001.XML": 1, b"A/notes.txt": 1})
    assert clip.sidecars == (b"A/A001C001.XML",)


def test_file_of_unknown_suffix_is_a_clip_where_the_layout_says_so():
    files = {b"CLIPS/A001C001.raw": 10, b"CLIPS/index.bin": 10}
    assert _group(files) == []
    (clip,) = _group(files, is_clip=lambda path: path.endswith(b".raw"))
    assert (clip.path, clip.container) == (b"CLIPS/A001C001.raw", Container.UNKNOWN)


def test_frames_of_one_name_are_one_clip():
    clips = _group(_frames(b"A001C001", range(1001, 1101)) | {b"A001C002.mov": 5})
    assert [(clip.kind, len(clip.files)) for clip in clips] == [
        (ClipKind.FRAMES, 100),
        (ClipKind.FILE, 1),
    ]
    assert (clips[0].first_number, clips[0].last_number) == (1001, 1100)
    assert clips[0].findings == ()


@pytest.mark.parametrize("suffix", [b".dng", b".dpx", b".exr", b".tif", b".tiff", b".j2c", b".J2K"])
def test_frames_of_every_kind_that_cameras_write_are_one_clip(suffix):
    """Taken for clips, each frame of a roll would be told as one whose number is there twice."""
    (clip,) = _group(_frames(b"A001C001", range(100), suffix), is_clip=lambda _path: True)
    assert (clip.kind, len(clip.files)) == (ClipKind.FRAMES, 100)


def test_hole_in_a_sequence_is_named():
    (clip,) = _group(_frames(b"F", [*range(1000, 1042), *range(1045, 1050), 1051]))
    assert _texts(clip) == ["frames 1042-1044 missing", "frame 1050 missing"]
    assert {each.code for each in clip.findings} == {ClipCode.PART_MISSING}


def test_frames_without_leading_zeros_are_in_order():
    files = {b"F/frame%d.tif" % number: 10 for number in range(1, 120)}
    (clip,) = _group(files)
    assert [each.path for each in clip.files[8:11]] == [
        b"F/frame9.tif",
        b"F/frame10.tif",
        b"F/frame11.tif",
    ]
    assert clip.findings == ()


def test_number_in_front_of_a_constant_one_counts_frames():
    files = {b"F/A001_%04d_1920x1080.exr" % number: 10 for number in (7, 8, 10)}
    (clip,) = _group(files)
    assert _texts(clip) == ["frame 9 missing"]


def test_sequences_of_two_clips_in_one_folder_stay_apart():
    files = _frames(b"F", range(5)) | {
        path.replace(b"C001", b"C002"): size for path, size in _frames(b"F", range(7)).items()
    }
    clips = _group(files)
    assert [len(clip.files) for clip in clips] == [5, 7]


def test_frame_that_is_empty_or_short_is_named():
    files = _frames(b"F", range(40))
    files[b"F/A001C001_0000007.dpx"] = 0
    files[b"F/A001C001_0000039.dpx"] = 600
    (clip,) = _group(files)
    assert [(each.code, each.path) for each in clip.findings] == [
        (ClipCode.EMPTY, b"F/A001C001_0000007.dpx"),
        (ClipCode.CUT_SHORT, b"F/A001C001_0000039.dpx"),
    ]


def test_compressed_frames_may_differ_in_size():
    files = {b"F/a%04d.dng" % number: 1000 + number % 7 for number in range(50)}
    (clip,) = _group(files)
    assert clip.findings == ()


def test_still_pictures_are_not_frames():
    # JEITA CP-3461: such names count objects.
    files = {b"DCIM/100NIGHT/ABCD%04d.DNG" % number: 10 for number in (1, 2, 5)}
    clips = _group(files)
    assert [clip.kind for clip in clips] == [ClipKind.FILE] * 3
    assert all(not clip.findings for clip in clips)


def test_hundred_thousand_frames_are_one_clip():
    entries = _entries(_frames(b"A001C001", (n for n in range(100_000) if n != 54_321)))
    (clip,) = group_files(entries)
    assert len(clip.files) == 99_999
    assert _texts(clip) == ["frame 54321 missing"]
    assert clip.files[50_000].path == b"A001C001/A001C001_0050000.dpx"


def test_frames_are_no_objects_in_memory():
    entries = _entries(_frames(b"A001C001", range(20_000)))
    tracemalloc.start()
    clips = group_files(entries)
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(clips) == 1
    assert peak < 100 * 20_000


def test_many_holes_are_named_and_then_counted():
    (clip,) = _group(_frames(b"F", range(0, 200, 2)))
    assert len(clip.findings) == 21
    assert _texts(clip)[-1] == "79 more frames missing in 79 places"


def test_take_cut_at_the_size_limit_is_one_clip():
    # File systems' published limits: FAT32 holds files up to 4 GiB less one byte.
    files = {b"C0001_01.MP4": FULL, b"C0001_02.MP4": FULL, b"C0001_03.MP4": 5}
    (clip,) = _group(files)
    assert (clip.kind, len(clip.files)) == (ClipKind.SPANNED, 3)
    assert clip.findings == ()


def test_missing_part_of_a_take_is_named():
    (clip,) = _group({b"C0001_01.MP4": FULL, b"C0001_03.MP4": FULL - 7})
    assert _texts(clip) == ["part 2 missing"]
    assert "may go on" in _texts(clip, Weight.NOTICE)[0]


def test_missing_first_part_is_named():
    (clip,) = _group({b"C0001_02.MP4": FULL, b"C0001_03.MP4": 9})
    assert _texts(clip) == ["part 1 missing"]


def test_clips_numbered_like_parts_stay_apart():
    clips = _group({b"A001_01.mov": 500, b"A001_02.mov": 500, b"A001_05.mov": 500})
    assert [clip.kind for clip in clips] == [ClipKind.FILE] * 3
    assert all(not clip.findings for clip in clips)


def test_full_file_goes_on_in_the_next_number():
    clips = _group({b"DCIM/100NIGHT/ABCD0001.MOV": FULL, b"DCIM/100NIGHT/ABCD0002.MOV": 9})
    assert [(clip.kind, len(clip.files)) for clip in clips] == [(ClipKind.SPANNED, 2)]


def test_sound_files_of_equal_size_stay_apart():
    # One file for each microphone, all equally long: not parts of one.
    clips = _group({b"T01_1.WAV": 10**9, b"T01_2.WAV": 10**9})
    assert len(clips) == 2


def test_essence_group_by_folders():
    files = {
        b"CONTENTS/VIDEO/0001AB.MXF": 100,
        b"CONTENTS/AUDIO/0001AB00.MXF": 10,
        b"CONTENTS/AUDIO/0001AB01.MXF": 10,
        b"CONTENTS/VIDEO/0002CD.MXF": 100,
        b"CONTENTS/AUDIO/0002CD00.MXF": 10,
        b"CONTENTS/AUDIO/0002CD02.MXF": 10,
    }
    first, second = _group(files)
    assert (first.kind, first.path) == (ClipKind.ESSENCE_GROUP, b"CONTENTS/VIDEO/0001AB.MXF")
    assert [each.path[-12:] for each in first.files] == [
        b"O/0001AB.MXF",
        b"/0001AB00.MXF"[-12:],
        b"/0001AB01.MXF"[-12:],
    ]
    assert first.findings == ()
    assert _texts(second) == ["sound 1 missing"]


def test_sound_without_its_picture_is_named():
    files = {b"C/VIDEO/0001AB.MXF": 1, b"C/AUDIO/0001AB00.MXF": 1, b"C/AUDIO/0009ZZ00.MXF": 1}
    clips = _group(files)
    assert [_texts(clip) for clip in clips] == [["sound without its picture file"], []]


def test_essence_group_by_letters():
    files = {b"A001C001_v1.mxf": 9, b"A001C001_a1.mxf": 1, b"A001C001_a2.mxf": 1, b"B_v1.mxf": 1}
    first, second = _group(files)
    assert (first.kind, len(first.files)) == (ClipKind.ESSENCE_GROUP, 3)
    assert (second.kind, second.path) == (ClipKind.FILE, b"B_v1.mxf")


AVCHD = b"PRIVATE/AVCHD/BDMV"


def _playlist(*items: tuple[bytes, int]) -> bytes:
    body = b""
    for name, condition in items:
        item = name + b"M2TS" + struct.pack(">BB", 0, condition) + bytes(20)
        body += struct.pack(">H", len(item)) + item
    head = struct.pack(">IHHH", len(body) + 6, 0, len(items), 0)
    return b"MPLS0100" + struct.pack(">I", 40) + bytes(28) + head + body


def _information(packets: int) -> bytes:
    return b"HDMV0100" + bytes(48) + struct.pack(">I", packets) + bytes(20)


def _card(streams: dict[bytes, int], small: dict[bytes, bytes]) -> list[Clip]:
    files = {AVCHD + b"/STREAM/" + name: size for name, size in streams.items()}
    content = {AVCHD + b"/" + name: data for name, data in small.items()}
    files |= {path: len(data) for path, data in content.items()}
    return list(group_files(_entries(files), read=lambda path, _most: content[path]))


def test_streams_that_a_playlist_joins_are_one_clip():
    clips = _card(
        {b"00000.MTS": 1920, b"00001.MTS": 192, b"00002.MTS": 192},
        {
            b"PLAYLIST/00000.MPL": _playlist((b"00000", 1), (b"00001", 6), (b"00002", 1)),
            b"CLIPINF/00000.CPI": _information(10),
            b"CLIPINF/00001.CPI": _information(1),
            b"CLIPINF/00002.CPI": _information(1),
        },
    )
    assert [(clip.kind, len(clip.files)) for clip in clips] == [
        (ClipKind.SPANNED, 2),
        (ClipKind.FILE, 1),
    ]
    assert all(not clip.findings for clip in clips)
    assert clips[0].sidecars == (
        AVCHD + b"/CLIPINF/00000.CPI",
        AVCHD + b"/CLIPINF/00001.CPI",
    )


def test_stream_cut_on_a_packet_boundary_shows_in_its_information():
    # The one cut of a transport stream that the stream itself does not show.
    (clip,) = _card({b"00000.MTS": 1728}, {b"CLIPINF/00000.CPI": _information(10)})
    assert [(each.code, each.text) for each in clip.findings] == [
        (ClipCode.CUT_SHORT, "its clip information counts 1920 bytes, it has 1728")
    ]


def test_stream_and_information_come_in_pairs():
    clips = _card(
        {b"00000.MTS": 192, b"00001.MTS": 192},
        {b"CLIPINF/00000.CPI": _information(1), b"CLIPINF/00007.CPI": _information(1)},
    )
    by_path = {clip.path: clip for clip in clips}
    assert _texts(by_path[AVCHD + b"/STREAM/00001.MTS"], Weight.NOTICE) == [
        "its clip information ('CLIPINF') is not there"
    ]
    orphan = by_path[AVCHD + b"/CLIPINF/00007.CPI"]
    assert _texts(orphan) == ["clip information without its stream"]
    assert len(orphan.files) == 0


def test_part_that_a_playlist_names_and_no_card_has():
    clips = _card(
        {b"00000.MTS": 192},
        {
            b"PLAYLIST/00000.MPL": _playlist((b"00000", 1), (b"00001", 6)),
            b"CLIPINF/00000.CPI": _information(1),
        },
    )
    assert _texts(clips[0]) == ["stream 00001 of its playlist is not there"]


def test_unreadable_side_files_are_passed_over():
    def read(path: bytes, _most: int) -> bytes:
        raise OSError(5, "Input/output error")

    files = {AVCHD + b"/STREAM/00000.MTS": 192, AVCHD + b"/CLIPINF/00000.CPI": 80}
    (clip,) = group_files(_entries(files), read=read)
    assert clip.findings == ()


@pytest.mark.parametrize("cut", range(0, 120, 7))
def test_broken_side_files_do_no_harm(cut):
    playlist = _playlist((b"00000", 1), (b"00001", 6))[:cut]
    clips = _card({b"00000.MTS": 192}, {b"PLAYLIST/00000.MPL": playlist})
    assert clips


def test_only_regular_files_are_clips():
    entries = Entries(
        [
            Entry(b"A001C001.mov", Kind.LINK, note="/etc/passwd"),
            Entry(b"A001C002.mov", Kind.PIPE),
            Entry(b"A001C003.mov", Kind.FOLDER),
        ]
    )
    assert group_files(entries) == ()


@pytest.mark.parametrize(
    "name",
    [b"\xff\xfe.mov", b"new\nline.mov", b"-n.mov", b"a" * 251 + b".mov", b"9" * 200 + b".dpx"],
)
def test_odd_names_are_clips_like_others(name):
    (clip,) = _group({name: 10})
    assert clip.path == name


def test_every_file_belongs_to_one_clip_at_most():
    files = _frames(b"F", range(10)) | {
        b"C0001_01.MP4": FULL,
        b"C0001_02.MP4": 5,
        b"A001C001_v1.mxf": 9,
        b"A001C001_a1.mxf": 1,
        AVCHD + b"/STREAM/00000.MTS": FULL,
        AVCHD + b"/STREAM/00001.MTS": 192,
    }
    paths = [each.path for clip in _group(files) for each in clip.files]
    assert sorted(paths) == sorted(files)
