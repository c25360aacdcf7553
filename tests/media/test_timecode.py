"""Timecode against SMPTE ST 12-1: the rule, and worked values of its counting."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.media.timecode import (
    Timecode,
    has_drop_frame,
    parse_timecode,
    timecode_base,
    timecode_of_samples,
)

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)
NTSC_60 = Fraction(60000, 1001)

# Worked by hand from the rule of SMPTE ST 12-1: labels 00 and 01 (00 to 03 at base 60) are left
# out at the start of every minute that ten does not divide.
WORKED = [
    (NTSC, "00:00:00;00", 0),
    (NTSC, "00:00:59;29", 1799),
    (NTSC, "00:01:00;02", 1800),
    (NTSC, "00:01:59;29", 3597),
    (NTSC, "00:02:00;02", 3598),
    (NTSC, "00:09:59;29", 17981),
    (NTSC, "00:10:00;00", 17982),
    (NTSC, "00:11:00;02", 19782),
    (NTSC, "01:00:00;00", 107892),
    (NTSC, "10:00:00;00", 1078920),
    (NTSC, "23:59:59;29", 2589407),
    (NTSC_60, "00:01:00;04", 3600),
    (NTSC_60, "01:00:00;00", 215784),
    (NTSC_60, "23:59:59;59", 5178815),
    (FILM, "01:00:00:00", 86400),
    (Fraction(25), "23:59:59:24", 2159999),
    (NTSC, "01:00:00:00", 108000),
]


@pytest.mark.parametrize(("rate", "label", "frame"), WORKED)
def test_worked_values_both_ways(rate: Fraction, label: str, frame: int) -> None:
    timecode = parse_timecode(label, rate)
    assert timecode.frame == frame
    assert str(timecode) == label


def test_film_hour_lasts_longer() -> None:
    # 86,400 frames at 24000/1001 are 3603.6 s; a drop-frame hour is 3599.9964 s (ST 12-1).
    assert parse_timecode("01:00:00:00", FILM).frame / FILM == Fraction(36036, 10)
    assert parse_timecode("01:00:00;00", NTSC).frame / NTSC == Fraction(35999964, 10000)


@pytest.mark.parametrize(
    ("label", "rate", "says"),
    [
        ("00:01:00;00", NTSC, "leaves this label out"),
        ("00:01:00;01", NTSC, "leaves this label out"),
        ("00:01:00;03", NTSC_60, "leaves this label out"),
        ("00:01:00;02", FILM, "no drop-frame counting"),
        ("00:01:00;02", Fraction(25), "no drop-frame counting"),
        ("00:01:00;02", Fraction(30), "no drop-frame counting"),
        ("24:00:00:00", FILM, "no such time"),
        ("00:60:00:00", FILM, "no such time"),
        ("00:00:60:00", FILM, "no such time"),
        ("00:00:00:24", FILM, "no such time"),
        ("1:00:00:00", FILM, "is written"),
        ("01:00:00:00\n02", FILM, "is written"),
        ("٠١:00:00:00", FILM, "is written"),
        ("", FILM, "is written"),
    ],
)
def test_labels_that_do_not_exist(label: str, rate: Fraction, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_timecode(label, rate)


def test_ten_minute_minutes_keep_all_labels() -> None:
    assert parse_timecode("00:10:00;00", NTSC).frame == 17982
    assert parse_timecode("00:10:00;01", NTSC).frame == 17983


@given(
    frame=st.integers(0, 5178815),
    form=st.sampled_from([(30, True), (60, True), (24, False), (25, False), (60, False)]),
)
def test_every_label_counts_back(frame: int, form: tuple[int, bool]) -> None:
    base, is_drop = form
    timecode = Timecode(0, base, is_drop).later(frame)
    rate = Fraction(base * 1000, 1001) if is_drop else Fraction(base)
    assert parse_timecode(str(timecode), rate) == timecode


def test_whole_drop_day_has_unbroken_labels() -> None:
    last = parse_timecode("23:59:59;29", NTSC)
    assert last.frame + 1 == last.day_frames == 2589408


def test_midnight_wraps_round() -> None:
    last = parse_timecode("23:59:59:24", Fraction(25))
    assert str(last.later(1)) == "00:00:00:00"
    assert str(last.later(1).later(-1)) == "23:59:59:24"


def test_high_rates_have_three_digits() -> None:
    timecode = parse_timecode("01:00:00:119", Fraction(120))
    assert str(timecode) == "01:00:00:119"
    assert str(timecode.later(1)) == "01:00:01:000"
    assert str(Timecode(99, 100)) == "00:00:00:99"


def test_drop_frame_exists_at_two_rates() -> None:
    assert has_drop_frame(NTSC)
    assert has_drop_frame(NTSC_60)
    assert not any(has_drop_frame(Fraction(n)) for n in (24, 25, 30, 60))
    assert not has_drop_frame(Fraction(120000, 1001))


@pytest.mark.parametrize("rate", [Fraction(0), Fraction(1, 3), Fraction(5000)])
def test_rates_no_timecode_counts(rate: Fraction) -> None:
    with pytest.raises(ValueError, match="no timecode counts"):
        timecode_base(rate)


def test_time_reference_becomes_timecode() -> None:
    # EBU Tech 3285: samples since midnight; 172,800,000 at 48 kHz is one hour.
    assert str(timecode_of_samples(172_800_000, 48000, Fraction(25))) == "01:00:00:00"
    # At 24000/1001 a frame is 2002 samples at 48 kHz, so 1 h of clock is less than 1 h of labels.
    assert timecode_of_samples(172_800_000, 48000, FILM).frame == 172_800_000 // 2002
    assert timecode_of_samples(86_400 * 48000, 48000, Fraction(25)).frame == 0
    with pytest.raises(ValueError, match="sample rate"):
        timecode_of_samples(1, 0, Fraction(25))
