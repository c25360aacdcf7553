"""Whatever is typed becomes words and an exit code; no fault of the program reaches anybody."""

from pathlib import Path

import pytest

from tests.cli.test_settings_command import run

ODD = (
    b"",
    b"-",
    b"--to",
    b"\xff\xfe",
    b"[bold]x[/b]",
    b"\x1b[2J",
    b"new\nline",
    b"%s%n{0}",
    b"a" * 5000,
    b"/dev/null",
    b"/proc/self/mem",
    "\u202e\u5199".encode(),
)


def assert_answered(folder: Path, *words: bytes) -> None:
    done = run(folder, *words)
    assert done.code in (0, 1, 2, 3), (words, done)
    assert "\x1b" not in done.out + done.err, words
    assert "fault of the program" not in done.out + done.err, (words, done)


@pytest.mark.parametrize("word", ODD, ids=lambda word: repr(word[:20]))
def test_odd_card_is_answered_in_words(tmp_path: Path, word: bytes) -> None:
    assert_answered(tmp_path, b"copy", word)


@pytest.mark.parametrize("command", [b"check", b"verify", b"rolls", b"key", b"settings"])
def test_odd_words_are_answered_by_every_command(tmp_path: Path, command: bytes) -> None:
    for word in (b"", b"\xff\xfe", b"[/b]\x1b[2J"):
        assert_answered(tmp_path, command, word, b"--json")


@pytest.mark.parametrize("command", [(), (b"drive",)], ids=["nothing", "group"])
def test_nothing_more_typed_shows_what_there_is_to_type(
    tmp_path: Path, command: tuple[bytes, ...]
) -> None:
    """Lines that can be read, and not one line of escapes."""
    done = run(tmp_path, *command)
    assert done.code == 2
    assert "\\x0a" not in done.err
    assert "Commands:" in [line.strip() for line in done.err.splitlines()]


@pytest.mark.parametrize("command", [b"copy", b"check", b"clips"])
def test_remedy_for_an_unknown_card_is_the_command_that_was_typed(
    tmp_path: Path, command: bytes
) -> None:
    done = run(tmp_path, command, b"A999")
    assert done.code == 2
    assert f"offload {command.decode()} /media/CARD" in done.err
