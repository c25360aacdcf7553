"""Advice on narrow screens: a command is never broken where a shell would not take it."""

import shlex

import pytest

from offload.clearance.shell import command_line
from offload.cli.wrapping import advice

COMMAND = (
    b"offload",
    b"copy",
    b"/media/NIGHT FERRY/CARD A",
    b"--to",
    b"/mnt/shuttle-2",
    b"--to",
    b"x",
)
WORDS = "other cable, plug the drive in, or make room on it, then"


def typed(lines: list[str]) -> list[str]:
    """What a shell makes of the lines from the command on."""
    text = "\n".join(lines)
    return shlex.split(text[text.index("offload ") :].replace("\\\n", " "))


@pytest.mark.parametrize("width", [60, 72, 79, 119, None])
def test_command_of_advice_is_read_back_by_a_shell(width: int | None) -> None:
    lines = advice(f"{WORDS} {command_line(COMMAND)}", width, "  DO  ", "      ")
    assert typed(lines) == [word.decode() for word in COMMAND]
    assert width is None or all(len(line) <= width for line in lines)


def test_command_stands_on_a_line_of_its_own_rather_than_broken() -> None:
    lines = advice(f"{WORDS} offload copy A003", 62, "  DO  ", "      ")
    assert lines == [f"  DO  {WORDS}", "      offload copy A003"]


def test_short_advice_stays_on_one_line() -> None:
    assert advice("put it in: offload copy A003", 60, "  DO  ", "") == [
        "  DO  put it in: offload copy A003"
    ]


@pytest.mark.parametrize("card", [b"/media/NIGHT,", b"/media/A,B", b"/media/A;", b"/media/it's,"])
def test_comma_at_the_end_of_a_name_is_not_that_of_the_sentence(card: bytes) -> None:
    command = command_line((b"offload", b"copy", card, b"--to", b"/mnt/shuttle-1"))
    lines = advice(f"{WORDS} {command}", 40, "  DO  ", "      ")
    assert typed(lines) == ["offload", "copy", card.decode(), "--to", "/mnt/shuttle-1"]


def test_text_after_a_command_is_no_part_of_it() -> None:
    text = "Write it down:  offload check A003 --read; then hand the drives on to the post room"
    lines = advice(text, 60, "", "  ")
    assert lines[0] == "Write it down:   offload check A003 --read"
    assert " ".join(lines[1:]) == "  then hand the drives on to the post room"


def test_word_that_is_no_command_is_text() -> None:
    text = "give the rate that the camera's menu shows and offload one test clip first of all"
    assert not any(line.endswith("\\") for line in advice(text, 60, "", ""))
