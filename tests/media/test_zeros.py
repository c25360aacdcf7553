"""Runs of zeros: damage in compressed pictures, padding in some, silence and black in others."""

import struct

import pytest

from offload.media.damage import zero_runs_in_essence
from offload.media.reading import BoundedReader, BytesReader
from offload.media.structure import Essence, EssenceLayout
from offload.values.clips import ClipCode, Weight
from tests.media import made_clips

BLOCK = made_clips.BLOCK


def _layout(*extents: tuple[int, int, Essence]) -> EssenceLayout:
    layout = EssenceLayout()
    for start, length, essence in extents:
        layout.add(start, length, essence)
    return layout


def _weights(runs, layout, data: bytes | None = None) -> list[Weight]:
    reader = BoundedReader(BytesReader(data)) if data is not None else None
    return [each.weight for each in zero_runs_in_essence(runs, layout, reader)]


@pytest.mark.parametrize("essence", [Essence.PRORES, Essence.NAL, Essence.SOUND, Essence.PACKETS])
def test_zeros_over_a_whole_sample_are_damage(essence):
    layout = _layout((10 * BLOCK, BLOCK // 2, essence))
    assert _weights([(10 * BLOCK, BLOCK)], layout) == [Weight.HOLD]


def test_samples_hit_are_counted_in_one_finding():
    layout = _layout(*((at * 1000, 1000, Essence.PRORES) for at in range(200)))
    (finding,) = zero_runs_in_essence([(BLOCK, BLOCK)], layout, path=b"A001C001.mov")
    assert finding.code == ClipCode.ZEROS
    assert finding.path == b"A001C001.mov"
    assert f"{BLOCK} bytes" in finding.text
    # The first sample hit begins before the run; only inside it padding could be told from loss.
    assert "66 compressed samples" in finding.text


@pytest.mark.parametrize("essence", [Essence.PCM, Essence.RAW_PICTURE])
def test_short_silence_and_black_are_nothing(essence):
    assert _weights([(0, BLOCK)], _layout((0, 10 * BLOCK, essence))) == []


def test_long_silence_is_a_notice():
    assert _weights([(0, 1 << 21)], _layout((0, 1 << 22, Essence.PCM))) == [Weight.NOTICE]


def test_zeros_outside_all_essence_are_nothing():
    assert _weights([(BLOCK, BLOCK)], _layout((10 * BLOCK, BLOCK, Essence.PRORES))) == []


def test_prores_padding_is_told_from_damage():
    # RDD 36 lets a frame end in stuffing; zeros inside a slice are damage.
    packets = made_clips.packets_of("prores_ks/hq", 320, 180, made_clips.RATE, 4, is_in_band=False)
    frame = packets[0][0]
    size = 6 * BLOCK
    padded = struct.pack(">I", size) + frame[4:] + bytes(size - len(frame))
    layout = _layout((0, size, Essence.PRORES))
    first = -(-len(frame) // BLOCK) * BLOCK
    assert _weights([(first, size - first)], layout, padded) == []
    broken = padded[:BLOCK] + bytes(size - BLOCK)
    assert len(frame) > BLOCK
    assert _weights([(BLOCK, size - BLOCK)], layout, broken) == [Weight.HOLD]


def test_vc3_padding_is_told_from_damage():
    # Constant size: a black picture is mostly padding in front of the end mark.
    picture = made_clips.black("dnxhd/hd", 1920, 1080)
    runs = made_clips.zero_runs(picture)
    assert runs, "a black VC-3 picture must hold blocks of zeros"
    layout = _layout((0, len(picture), Essence.VC3))
    assert _weights(runs, layout, picture) == []
    real = made_clips.packets_of("dnxhd/hd", 1920, 1080, made_clips.RATE, 4, is_in_band=False)[0][0]
    broken = real[:BLOCK] + bytes(BLOCK) + real[2 * BLOCK :]
    assert _weights([(BLOCK, BLOCK)], _layout((0, len(real), Essence.VC3)), broken) == [Weight.HOLD]


@pytest.mark.parametrize(
    ("after", "weight"),
    [(b"\x01\xb7" + b"\x55" * 100, Weight.NOTICE), (b"\x55" * 100, Weight.HOLD)],
    ids=["start-code", "slice"],
)
def test_zeros_in_front_of_a_start_code_may_be_stuffing(after, weight):
    # ISO/IEC 13818-2, 5.2.3: any number of zero bytes may precede a start code.
    data = b"\0\0\1\x01" + b"\x55" * (BLOCK - 4) + bytes(BLOCK) + after
    layout = _layout((0, len(data), Essence.START_CODES))
    assert _weights([(BLOCK, BLOCK)], layout, data) == [weight]


def test_jpeg_padding_follows_the_end_mark():
    head = b"\xff\xd8\xff" + b"\x55" * (BLOCK - 5)
    for end, weights in ((b"\xff\xd9", []), (b"\x55\x55", [Weight.HOLD])):
        data = head + end + bytes(BLOCK)
        layout = _layout((0, len(data), Essence.JPEG))
        assert _weights([(BLOCK, BLOCK)], layout, data) == weights


def test_unknown_codec_is_held_only_where_a_sample_begins():
    layout = _layout((0, 4 * BLOCK, Essence.UNKNOWN_PICTURE), (4 * BLOCK, BLOCK, Essence(0)))
    data = bytes(5 * BLOCK)
    assert _weights([(BLOCK, BLOCK)], layout, data) == [Weight.NOTICE]
    assert _weights([(4 * BLOCK, BLOCK)], layout, data) == [Weight.HOLD]


def test_runs_without_end_are_bounded():
    layout = _layout(*((at * BLOCK, 100, Essence.PRORES) for at in range(30_000)))
    runs = ((at * BLOCK, BLOCK) for at in range(30_000))
    findings = zero_runs_in_essence(runs, layout)
    assert 0 < len(findings) < 20
    assert all(each.weight is Weight.HOLD for each in findings)


def test_layout_in_any_order_is_searched():
    layout = _layout((500, 100, Essence.PRORES), (100, 100, Essence.PCM), (900, 50, Essence.NAL))
    assert list(layout.within(150, 901)) == [
        (100, 200, Essence.PCM),
        (500, 600, Essence.PRORES),
        (900, 950, Essence.NAL),
    ]
    assert list(layout.within(200, 500)) == []


def test_neighbouring_sound_is_joined():
    layout = _layout((0, 100, Essence.PCM), (100, 100, Essence.PCM), (200, 100, Essence.NAL))
    assert len(layout) == 2
