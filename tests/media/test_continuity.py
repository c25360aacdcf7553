"""Continuity: timecode that overlaps, clocks that cannot be, clips older than the card."""

from fractions import Fraction

import pytest

from offload.media.continuity import (
    BEFORE_FORMAT,
    CLOCK_AHEAD,
    CLOCK_BEHIND,
    OVERLAP,
    check_clock,
    check_format_date,
    check_timecode,
)
from offload.values.clips import ClipFacts, ClipFile, StartTimecode

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)
SECOND = 1_000_000_000
HOUR = 3600 * SECOND
DAY = 24 * HOUR
NOW = 1_795_000_000 * SECOND


def facts(timecode: str, frames: int | None, rate: Fraction = FILM) -> ClipFacts:
    return ClipFacts(
        rate=rate, frames=frames, timecode=StartTimecode(timecode, ";" in timecode), width=1920
    )


def test_following_clips_do_not_overlap() -> None:
    clips = {b"1": facts("10:00:00:00", 240), b"2": facts("10:00:10:00", 24)}
    assert check_timecode(clips) == ()


def test_one_frame_of_overlap_is_told() -> None:
    clips = {b"A001C001.mov": facts("10:00:00:00", 241), b"A001C002.mov": facts("10:00:10:00", 24)}
    (notice,) = check_timecode(clips)
    assert notice.code == OVERLAP
    assert notice.text.startswith("timecode of A001C002.mov begins before that of A001C001.mov")
    assert notice.paths == (b"A001C001.mov", b"A001C002.mov")


def test_long_clip_over_two_others() -> None:
    clips = {
        b"1": facts("10:00:00:00", 24 * 60),
        b"2": facts("10:00:10:00", 24),
        b"3": facts("10:00:20:00", 24),
        b"4": facts("10:01:00:00", 24),
    }
    (notice,) = check_timecode(clips)
    assert set(notice.paths) == {b"1", b"2", b"3"}
    assert "and 1 more pairs" in notice.text


def test_drop_frame_minutes_join() -> None:
    # SMPTE ST 12-1: 00:00:59;29 is followed by 00:01:00;02.
    clips = {b"1": facts("00:00:00;00", 1800, NTSC), b"2": facts("00:01:00;02", 30, NTSC)}
    assert check_timecode(clips) == ()


def test_midnight_is_passed() -> None:
    clips = {b"1": facts("23:59:59:00", 48), b"2": facts("00:00:01:00", 24)}
    assert check_timecode(clips) == ()
    clips[b"2"] = facts("00:00:00:23", 24)
    assert len(check_timecode(clips)) == 1


def test_companion_recording_is_no_overlap() -> None:
    clips = {b"A001C001.mov": facts("10:00:00:00", 240), b"PROXY/x.mov": facts("10:00:00:00", 240)}
    assert check_timecode(clips) == ()


def test_unknown_or_odd_timecode_is_left_alone() -> None:
    clips = {
        b"1": facts("10:00:00:00", None),
        b"2": ClipFacts(rate=FILM, frames=240),
        b"3": facts("nonsense", 240),
        b"4": facts("10:00:00:00", 10**12),
        b"5": facts("10:00:00:00", -5),
    }
    assert check_timecode(clips) == ()


def test_thousands_of_overlaps_are_one_notice() -> None:
    clips = {b"%06d" % n: facts("10:00:00:00", n) for n in range(1, 20_000)}
    assert len(check_timecode(clips)) == 1


def written(*ages_ns: int) -> list[ClipFile]:
    return [ClipFile(b"%d.mov" % n, 1, NOW - age) for n, age in enumerate(ages_ns)]


@pytest.mark.parametrize("age_ns", [0, HOUR, 6 * DAY, -60 * SECOND])
def test_clocks_that_may_be_right(age_ns: int) -> None:
    assert check_clock(written(age_ns, 400 * DAY), NOW) == ()


def test_future_clip_is_told() -> None:
    (notice,) = check_clock(written(-400 * DAY), NOW)
    assert notice.code == CLOCK_AHEAD
    assert "400 days in the future" in notice.text
    assert "time zone" not in notice.text


@pytest.mark.parametrize("quarters", [1, 4, 22, 56])
def test_zone_is_offered_as_reason(quarters: int) -> None:
    (notice,) = check_clock(written(-quarters * 900 * SECOND + 30 * SECOND), NOW)
    assert notice.code == CLOCK_AHEAD
    assert "another time zone, or summer time" in notice.text


def test_odd_offset_is_no_zone() -> None:
    (notice,) = check_clock(written(-(2 * HOUR + 400 * SECOND)), NOW)
    assert "2 h 06 min in the future" in notice.text
    assert "zone" not in notice.text


def test_old_newest_clip_is_told() -> None:
    (notice,) = check_clock(written(8 * DAY, 9 * DAY), NOW)
    assert notice.code == CLOCK_BEHIND
    assert "8 days ago" in notice.text


def test_no_clip_has_no_clock() -> None:
    assert check_clock([], NOW) == ()


def test_clip_before_format_is_told() -> None:
    files = written(3 * DAY, 2 * HOUR)
    (notice,) = check_format_date(files, NOW - 3 * HOUR)
    assert notice.code == BEFORE_FORMAT
    assert notice.paths == (b"0.mov",)
    assert "1 clip is dated before" in notice.text


def test_zones_are_allowed_between_two_clocks() -> None:
    assert check_format_date(written(26 * HOUR), NOW) == ()
    assert len(check_format_date(written(27 * HOUR), NOW)) == 1
