"""The one text form of a path: reversible, and nothing in it moves a cursor."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.values.paths import from_text, is_clean, join, name, parent, to_text


@given(st.binary(max_size=300))
def test_text_form_gives_the_bytes_back(path: bytes) -> None:
    assert from_text(to_text(path)) == path


@given(st.binary(max_size=100) | st.text(max_size=100).map(lambda t: t.encode("utf-8", "ignore")))
def test_text_form_shows_only_what_can_be_seen(path: bytes) -> None:
    for char in to_text(path):
        assert unicodedata.category(char)[0] != "C"
        assert unicodedata.category(char) not in ("Zl", "Zp")


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (b"Clips/A001C001.mov", "Clips/A001C001.mov"),
        ("Ünï.txt".encode(), "Ünï.txt"),
        (b"a\nb", r"a\x0ab"),
        (b"\x1b[2J", r"\x1b[2J"),
        (b"back\\slash", r"back\\slash"),
        (b"A001_\xff\xfe.MOV", r"A001_\xff\xfe.MOV"),
        ("\u202egnp.mov".encode(), r"\xe2\x80\xaegnp.mov"),
        (b"[bold]<script>", "[bold]<script>"),
    ],
)
def test_text_form_of_hostile_names(path: bytes, text: str) -> None:
    assert to_text(path) == text


def test_foreign_escape_is_refused() -> None:
    with pytest.raises(ValueError, match="backslash"):
        from_text(r"a\q")


@pytest.mark.parametrize(
    "path", [b"", b"/etc/passwd", b"../x", b"a/../b", b"a//b", b"a/.", b"a\0b"]
)
def test_paths_that_leave_their_root_are_not_clean(path: bytes) -> None:
    assert not is_clean(path)


def test_parts_of_a_path() -> None:
    assert is_clean(b"a/b.mov")
    assert (parent(b"a/b/c"), name(b"a/b/c")) == (b"a/b", b"c")
    assert (parent(b"c"), join(b"", b"c"), join(b"a", b"c")) == (b"", b"c", b"a/c")
