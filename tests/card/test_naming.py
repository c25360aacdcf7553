"""The roll's name comes from a rule or from a person, and from nothing else."""

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.card.naming import (
    Basis,
    checked_roll,
    naming_rule,
    roll_name,
    unnamed_roll,
)
from offload.errors import SettingsError, UsageError
from offload.values.portable import name_fault


def is_harmless(text: str) -> bool:
    """Nothing in it moves the cursor or turns the reading direction."""
    return all(unicodedata.category(char)[0] != "C" for char in text)


CLIP = b"A001C003_240501_R2AB.mov"


@pytest.mark.parametrize(
    "path",
    [
        CLIP,
        b"A001C001.mov",
        b"DCIM/100ABCDE/A001C012.MP4",
        b"A001_240501_C003.mxf",
        b"A001_C003.mov",
        b"A001C003_240501_R2AB/0000001.dng",  # the folder of frames is the clip
        b"A001C003_240501_R2AB/frames/0000001.dng",
        b"a001c003_240501_r2ab.mov",  # short names shown in lower case by a driver
    ],
)
def test_clip_name_tells_the_roll(path: bytes) -> None:
    # Common practice, no source: camera letter, three-digit roll, C and clip number.
    found = roll_name([path], label="B002")
    assert (found.name, found.basis, found.cameras) == ("A001", Basis.CLIPS, "A")


@pytest.mark.parametrize(
    "path",
    [
        b"IMG_0001.MOV",
        b"A01C003.mov",
        b"A0001C003.mov",
        b"XA001C003.mov",
        b"A001.mov",
        b"A001C12345.mov",
        b"A001CAKE.mov",
        b"aA001C003.mov",
        b"A001c003.mov",  # mixed case is no driver's doing
        b"A001/clip.mov",
        b"\xff\xfeA001C003.mov",
    ],
)
def test_other_names_tell_nothing(path: bytes) -> None:
    assert roll_name([path]).basis is Basis.NONE


@pytest.mark.parametrize("label", ["A001", "A001_R2AB", "A001R2AB", " A001 ", "a001"])
def test_label_of_that_form_is_taken(label: str) -> None:
    found = roll_name([b"IMG_0001.MOV"], label)
    assert (found.name, found.basis) == ("A001", Basis.LABEL)


@pytest.mark.parametrize("label", ["", "UNTITLED", "EOS", "A001X", "A0012", "NO NAME", "A001\x07"])
def test_other_labels_give_no_name(label: str) -> None:
    assert roll_name([], label).name == ""


def test_clips_win_over_the_label() -> None:
    assert roll_name([CLIP], "B007").name == "A001"


def test_person_wins_over_clips() -> None:
    found = roll_name([CLIP], "B007", given="S012")
    assert (found.name, found.basis, found.candidates) == ("S012", Basis.GIVEN, ("A001",))


def test_two_letters_with_one_number_are_one_roll() -> None:
    found = roll_name([b"B001C001.mov", b"A001C001.mov"])
    assert (found.name, found.cameras) == ("AB001", "AB")


@pytest.mark.parametrize(
    "paths", [[b"A001C001.mov", b"A002C001.mov"], [b"A001C001.mov", b"B003C001.mov"]]
)
def test_two_numbers_wait_for_a_person(paths: list[bytes]) -> None:
    # Not even the label decides: it may be the older or the newer one.
    found = roll_name(paths, "A001")
    assert (found.name, found.basis) == ("", Basis.NONE)
    assert len(found.candidates) == 2


def test_clips_of_other_forms_do_not_disturb() -> None:
    assert roll_name([CLIP, b"DCIM/100ABCDE/ABCD0001.JPG"]).name == "A001"


def test_unnamed_card_carries_its_code() -> None:
    assert unnamed_roll("K7-4M2P") == "unnamed-K7-4M2P"
    assert name_fault(unnamed_roll("K7-4M2P")) == ""


@pytest.mark.parametrize("name", ["A001", "A001-2", "S012_am", "X", "a.b", "9"])
def test_usable_roll_names(name: str) -> None:
    assert checked_roll(name) == name


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".",
        "..",
        "-A001",
        ".A001",
        "A/1",
        "A\\1",
        "A:1",
        "A001 ",
        "A001.",
        "A 001",
        "Ä001",
        "A\x1b[2J",
        "A\n",
        "NUL",
        "con.1",
        "records",
        "ASCMHL",
        "A001.incomplete",
        "A001.Partial",
        "unnamed-K7-4M2P",
        "A" * 32,
        "A\udcff",
    ],
)
def test_unusable_roll_names_are_refused(name: str) -> None:
    with pytest.raises(UsageError) as caught:
        checked_roll(name)
    assert is_harmless(str(caught.value))
    assert "A001" in caught.value.remedy


@settings(deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_accepted_roll_name_is_a_safe_folder(name: str) -> None:
    try:
        checked_roll(name)
    except UsageError as error:
        assert is_harmless(str(error))
    else:
        assert name_fault(name) == ""
        assert name.isascii() and "/" not in name and len(name) <= 31


@settings(deadline=None)
@given(st.lists(st.binary(max_size=40), max_size=6), st.text(max_size=12))
def test_any_content_gives_a_safe_name_or_none(paths: list[bytes], label: str) -> None:
    found = roll_name(paths, label)
    assert found.name == "" or checked_roll(found.name) == found.name
    assert (found.basis is Basis.NONE) == (found.name == "")


def test_own_form_replaces_the_usual_one() -> None:
    rule = naming_rule(clip=r"(?P<camera>[A-Z]{2})-(?P<number>\d{2})-")
    assert roll_name([b"NF-07-0001.wav"], rule=rule).name == "NF07"
    assert roll_name([CLIP], rule=rule).name == ""


def test_own_form_cannot_make_an_unsafe_name() -> None:
    rule = naming_rule(clip=r"(?P<camera>.)(?P<number>.)", label=r"(?P<camera>.)(?P<number>.*)")
    assert roll_name([b"..x"], rule=rule).name == ""
    assert roll_name([], "-rf", rule=rule).name == ""


@pytest.mark.parametrize(
    ("expression", "phrase"),
    [("(", "no regular expression"), ("A001", "camera and number"), ("x" * 201, "200")],
)
def test_wrong_expression_is_explained(expression: str, phrase: str) -> None:
    with pytest.raises(SettingsError, match=phrase):
        naming_rule(clip=expression)
