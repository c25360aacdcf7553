"""Data rates against the published table, an encoder of the standard, and measured clips."""

from collections.abc import Iterator
from fractions import Fraction

import av
import pytest

from offload.media.rates import (
    Basis,
    MeasuredClip,
    measured_rate,
    published_codecs,
    published_rate,
    sound_bits_per_s,
)
from offload.values.clips import AudioTrack, ClipFacts, Container

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)
NTSC_60 = Fraction(60000, 1001)
NTSC_120 = Fraction(120000, 1001)


def gigabytes_an_hour(bits_per_s: Fraction) -> float:
    return float(bits_per_s * 3600 / 8 / 10**9)


@pytest.mark.parametrize(
    ("codec", "width", "height", "rate", "megabits"),
    [
        ("prores-422-proxy", 1280, 720, FILM, 18),
        ("prores-422-hq", 1920, 1080, FILM, 176),
        ("prores-422-hq", 1920, 1080, Fraction(25), 184),
        ("prores-422", 1920, 1080, NTSC, 147),
        ("prores-422-lt", 2048, 1080, NTSC, 116),
        ("prores-422-hq", 3840, 2160, FILM, 707),
        ("prores-4444", 3840, 2160, Fraction(50), 2212),
        ("prores-4444-xq", 4096, 2160, NTSC_60, 4242),
    ],
)
def test_published_cells_come_back(
    codec: str, width: int, height: int, rate: Fraction, megabits: int
) -> None:
    # ProRes white paper, April 2022, "Target Data Rates".
    found = published_rate(codec, width, height, rate)
    assert found is not None
    assert found.basis is Basis.PUBLISHED
    assert found.megabits_per_s == pytest.approx(megabits)
    assert "white paper" in found.source


def test_hours_agree_with_second_publication() -> None:
    # Gigabytes an hour that a public page quotes from the same paper: 66 for 422 at 1080/29.97,
    # 2263 for 422 at 8192x4320/59.94 (not in our table, so by picture area).
    small = published_rate("prores-422", 1920, 1080, NTSC)
    large = published_rate("prores-422", 8192, 4320, NTSC_60)
    assert small is not None
    assert large is not None
    assert gigabytes_an_hour(small.bits_per_s) == pytest.approx(66, abs=0.5)
    assert gigabytes_an_hour(large.bits_per_s) == pytest.approx(2263, abs=1)
    assert large.basis is Basis.BY_AREA
    assert "4096x2160" in large.source


@pytest.mark.parametrize("raster", [(1280, 720), (1920, 1080), (3840, 2160), (4096, 2160)])
@pytest.mark.parametrize("codec", [key for key in published_codecs() if key.startswith("prores")])
def test_rows_are_multiples_of_rate(codec: str, raster: tuple[int, int]) -> None:
    # The white paper's columns are exact multiples of the frame rate, to the printed rounding; a
    # slip in the table would stand out here.
    fast = published_rate(codec, *raster, NTSC_60)
    assert fast is not None
    for rate in (FILM, Fraction(25), Fraction(50)):
        row = published_rate(codec, *raster, rate)
        assert row is not None
        assert row.megabits_per_s == pytest.approx(
            float(fast.bits_per_s / NTSC_60 * rate) / 1e6, abs=1
        )


def test_other_rates_are_scaled() -> None:
    # Twice the published 440 Mb/s at 59.94.
    found = published_rate("prores-422-hq", 1920, 1080, NTSC_120)
    assert found is not None
    assert found.basis is Basis.SCALED
    assert found.megabits_per_s == pytest.approx(880)


def test_24_and_film_rate_are_two_rates() -> None:
    found = published_rate("prores-422-hq", 1920, 1080, Fraction(24))
    assert found is not None
    assert found.basis is Basis.SCALED
    assert found.megabits_per_s == pytest.approx(440 / 59.94 * 24, rel=1e-4)


def test_codecs_without_table_have_none() -> None:
    assert published_rate("h264", 1920, 1080, FILM) is None


def vc3_frame_sizes(profile: str, width: int, height: int, pixels: str) -> Iterator[int]:
    context = av.CodecContext.create("dnxhd", "w")
    assert isinstance(context, av.VideoCodecContext)
    context.width, context.height, context.pix_fmt = width, height, pixels
    context.time_base, context.framerate = Fraction(1, 25), Fraction(25)
    context.options = {"profile": profile}
    frame = av.VideoFrame(width, height, pixels)
    for plane in frame.planes:
        plane.update(bytes([128]) * plane.buffer_size)
    for at in range(2):
        frame.pts, frame.time_base = at, Fraction(1, 25)
        yield from (packet.size for packet in context.encode(frame))
    yield from (packet.size for packet in context.encode(None))


@pytest.mark.parametrize(
    ("codec", "profile", "pixels"),
    [
        ("vc-3-lb", "dnxhr_lb", "yuv422p"),
        ("vc-3-sq", "dnxhr_sq", "yuv422p"),
        ("vc-3-hq", "dnxhr_hq", "yuv422p"),
        ("vc-3-hqx", "dnxhr_hqx", "yuv422p10le"),
        ("vc-3-444", "dnxhr_444", "yuv444p10le"),
    ],
)
@pytest.mark.parametrize("raster", [(1920, 1080), (3840, 2160)])
def test_vc3_equals_encoder(codec: str, profile: str, pixels: str, raster: tuple[int, int]) -> None:
    # FFmpeg's encoder of SMPTE ST 2019-1; frames have one constant size.
    sizes = set(vc3_frame_sizes(profile, *raster, pixels))
    found = published_rate(codec, *raster, Fraction(25))
    assert found is not None
    assert {int(found.bits_per_s / 25 / 8)} == sizes


def test_vc3_is_not_counted_in_mebibytes() -> None:
    # UHD HQ is 698 Mb/s at 23.976; tables that take MiB for MB print 666.
    found = published_rate("vc-3-hq", 3840, 2160, FILM)
    assert found is not None
    assert round(found.megabits_per_s) == 698


def test_sound_rate_is_product() -> None:
    assert sound_bits_per_s(2, 48000, 24) == 2_304_000
    assert sound_bits_per_s(2, 48000, 16) == 1_536_000


def clip(frames: int | None, size_bytes: int, codec: str = "h264") -> MeasuredClip:
    sound = AudioTrack("pcm_s24le", 2, 48000, 24, Fraction(10))
    facts = ClipFacts(
        Container.MOV,
        codec,
        width=1920,
        height=1080,
        rate=Fraction(25),
        frames=frames,
        audio=(sound,),
    )
    return MeasuredClip(facts, size_bytes)


def test_own_clips_are_measured_without_sound() -> None:
    # 250 frames of 100,000 bytes and 10 s of sound at 288,000 bytes a second.
    clips = [clip(250, 250 * 100_000 + 2_880_000), clip(250, 250 * 300_000 + 2_880_000)]
    found = measured_rate(clips, "h264", 1920, 1080, Fraction(50))
    assert found is not None
    assert found.basis is Basis.MEASURED
    assert found.bits_per_s == 200_000 * 8 * 50
    assert found.source == "2 clips of this production, 500 frames"


def test_other_codecs_and_unknown_lengths_do_not_count() -> None:
    clips = [clip(None, 10**9), clip(0, 10**9), clip(100, 10**9, "hevc")]
    assert measured_rate(clips, "h264", 1920, 1080, FILM) is None
