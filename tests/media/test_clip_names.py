"""Clip names: read by a pattern, or as a plain counter, or openly not at all."""

import pytest

from offload.media.clip_names import is_named_by, read_clip, read_name, read_roll
from offload.media.name_pattern import NamePattern
from offload.values.clips import Clip, ClipFiles, ClipKind, Container
from offload.values.entries import Entries


@pytest.mark.parametrize(
    ("path", "roll", "number"),
    [
        (b"A001C003_261124_R2AB.mov", "A001", 3),
        (b"CLIPS/A001C003.MXF", "A001", 3),
        (b"a001c003.mov", "A001", 3),
        (b"A001_C012_1124AB.mov", "A001", 12),
        (b"B_0007C002_261124.mov", "B0007", 2),
        (b"A001C003\xff\xfe.mov", "A001", 3),
        (b"A001C003\n.mov", "A001", 3),
    ],
)
def test_names_by_roll_and_clip(path: bytes, roll: str, number: int) -> None:
    found = read_name(path)
    assert found is not None
    assert (found.roll, found.number, found.is_pattern) == (roll, number, True)


@pytest.mark.parametrize(
    ("path", "series", "number"),
    [
        # DCF (CIPA DC-009): four characters and four digits.
        (b"DCIM/100ABCDE/ABCD0001.MOV", "ABCD", 1),
        (b"AVCHD/BDMV/STREAM/00003.MTS", "", 3),
        (b"C0001.MP4", "C", 1),
        (b"take_012.wav", "TAKE_", 12),
    ],
)
def test_plain_counters_are_read(path: bytes, series: str, number: int) -> None:
    found = read_name(path)
    assert found is not None
    assert (found.series, found.number, found.is_pattern) == (series, number, False)


@pytest.mark.parametrize("path", [b"20261124.mov", b"scene.mov", b"2026_take.mov", b"a12.mov", b""])
def test_other_names_are_not_guessed(path: bytes) -> None:
    assert read_name(path) is None


def test_own_pattern_is_used() -> None:
    pattern = NamePattern("FERRY-{camera}-{roll}-{clip}-{date}")
    found = read_name(b"ferry-b-012-0034-261124.mov", (pattern,))
    assert found is not None
    assert (found.roll, found.number) == ("B012", 34)
    assert not is_named_by(b"FERRY-B-12-0034-261124.mov", pattern)


def test_letters_of_patterns_are_literal() -> None:
    assert not is_named_by(b"AX001.mov", NamePattern("A.{clip}"))
    assert is_named_by(b"a(1)[001].mov", NamePattern("A(1)[{clip}]"))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{reel}{clip}", "there is no {reel}"),
        ("{clip}{clip}", "stands in it twice"),
        ("A001", "at least one of"),
        ("", "at least one of"),
        ("{clip", "brace"),
        ("clip}", "brace"),
        ("{{clip}}", "brace"),
    ],
)
def test_wrong_patterns_say_what_is_allowed(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        NamePattern(text)


def frames(path: bytes) -> Clip:
    return Clip(path, ClipKind.FRAMES, Container.DNG, ClipFiles(Entries(), ()))


def test_frame_folders_name_the_clip() -> None:
    found = read_clip(frames(b"A001C004_261124/frame_000001.dng"))
    assert found is not None
    assert (found.roll, found.number) == ("A001", 4)
    counted = read_clip(frames(b"CLIP0007/000001.dng"))
    assert counted is not None
    assert (counted.series, counted.number) == ("CLIP", 7)
    assert read_clip(frames(b"000001.dng")) is None


@pytest.mark.parametrize(
    ("roll", "read"),
    [
        ("A001", ("A", 1)),
        ("a001", ("A", 1)),
        ("B0123", ("B", 123)),
        ("A001-2", ("A", 1)),
        ("SOUND-03", None),
        ("A1", None),
        ("", None),
        ("A001C002", None),
    ],
)
def test_rolls_are_letter_and_number(roll: str, read: tuple[str, int] | None) -> None:
    assert read_roll(roll) == read
