"""Names that every drive can hold."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from offload.values.portable import is_device_name, is_ours, name_fault, portable_part


@pytest.mark.parametrize(
    "part", ["A001", "Night Ferry", "2026-11-24", "Nachtfähre", "a.b", "x" * 255]
)
def test_ordinary_names_have_no_fault(part: str) -> None:
    assert name_fault(part) == ""


@pytest.mark.parametrize(
    ("part", "phrase"),
    [
        ("", "empty"),
        ("A/1", "/"),
        ("A:1", ":"),
        ("A\n1", "\\x0a"),
        ("A\x7f", "\\x7f"),
        ("-A001", "dash"),
        (".A001", "dot"),
        ("A001.", "ends in a dot"),
        ("A001 ", "blank"),
        ("NUL", "device"),
        ("com1.mov", "device"),
        ("LPT¹", "device"),
        ("x" * 256, "255"),
        ("ä" * 128, "255"),
    ],
)
def test_fault_is_said(part: str, phrase: str) -> None:
    assert phrase in name_fault(part)


@pytest.mark.parametrize("part", ["CONSOLE", "COM", "COM10", "NULL", "A.CON"])
def test_names_that_only_look_like_devices(part: str) -> None:
    assert not is_device_name(part)


@pytest.mark.parametrize("part", ["records", "ASCMHL", "A001.incomplete", "a001.PARTIAL"])
def test_names_of_ours_are_known_in_any_case(part: str) -> None:
    assert is_ours(part)


@settings(deadline=None)
@given(st.text())
@example("CON")
@example("CON.mov")
@example("records")
@example("x.incomplete")
@example("...")
@example("ä" * 200)
@example("a" * 99 + ". b")
def test_portable_part_is_always_holdable(text: str) -> None:
    part = portable_part(text)
    assert part == "" or (name_fault(part) == "" and not is_ours(part))


@settings(deadline=None)
@given(st.from_regex(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,40}[A-Za-z0-9]", fullmatch=True))
def test_portable_part_leaves_good_names_alone(text: str) -> None:
    if not is_device_name(text) and not is_ours(text):
        assert portable_part(text) == text
