"""Numbering: a question about every hole, and none about what is in order."""

from collections.abc import Sequence

import pytest

from offload.media.camera_sheet import parse_sheet
from offload.media.name_pattern import NamePattern
from offload.media.numbering import (
    DOUBLED,
    MISSING,
    OTHER_ROLL,
    ROLL_NEVER_CAME,
    ROLL_SKIPPED,
    ROLL_TWICE,
    ROLL_UNEXPECTED,
    KnownRoll,
    check_clips,
    check_rolls,
    check_sheet,
)
from offload.values.clips import Clip, ClipFacts, ClipFiles, ClipKind, Container
from offload.values.entries import Entries
from offload.values.verdict import Notice


def clips(*paths: bytes) -> list[Clip]:
    files = ClipFiles(Entries(), ())
    return [Clip(path, ClipKind.FILE, Container.MOV, files) for path in paths]


def numbered(numbers: Sequence[int], form: str = "A001C{:03}_261124.mov") -> list[Clip]:
    return clips(*(form.format(n).encode() for n in numbers))


def texts(notices: Sequence[Notice], code: str) -> list[str]:
    return [each.text for each in notices if each.code == code]


def test_whole_roll_has_no_notice() -> None:
    assert check_clips(numbered(range(1, 18)), "A001").notices == ()


def test_roll_may_begin_anywhere() -> None:
    assert check_clips(numbered(range(40, 45)), "A001").notices == ()


def test_holes_are_named() -> None:
    found = check_clips(numbered([1, 2, 4, 7]), "A001")
    (text,) = texts(found.notices, MISSING)
    assert text.startswith("roll A001: clips C003 and C005 to C006 are missing")


def test_one_hole_is_singular() -> None:
    (text,) = texts(check_clips(numbered([1, 3])).notices, MISSING)
    assert "clip C002 is missing" in text


def test_many_holes_stay_one_line() -> None:
    (text,) = texts(check_clips(numbered(range(1, 99, 2))).notices, MISSING)
    assert "and 40 more" in text
    assert len(text) < 300


def test_counter_wrap_is_no_hole() -> None:
    # DCF (CIPA DC-009): after 9999 the counter goes on at 0001; from memory.
    wrapped = [9997, 9998, 9999, 1, 2]
    assert check_clips(numbered(wrapped, "DCIM/100AAAAA/ABCD{:04}.MOV")).notices == ()
    (text,) = texts(
        check_clips(numbered([9996, 9999, 1, 2], "DCIM/100AAAAA/ABCD{:04}.MOV")).notices, MISSING
    )
    assert "ABCD9997 to ABCD9998" in text


def test_stills_take_numbers_of_the_counter() -> None:
    movies = numbered([1, 2, 5], "DCIM/100AAAAA/MOVI{:04}.MOV")
    assert len(check_clips(movies).notices) == 1
    stills = [b"DCIM/100AAAAA/PICT0003.JPG", b"DCIM/100AAAAA/PICT0004.JPG"]
    assert check_clips(movies, other_paths=stills).notices == ()
    (text,) = texts(check_clips(movies, other_paths=stills[:1]).notices, MISSING)
    assert "MOVI0004 is missing" in text


def test_stills_do_not_excuse_roll_clips() -> None:
    found = check_clips(numbered([1, 3]), other_paths=[b"PICT002.JPG"])
    assert texts(found.notices, MISSING)


def test_random_trailing_numbers_are_no_counter() -> None:
    assert check_clips(numbered([100, 7000, 9120], "shot{:04}.mov")).notices == ()


def test_same_number_twice_is_told() -> None:
    pair = clips(b"A001C001_261124_R2AB.mov", b"A001C001_261124_X7QQ.mov")
    (notice,) = check_clips(pair).notices
    assert notice.code == DOUBLED
    assert "001 is there 2 times" in notice.text
    assert notice.paths == (pair[0].path, pair[1].path)


def test_companion_recordings_are_no_doubles() -> None:
    pair = clips(b"A001C001.mov", b"PROXY/A001C001.mov")
    facts = {
        pair[0].path: ClipFacts(width=3840, height=2160, codec="prores"),
        pair[1].path: ClipFacts(width=1280, height=720, codec="h264"),
    }
    assert check_clips(pair, facts=facts).notices == ()
    assert check_clips(clips(b"A001C001.mxf", b"A001C001.mp4")).notices == ()


def test_each_roll_counts_for_itself() -> None:
    both = numbered([1, 2, 3]) + numbered([7, 8], "B004C{:03}.mov")
    assert texts(check_clips(both).notices, MISSING) == []


def test_clips_of_another_roll_are_told() -> None:
    (notice,) = check_clips(numbered([1, 2], "A007C{:03}.mov"), "A006").notices
    assert notice.code == OTHER_ROLL
    assert notice.text == "2 clips name roll A007, but this card is called A006"
    assert check_clips(numbered([1, 2], "A007C{:03}.mov"), "A007-2").notices == ()
    assert check_clips(numbered([1, 2], "A007C{:03}.mov"), "UNTITLED").notices == ()


def test_unrecognised_names_are_a_state() -> None:
    found = check_clips(clips(b"scene.mov", b"A001C001.mov"))
    assert found.unrecognised == (b"scene.mov",)
    assert found.notices == ()


def test_own_pattern_replaces_common_ones() -> None:
    found = check_clips(
        clips(b"FERRY-001-x.mov", b"FERRY-003-y.mov"), patterns=(NamePattern("FERRY-{clip}-*"),)
    )
    (text,) = texts(found.notices, MISSING)
    assert "C002 is missing" in text


def test_names_with_escapes_stay_harmless() -> None:
    found = check_clips(numbered([1, 3], "\x1b[2J{:04}.mov"))
    (text,) = texts(found.notices, MISSING)
    assert "\x1b" not in text


def known(*rolls: str) -> list[KnownRoll]:
    return [KnownRoll(roll, f"code-{roll}") for roll in rolls]


def test_skipped_roll_is_told_per_camera() -> None:
    notices = check_rolls(known("A001", "A002", "A005", "B010", "B011", "SOUND1"))
    assert texts(notices, ROLL_SKIPPED) == ["camera A: A003 to A004 never came, later rolls did"]


def test_roll_used_for_two_cards_is_told() -> None:
    notices = check_rolls([KnownRoll("A003", "K7-4M2P"), KnownRoll("A003", "X2-99QA")])
    (text,) = texts(notices, ROLL_TWICE)
    assert text == "roll A003 was used for 2 different cards (K7-4M2P, X2-99QA)"


def test_same_card_again_is_no_second_use() -> None:
    again = [KnownRoll("A003", "K7-4M2P"), KnownRoll("A003", "K7-4M2P"), KnownRoll("A003-2", "Z")]
    assert check_rolls(again) == ()


def test_sheet_tells_what_never_came() -> None:
    notices = check_sheet(parse_sheet("A001-A004 B001"), ["A001", "A003", "A009", "D001"])
    assert texts(notices, ROLL_NEVER_CAME) == [
        "A002, A004 and B001 are on the camera sheet and have not come"
    ]
    # Camera D is not on this sheet at all: it has a sheet of its own.
    assert texts(notices, ROLL_UNEXPECTED) == ["A009 came and is not on the camera sheet"]


def test_sheet_ignores_digits_and_parts() -> None:
    assert check_sheet(parse_sheet("A0001"), ["A001-2"]) == ()


@pytest.mark.parametrize("count", [100_000])
def test_hundred_thousand_numbers_are_one_line(count: int) -> None:
    many = numbered(range(0, count, 2), "C{:05}.mov")
    others = [b"P%05d.jpg" % n for n in range(1, count, 2)]
    assert check_clips(many, other_paths=others).notices == ()
