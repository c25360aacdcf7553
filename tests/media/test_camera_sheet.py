"""The camera sheet, as people type and export it."""

import pytest

from offload.errors import UsageError
from offload.media.camera_sheet import MAX_BYTES, decode_sheet, parse_sheet


def rolls(text: str) -> list[str]:
    return [each.roll for each in parse_sheet(text)]


def test_typed_rolls_in_any_separation() -> None:
    assert rolls("A001 A002, a003;A004\nB001  # reserve\n\n") == [
        "A001", "A002", "A003", "A004", "B001",
    ]  # fmt: skip


def test_ranges_are_spelled_out() -> None:
    assert rolls("A001-A003, B010 - B011") == ["A001", "A002", "A003", "B010", "B011"]


def test_each_roll_once() -> None:
    assert rolls("A001-A003 A002") == ["A001", "A002", "A003"]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_tables_by_their_heading(delimiter: str) -> None:
    lines = [["Day", "Roll", "Notes"], ["12", "A001", '"wide, night"'], ["12", "A002", ""]]
    text = "\ufeff" + "\r\n".join(delimiter.join(cells) for cells in lines)
    assert rolls(text) == ["A001", "A002"]


@pytest.mark.parametrize("heading", ["roll", "Camera Roll", "REEL", '"Card"', "Reel Name", "Rolls"])
def test_headings_people_use(heading: str) -> None:
    assert rolls(f"scene,{heading}\n4,A007\n") == ["A007"]


def test_empty_cells_are_skipped() -> None:
    assert rolls("roll,note\nA001,x\n,\n\nA002,\n") == ["A001", "A002"]


def test_single_column_is_a_table() -> None:
    assert rolls("Roll\nA001\nA002\n") == ["A001", "A002"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("A001\nfirst\n", "line 2: 'first' is not a roll"),
        ("A005-A001", "no range"),
        ("A001-B004", "no range"),
        ("roll,note\nA001,\nA2,\n", "line 3: 'A2' is not a roll"),
        ("A001\n\x1b[2J\n", r"\\x1b"),
        ("A0001-A9999 B0001-B9999", "at most"),
    ],
)
def test_wrong_sheets_name_the_line(text: str, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        parse_sheet(text)


def test_empty_sheet_expects_nothing() -> None:
    assert rolls("") == rolls("# nothing yet\n") == []


def test_unclosed_quote_does_not_hang() -> None:
    with pytest.raises(UsageError):
        parse_sheet('roll,note\n"A001,x\n' + "y" * 200_000)


def test_encodings_of_table_programs() -> None:
    text = "roll;note\nA001;Fähre\n"
    for encoding in ("utf-8", "utf-8-sig", "cp1252", "utf-16"):
        assert rolls(decode_sheet(text.encode(encoding))) == ["A001"]


def test_huge_sheets_are_refused() -> None:
    with pytest.raises(UsageError, match="at most"):
        decode_sheet(b" " * (MAX_BYTES + 1))
