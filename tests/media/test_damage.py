"""Each kind of damage, at 30 places in each container: found, or listed here as not found.

The kinds are those that players and decoders were measured to pass over in silence, and those that
dying batteries and pulled cards leave. The numbers below are what this check finds; where one is 0
the damage cannot be seen in the structure, and the reason stands beside it.
"""

import errno
import random

import pytest

from offload.media import damage
from offload.media.reading import BytesReader
from offload.values.clips import ClipCode, Complete, Container, Weight
from tests.media import damaged, made_clips
from tests.media.damaged import FORMS, PLACES

ALL = PLACES

# Found at how many of 30 places at least; all where a form is not named.
FOUND = {
    damaged.cut: {"mts": 28},
    damaged.tail_zeroed: {
        # Zeros are silence in uncompressed sound and black in an uncompressed picture.
        "wave": 0,
        "rf64": 0,
        "dpx": 0,
        # Inside the last compressed block only decoding tells.
        "exr": 27,
    },
    damaged.byte_added: {},
    damaged.byte_lost: {},
    # TIFF has no end: what lies behind the last piece may belong to a tag nobody follows.
    damaged.junk_added: {"tiff": 0, "dng": 0},
}
HOLES = {
    "mov": ALL,
    "mov index first": ALL,
    "mov vc-3": ALL,
    "mp4": ALL,
    "mov fragmented": ALL,
    "mxf prores": ALL,
    "mxf vc-3": ALL,
    "mxf mpeg-2": ALL,
    "mxf op-atom": ALL,
    "mts": ALL,
    "jpeg 2000": ALL,
}
# 4 KiB of zeros: heads and tables alone, and with every sample read whole. What lies in sound
# stays hidden either way; so does, in VC-3, what hits no beginning of a row.
SMALL_HOLES = {
    "mov": (1, 30),
    "mov index first": (5, 30),
    "mov vc-3": (2, 22),
    "mp4": (12, 30),
    "mov fragmented": (4, 30),
    "mxf prores": (3, 26),
    "mxf vc-3": (6, 24),
    "mxf mpeg-2": (12, 22),
    "mxf op-atom": (3, 28),
    "mts": (30, 30),
    "wave": (0, 0),
    "dpx": (0, 0),
    "jpeg 2000": (3, 3),
}


def _check(data: bytes, file: bytes, *, is_whole: bool = False) -> list[str]:
    report = damage.check(BytesReader(data), file, made_clips.zero_runs(data), is_whole=is_whole)
    holds = [each.code for each in report.findings if each.weight is Weight.HOLD]
    assert (report.complete is Complete.YES) == (not holds)
    return holds


def _found(form: damaged.Form, kind, *, is_whole: bool = False) -> int:
    data = form.make()
    broken = [kind(data, at) for at in damaged.places(len(data))]
    assert data not in broken
    return sum(1 for each in broken if _check(each, form.file, is_whole=is_whole))


@pytest.mark.parametrize("form", FORMS.values(), ids=lambda form: form.name)
def test_whole_file_has_no_hold(form):
    data = form.make()
    report = damage.check(BytesReader(data), form.file, made_clips.zero_runs(data))
    assert report.complete is Complete.YES
    assert [each for each in report.findings if each.weight is not Weight.NOTE] == []


@pytest.mark.parametrize("form", FORMS.values(), ids=lambda form: form.name)
def test_whole_file_read_whole_has_no_hold(form):
    assert _check(form.make(), form.file, is_whole=True) == []


@pytest.mark.parametrize("form", FORMS.values(), ids=lambda form: form.name)
@pytest.mark.parametrize("kind", FOUND, ids=lambda kind: kind.__name__)
def test_damage_is_found_as_listed(form, kind):
    least = FOUND[kind].get(form.name, ALL)
    found = _found(form, kind)
    assert found >= least
    assert (found == 0) == (least == 0), "the table must say what is found"


@pytest.mark.parametrize("name", HOLES)
def test_hole_of_zeros_is_found(name):
    assert _found(FORMS[name], damaged.hole) == HOLES[name]


@pytest.mark.parametrize("name", SMALL_HOLES)
def test_small_hole_is_found_as_listed(name):
    heads, whole = SMALL_HOLES[name]
    found_by_heads = _found(FORMS[name], damaged.small_hole)
    found_whole = _found(FORMS[name], damaged.small_hole, is_whole=True)
    assert found_by_heads >= heads
    assert found_whole >= whole
    assert (found_whole == 0) == (whole == 0)


def test_cut_on_packet_boundary_is_mostly_found():
    # The last unit of a stream is filled up when a recording ends in order (ISO/IEC 13818-1,
    # 2.4.3.5); a cut leaves it open unless it falls exactly between two units.
    assert _found(FORMS["mts"], damaged.cut_on_packet) >= 26


def test_cut_stream_that_goes_on_is_not_held():
    form = FORMS["mts"]
    data = form.make()
    part = damaged.cut_on_packet(data, len(data) // 2)
    report = damage.check(BytesReader(part), form.file, continues=True)
    assert report.complete is Complete.YES


@pytest.mark.parametrize("form", FORMS.values(), ids=lambda form: form.name)
@pytest.mark.parametrize("lost", [1, 1000])
def test_last_bytes_lost_are_found(form, lost):
    assert _check(form.make()[:-lost], form.file)


@pytest.mark.parametrize("form", FORMS.values(), ids=lambda form: form.name)
def test_zeroed_head_is_found(form):
    assert _check(damaged.head_zeroed(form.make(), 0), form.file)


@pytest.mark.parametrize(
    ("form", "codec", "sound", "file", "code"),
    [
        ("mov", "prores_ks", "pcm_s24le", b"A001C002.mov", ClipCode.UNFINISHED),
        ("mp4", "libx264", "aac", b"A001C002.mp4", ClipCode.UNFINISHED),
        ("mxf", "prores_ks", "pcm_s24le", b"A001C002.mxf", ClipCode.UNFINISHED),
        ("mxf", "mpeg2video", "pcm_s24le", b"A001C002.mxf", ClipCode.UNFINISHED),
    ],
)
def test_clip_that_was_never_closed(form, codec, sound, file, code):
    # As the writer's file stands before it is closed: measured, players open the MXF in silence.
    assert code in _check(made_clips.unfinished(form, codec, sound), file)


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_wave_without_sizes_was_never_closed(size):
    data = bytearray(made_clips.wave())
    where = data.index(b"data") + 4
    data[4:8] = data[where : where + 4] = size.to_bytes(4, "little")
    assert _check(bytes(data), b"A001S02.wav").count(ClipCode.UNFINISHED) == 2


def test_half_the_index_is_found():
    # Measured: a player shows the picture and drops sound and timecode without a word.
    data = made_clips.clip("mov", frames=24)
    start, end = made_clips.find_box(data, b"moov")
    half = start + (end - start) // 2
    broken = data[:start] + (half - start).to_bytes(4, "big") + data[start + 4 : half]
    assert ClipCode.DAMAGED in _check(broken, b"A001C003.mov")


@pytest.mark.parametrize("options", [(), (("movflags", "faststart"),)], ids=["last", "first"])
def test_index_zeroed_behind_its_header_is_found(options):
    data = made_clips.clip("mov", options=options, frames=24)
    start, end = made_clips.find_box(data, b"moov")
    broken = data[: start + 8] + bytes(end - start - 8) + data[end:]
    assert ClipCode.DAMAGED in _check(broken, b"A001C004.mov")


@pytest.mark.parametrize(("form", "codec"), [("mov", "prores_ks"), ("mp4", "libx264")])
def test_lost_fragment_is_found(form, codec):
    # Measured: the duration shrinks to match and nothing is said.
    fragmented = (("movflags", "frag_keyframe+empty_moov+default_base_moof"),)
    data = made_clips.clip(form, codec, options=fragmented, frames=48)
    parts = [(kind, s, e) for kind, s, e in made_clips.boxes(data) if kind in (b"moof", b"mdat")]
    assert parts[2][0] == b"moof"
    broken = data[: parts[2][1]] + data[parts[3][2] :]
    assert ClipCode.COUNTS_DIFFER in _check(broken, b"A001C005.mov")


@pytest.mark.parametrize(
    "content",
    [b"", b"\0" * 8, b"\0" * 100_000, b"\xff" * 1_048_576],
    ids=["nothing", "8-bytes", "zeros", "ones"],
)
@pytest.mark.parametrize("file", [b"a.mov", b"a.mxf", b"a.wav", b"a.mts", b"a.dpx", b"a.xyz"])
def test_file_without_meaning_is_empty(content, file):
    report = damage.check(BytesReader(content), file)
    assert [each.code for each in report.findings] == [ClipCode.EMPTY]
    assert report.complete is Complete.NO


@pytest.mark.parametrize(
    "content",
    [b"Night Ferry, day 12\n" * 50, random.Random(1).randbytes(20_000), b"abcdefgh"],
    ids=["text", "noise", "8-bytes"],
)
@pytest.mark.parametrize(
    "file", [b"a.mov", b"a.mxf", b"a.wav", b"a.mts", b"a.dng", b"a.exr", b"a.j2c"]
)
def test_other_content_under_our_suffix_is_held(content, file):
    assert _check(content, file) == [ClipCode.DAMAGED]


def test_suffix_that_lies_is_a_notice_of_its_own():
    data = made_clips.clip("mxf", frames=24)
    report = damage.check(BytesReader(data), b"A001C006.mov")
    assert report.container is Container.MXF
    assert [(each.code, each.weight) for each in report.findings] == [
        (ClipCode.SUFFIX_LIES, Weight.NOTICE)
    ]
    assert report.complete is Complete.YES


def test_unknown_type_is_a_notice_and_no_hold():
    report = damage.check(BytesReader(b"\x89XYZ" + bytes(range(256)) * 20), b"A001C007.raw")
    assert [(each.code, each.weight) for each in report.findings] == [
        (ClipCode.OPAQUE, Weight.NOTICE)
    ]
    assert report.complete is Complete.UNKNOWN
    assert "cannot look inside" in report.findings[0].text


def test_unknown_type_full_of_zeros_is_a_notice():
    data = b"\x89XYZ" + bytes(range(256)) * 20 + bytes(2_000_000)
    report = damage.check(BytesReader(data), b"A001C007.raw", made_clips.zero_runs(data))
    assert {(each.code, each.weight) for each in report.findings} == {
        (ClipCode.OPAQUE, Weight.NOTICE),
        (ClipCode.ZEROS, Weight.NOTICE),
    }


class _BrokenReader:
    """A card that fails at one place."""

    def __init__(self, data: bytes, bad_at: int) -> None:
        self._data, self._bad_at = data, bad_at

    @property
    def size(self) -> int:
        return len(self._data)

    def read_at(self, offset: int, length: int) -> bytes:
        if offset <= self._bad_at < offset + length:
            raise OSError(errno.EIO, "Input/output error")
        return self._data[offset : offset + length]


def test_unreadable_card_is_unchecked_and_not_silent():
    data = made_clips.clip("mov", frames=24)
    report = damage.check(_BrokenReader(data, len(data) - 10), b"A001C008.mov")
    assert [each.code for each in report.findings] == [ClipCode.UNCHECKED]
    assert "EIO" in report.findings[0].text
    assert report.complete is Complete.UNKNOWN


def test_error_inside_a_check_is_unchecked(monkeypatch):
    def broken(looking):
        raise ZeroDivisionError

    monkeypatch.setitem(damage._CHECKS, Container.MOV, broken)
    report = damage.check(BytesReader(made_clips.clip("mov", frames=24)), b"A001C009.mov")
    assert [each.code for each in report.findings] == [ClipCode.UNCHECKED]
    assert "unreadable structure" in report.findings[0].text


def test_findings_carry_the_path_and_are_escaped():
    file = b"A001/\x1b[31mA001C010.mov"
    report = damage.check(BytesReader(b"\x1b]0;X\x07 hostile" * 9), file)
    assert all(each.path == file for each in report.findings)
    assert all(each.text.isprintable() for each in report.findings)


def test_structure_check_reads_little_of_a_long_clip():
    # "Never more bytes than needed": heads and tables of each picture only.
    data = made_clips.clip("mov", frames=24)
    report = damage.check(BytesReader(data), b"A001C011.mov")
    assert report.heads_checked == report.heads_total == 24
    assert report.bytes_read < len(data) // 8
