"""A command from a verdict, pasted into a real shell, gives the program the very bytes meant."""

import os
import shutil
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.clearance.shell import command_line, quoted

WORDS = {
    "plain": b"A003C011.mov",
    "space": b"B ROLL/A 1.mov",
    "single quote": b"director's cut.mov",
    "double quote": b'6" lens.mov',
    "brackets": b"A001 [CAM B]",
    "dollar": b"$HOME `id` $(id).mov",
    "bang": b"wow!!.mov",
    "star": b"*?{a,b}~.mov",
    "tilde": b"~root",
    "equals": b"=ls",
    "dash": b"-n.MOV",
    "backslash": b"C\\D\\x41.MOV",
    "backslash and newline": b"C\\\nD.MOV",
    "newline": b"A\nB.MOV",
    "carriage return": b"E\rF.MOV",
    "escape": b"a\x1b]0;X\x07b\x1b[2J",
    "not utf-8": b"A001_\xff\xfe.MOV",
    "digit after an odd byte": b"\x019\xff12",
    "unicode": "Überfahrt 夜.mov".encode(),
    "right-to-left mark": "a\u202egpj.mov".encode(),
    "quote and newline": b"it's\n'\\''",
    "empty": b"",
    "comment": b"#1.mov",
    "ampersand": b"a&b;c|d<e>f",
    "dots": b"...",
}


def _received(shell: str, line: str) -> bytes:
    """What a program gets as its one argument when the line is typed into a shell."""
    program = "import os,sys;os.write(1,os.fsencode(sys.argv[1]))"
    script = f"{quoted(os.fsencode(sys.executable))} -c {quoted(program.encode())} {line}"
    done = subprocess.run([shell, "-c", script], capture_output=True, check=True, timeout=60)
    return done.stdout


@pytest.mark.parametrize("name", WORDS)
def test_word_arrives_as_it_was(name: str) -> None:
    assert _received("bash", quoted(WORDS[name])) == WORDS[name]


@pytest.mark.parametrize("name", WORDS)
def test_word_in_ascii_arrives_as_it_was(name: str) -> None:
    line = quoted(WORDS[name], ascii_only=True)
    assert line.isascii()
    assert _received("bash", line) == WORDS[name]


@pytest.mark.parametrize("name", [name for name, word in WORDS.items() if word.isascii()])
def test_readable_word_arrives_through_a_plain_shell(name: str) -> None:
    line = quoted(WORDS[name])
    if line.startswith("$"):
        # dash has no $'...'; nothing that can be read needs it.
        assert any(byte < 0x20 for byte in WORDS[name])
        return
    assert _received(shutil.which("dash") or "sh", line) == WORDS[name]


@settings(max_examples=40, deadline=None)
@given(st.binary(min_size=1, max_size=40).filter(lambda word: b"\0" not in word))
def test_any_bytes_arrive_as_they_were(word: bytes) -> None:
    assert _received("bash", quoted(word)) == word


@given(st.binary(max_size=60))
def test_line_has_no_byte_that_moves_the_cursor(word: bytes) -> None:
    line = quoted(word.replace(b"\0", b"0"))
    assert "\u202e" not in line
    assert not any(ord(char) < 0x20 or 0x7F <= ord(char) < 0xA0 for char in line)


def test_plain_words_stand_bare() -> None:
    words = (b"offload", b"copy", b"A003", b"--to", b"/media/shuttle-1")
    assert command_line(words) == "offload copy A003 --to /media/shuttle-1"


def test_readable_words_stay_readable() -> None:
    assert quoted("Überfahrt 夜.mov".encode()) == "'Überfahrt 夜.mov'"
    assert quoted(b"A001 [CAM B]") == "'A001 [CAM B]'"
