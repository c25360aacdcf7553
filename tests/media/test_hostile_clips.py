"""Hostile files: every parser ends, says something, and stays within its bounds."""

import random
import struct
import tracemalloc

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from offload.media import damage
from offload.media.reading import BytesReader
from offload.media.structure import StructureReport
from offload.values.clips import ClipCode, Complete, Weight
from tests.media import made_clips
from tests.media.made_clips import clip, frame, wave

SUFFIXES = [
    b".mov",
    b".mxf",
    b".wav",
    b".mts",
    b".dpx",
    b".tif",
    b".dng",
    b".exr",
    b".j2c",
    b".xyz",
]
SMALL = {
    "mov": (b"a.mov", lambda: clip("mov", frames=3)),
    "fragments": (
        b"a.mov",
        lambda: clip(
            "mp4",
            "libx264",
            "aac",
            options=(("movflags", "frag_keyframe+empty_moov+default_base_moof"),),
            frames=24,
        ),
    ),
    "mp4": (b"a.mp4", lambda: clip("mp4", "libx264", "aac", frames=24)),
    "mxf": (b"a.mxf", lambda: clip("mxf", "mpeg2video", frames=3)),
    "op-atom": (b"a.mxf", lambda: clip("mxf_opatom", "dnxhd", "", frames=3)),
    "wave": (b"a.wav", lambda: wave((("write_bext", "1"), ("rf64", "always")), seconds=1)),
    "mts": (
        b"a.mts",
        lambda: clip("mpegts", "libx264", "ac3", options=(("mpegts_m2ts_mode", "1"),), frames=24),
    ),
    "dpx": (b"a.dpx", lambda: frame("dpx", "gbrp10be")),
    "tiff": (b"a.tif", lambda: frame("tiff", "rgb24", (("compression_algo", "lzw"),))),
    "dng": (b"a.dng", made_clips.dng),
    "exr": (b"a.exr", lambda: frame("exr", "gbrpf32le", (("compression", "zip16"),))),
    "jpeg-2000": (b"a.j2c", lambda: frame("jpeg2000", "rgb24", (("format", "j2k"),))),
}
_FUZZ = settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def _check(data: bytes, file: bytes, **options) -> StructureReport:
    """Check, and hold the report to what is promised of every one."""
    report = damage.check(BytesReader(data), file, made_clips.zero_runs(data), **options)
    assert len(report.findings) < 200
    assert report.bytes_read <= 64 * 1024 * 1024 + len(data) // 16 + 1
    for finding in report.findings:
        assert finding.text.isprintable()
        assert len(finding.text) < 500
        assert finding.path == file
    return report


@_FUZZ
@given(st.binary(max_size=2000), st.sampled_from(SUFFIXES))
def test_any_bytes_give_a_report(data, suffix):
    report = _check(data, b"A001C001" + suffix)
    assert report.findings or report.complete is Complete.YES


_HEADS = [
    b"\0\0\0\x14ftypqt  \0\0\0\0qt  ",
    b"\0\0\0\x08wide",
    b"\0\0\1\0moov",
    b"RIFF\xff\xff\xff\xffWAVEfmt ",
    b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0",
    b"SDPX\0\0\x08\0V2.0\0\0\0\0",
    b"XPDS\0\x08\0\0V2.0\0\0\0\0",
    b"II*\0\x08\0\0\0",
    b"MM\0+\0\x08\0\0\0\0\0\0\0\0\0\x10",
    b"\x76\x2f\x31\x01\2\0\0\0channels\0",
    bytes.fromhex("060e2b34020501010d010201010204008300006800010003"),
    b"G\x40\0\x10" + bytes(184),
]


@_FUZZ
@given(st.sampled_from(_HEADS), st.binary(max_size=3000), st.sampled_from(SUFFIXES))
def test_any_bytes_behind_a_known_head(head, data, suffix):
    _check(head + data, b"A001C001" + suffix)


def _change(data: bytearray, draw_at: float, value: bytes, mode: int) -> bytearray:
    at = int(draw_at * len(data))
    if mode == 0:
        data[at : at + len(value)] = value
    elif mode == 1:
        del data[at : at + len(value)]
    elif mode == 2:
        data[at:at] = value
    else:
        data[at : at + 4] = struct.pack(">I", (0, 1, 0xFFFFFFFF, 0x7FFFFFFF)[len(value) % 4])
    return data


_CHANGES = st.lists(
    st.tuples(
        st.floats(0, 1, exclude_max=True), st.binary(min_size=1, max_size=12), st.integers(0, 3)
    ),
    min_size=1,
    max_size=8,
)


@pytest.mark.parametrize("name", SMALL)
@settings(_FUZZ, max_examples=60)
@given(changes=_CHANGES, is_whole=st.booleans())
def test_changed_clip_gives_a_report(name, changes, is_whole):
    file, make = SMALL[name]
    data = bytearray(make())
    for place, value, mode in changes:
        data = _change(data, place, value, mode)
    report = damage.check(BytesReader(bytes(data)), file, is_whole=is_whole)
    assert len(report.findings) < 200


def _structure(name: str, data: bytes) -> tuple[int, int]:
    """Where most of the structure lies: the index of a MOV, the first and last bytes of others."""
    if name in ("mov", "mp4"):
        return made_clips.find_box(data, b"moov")
    if name == "fragments":
        return made_clips.find_box(data, b"moof")
    return 0, min(len(data), 6000)


@pytest.mark.parametrize("name", SMALL)
@settings(_FUZZ, max_examples=80)
@given(changes=_CHANGES)
def test_changed_structure_gives_a_report(name, changes):
    file, make = SMALL[name]
    data = make()
    start, end = _structure(name, data)
    part = bytearray(data[start:end])
    for place, value, mode in changes:
        part = _change(part, place, value, mode)
    _check(data[:start] + bytes(part) + data[end:], file)


@pytest.mark.parametrize("name", ["mov", "mp4", "mxf"])
def test_flipped_bits_in_the_index_give_a_report(name):
    file, make = SMALL[name]
    data = make()
    start, end = _structure(name, data)
    chance = random.Random(5)
    found = 0
    for _trial in range(300):
        broken = bytearray(data)
        broken[chance.randrange(start, end)] ^= 1 << chance.randrange(8)
        report = _check(bytes(broken), file)
        found += any(each.weight is Weight.HOLD for each in report.findings)
    # Measured: a third to a half of the flips in an index; the rest changes names, matrices,
    # reserved fields. In MXF most of the metadata is not checked against anything.
    assert found >= (75 if name != "mxf" else 1)


class _Sparse:
    """A file of any size that holds a few pieces and zeros."""

    def __init__(self, size: int, pieces: dict[int, bytes]) -> None:
        self._size = size
        self._pieces = pieces

    @property
    def size(self) -> int:
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        length = min(length, self._size - offset)
        out = bytearray(length)
        for start, piece in self._pieces.items():
            first, last = max(offset, start), min(offset + length, start + len(piece))
            if first < last:
                out[first - offset : last - offset] = piece[first - start : last - start]
        return bytes(out)


def _box(kind: bytes, *content: bytes) -> bytes:
    body = b"".join(content)
    return struct.pack(">I4s", 8 + len(body), kind) + body


def _index(samples: int, size: int, first_at: int) -> bytes:
    """An index of one ProRes track, one sample in a chunk."""
    entry = struct.pack(">I4s6xH16xHH50x", 86, b"apch", 1, 1920, 1080)
    offsets = struct.pack(f">{samples}Q", *(first_at + size * n for n in range(samples)))
    table = _box(
        b"stbl",
        _box(b"stsd", struct.pack(">II", 0, 1), entry),
        _box(b"stts", struct.pack(">IIII", 0, 1, samples, 1001)),
        _box(b"stsc", struct.pack(">IIIII", 0, 1, 1, 1, 1)),
        _box(b"stsz", struct.pack(">III", 0, 0, samples), struct.pack(">I", size) * samples),
        _box(b"co64", struct.pack(">II", 0, samples), offsets),
    )
    media = _box(
        b"mdia",
        _box(b"mdhd", struct.pack(">IIIIII", 0, 0, 0, 24000, 1001 * samples, 0)),
        _box(b"hdlr", struct.pack(">II4s12x", 0, 0, b"vide")),
        _box(b"minf", table),
    )
    head = _box(b"tkhd", struct.pack(">IIIIII60x", 1, 0, 0, 1, 0, 1001 * samples))
    movie = _box(b"mvhd", struct.pack(">IIIII80x", 0, 0, 0, 24000, 1001 * samples))
    return _box(b"moov", movie, _box(b"trak", head, media))


def test_sparse_clip_of_two_terabytes_is_checked():
    # Everything but the index is a hole: nothing of it can be a picture.
    size = 2 * 10**12
    samples = 250_000
    index = _index(samples, 8_000_000 - 100, 32)
    head = struct.pack(">I4s4sI4s", 20, b"ftyp", b"qt  ", 0, b"qt  ")
    data_size = size - len(head) - len(index)
    mdat = struct.pack(">I4sQ", 1, b"mdat", data_size)
    reader = _Sparse(size, {0: head + mdat, size - len(index): index})
    runs = [(1 << 16, size - (1 << 17))]
    report = damage.check(reader, b"A001C001.mov", runs)
    assert {each.code for each in report.findings if each.weight is Weight.HOLD} == {
        ClipCode.DAMAGED,
        ClipCode.ZEROS,
    }
    assert report.tracks[0].samples == samples
    assert report.heads_checked == 4096
    assert report.bytes_read < 64 * 1024 * 1024


def test_memory_grows_by_some_bytes_a_sample():
    samples = 50_000
    index = _index(samples, 4_000_000, 32)
    size = 32 + 4_000_000 * samples + len(index)
    head = struct.pack(">I4s4sI", 16, b"ftyp", b"qt  ", 0)
    mdat = struct.pack(">I4sQ", 1, b"mdat", size - len(head) - len(index))
    reader = _Sparse(size, {0: head + mdat, size - len(index): index})
    tracemalloc.start()
    report = damage.check(reader, b"A001C001.mov")
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert report.tracks[0].samples == samples
    # The index itself takes 12 bytes a sample here; tables and layout some more.
    assert peak < 250 * samples


def test_sparse_file_of_two_terabytes_without_index():
    head = struct.pack(">I4sQ", 1, b"mdat", 2 * 10**12)
    report = damage.check(_Sparse(2 * 10**12, {0: head}), b"A001C001.mov")
    assert [each.code for each in report.findings] == [ClipCode.UNFINISHED]


def test_index_of_a_terabyte_is_not_read():
    size = 10**12
    head = _box(b"ftyp", b"qt  ") + struct.pack(">I4sQ", 1, b"moov", size - 12)
    report = damage.check(_Sparse(size, {0: head}), b"A001C001.mov")
    assert ClipCode.UNCHECKED in {each.code for each in report.findings}
    assert report.bytes_read < 64 * 1024 * 1024


def test_endless_small_boxes_end():
    data = _box(b"free") * 200_000 + _box(b"moov") + _box(b"mdat")
    assert _check(data, b"A001C001.mov").complete is Complete.NO


def test_endless_small_items_end():
    # A key of nobody's, so that it is no filling, which may follow a file's last item.
    item = bytes.fromhex("060e2b34" * 4) + b"\0"
    data = clip("mxf", "mpeg2video", frames=3) + item * 100_000
    assert _check(data, b"A001C001.mxf").complete is Complete.NO


def test_samples_of_no_size_and_any_number():
    # 4,294,967,295 samples in a table of no bytes: a fixed size makes it legal.
    data = clip("mov", frames=3)
    at = data.index(b"stsz") + 4
    for size, count in ((1, 0xFFFFFFFF), (0xFFFFFFFF, 0xFFFFFFFF), (1, 0)):
        broken = data[: at + 4] + struct.pack(">II", size, count) + data[at + 12 :]
        assert _check(broken, b"A001C001.mov").complete is Complete.NO


def test_chunk_of_any_number_of_samples():
    data = clip("mov", frames=3)
    stsz, stsc, stts = (data.index(kind) + 4 for kind in (b"stsz", b"stsc", b"stts"))
    broken = bytearray(data)
    struct.pack_into(">II", broken, stsz + 4, 1, 0xFFFFFFFF)
    struct.pack_into(">I", broken, stsc + 12, 0x55555555)
    struct.pack_into(">I", broken, stts + 8, 0xFFFFFFFF)
    tracemalloc.start()
    report = damage.check(BytesReader(bytes(broken)), b"A001C001.mov")
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert report.complete is Complete.NO
    assert peak < 64 * 1024 * 1024
