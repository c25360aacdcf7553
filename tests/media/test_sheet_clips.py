"""Clips on the camera sheet, as people type and export them."""

import pytest

from offload.errors import UsageError
from offload.media.sheet_clips import check_sheet_clips, parse_sheet_clips
from offload.values.clips import Clip, ClipFiles, ClipKind, Container
from offload.values.entries import Entries


def expected(text: str) -> list[tuple[str, int]]:
    return [(each.roll, each.number) for each in parse_sheet_clips(text)]


def clip(path: bytes) -> Clip:
    return Clip(path, ClipKind.FILE, Container.MOV, ClipFiles(Entries(), ()))


def test_numbers_names_and_ranges() -> None:
    sheet = "Roll;Clip;Note\nA001;C001;wide\nA001;2;\nA001;A001C003_261124_R1;\nA001;C004-C006;\n"
    assert expected(sheet) == [("A001", number) for number in range(1, 7)]


def test_roll_written_once_above_its_clips() -> None:
    assert expected("roll,clip\nA001,1\n,2\nA002,1\n") == [("A001", 1), ("A001", 2), ("A002", 1)]


def test_notes_in_the_clip_column_say_nothing() -> None:
    assert expected("roll,clip\nA001,no good\nA001,\nA001,3 pick-up\n") == []


@pytest.mark.parametrize("sheet", ["A001-A005", "roll,scene\nA001,12\n", "", "clip\nC001\n"])
def test_sheet_without_clips_lists_none(sheet: str) -> None:
    assert expected(sheet) == []


def test_range_that_runs_backwards_names_its_line() -> None:
    with pytest.raises(UsageError, match="line 2: 'C004-C001' is no range"):
        parse_sheet_clips("roll,clip\nA001,C004-C001\n")


def test_only_this_rolls_clips_are_missed() -> None:
    sheet = parse_sheet_clips("roll,clip\nA001,1-3\nA002,7\n")
    clips = [clip(b"A001/A001C001_261124.mov"), clip(b"A001/A001C003_261124.mov")]
    (notice,) = check_sheet_clips(sheet, "A001", clips)
    assert notice.text == "clip C002 is on the camera sheet of A001 and not on the card"
    assert check_sheet_clips(sheet, "A003", clips) == ()
    assert check_sheet_clips(sheet, "", clips) == ()


def test_long_lists_are_cut() -> None:
    sheet = parse_sheet_clips("roll,clip\nA001,1-500\n")
    (notice,) = check_sheet_clips(sheet, "A001", [clip(b"A001C001.mov")])
    assert "and 487 more" in notice.text
