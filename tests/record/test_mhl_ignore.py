"""Ignore patterns: ASC MHL 1.0, sections 5.6.1.2 and 6.4.7, appendix C; each row put to git too."""

import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from offload.errors import RecordError
from offload.record.mhl.ignore import DEFAULTS, Ignore

# Patterns, what they ignore, what not. A name that ends in "/" is a folder.
VECTORS = [
    ([".DS_Store"], [".DS_Store", "Clips/.DS_Store"], ["My.DS_Store"]),
    (["*.DS_Store"], [".DS_Store", "My.DS_Store"], []),
    (["ascmhl/"], ["ascmhl/x", "A/ascmhl/y"], ["Clips/ascmhl"]),
    (["/tmp"], ["tmp/q"], ["x/tmp/q"]),
    (["doc/frotz/"], ["doc/frotz/z"], ["a/doc/frotz/z"]),
    (["frotz/"], ["frotz/z", "a/frotz/z"], []),
    (["*.aux"], ["Clips/sub/c.aux"], ["Clips/c.mov"]),
    (["Clips/*.aux"], [], ["Clips/sub/c.aux"]),
    (["Clips/**/*.aux"], ["Clips/sub/c.aux"], []),
    (["abc/**"], ["abc/d/e"], ["abc/"]),
    (["**/foo"], ["foo"], []),
    (["a/**/b"], ["a/b", "a/x/b", "a/x/y/b"], ["b"]),
    (["a?b"], ["aXb"], ["a/b"]),
    (["a*b"], ["aXb"], ["a/b"]),
    (["a[X-Z]b"], ["aXb"], ["a/b"]),
    (["*.aux", "!c.aux"], [], ["Clips/sub/c.aux"]),
    (["Clips/", "!Clips/c.mov"], ["Clips/c.mov"], []),
    (["\\!imp.txt"], ["!imp.txt"], []),
    (["!imp.txt"], [], ["!imp.txt"]),
    (["\\#h"], ["#h"], []),
    (["#h"], [], ["#h"]),
    (["trail "], ["trail"], ["trail "]),
    (["trail\\ "], ["trail "], []),
    ([""], [], ["foo", "Clips/c.mov"]),
    (["/"], [], ["foo", "Clips/c.mov"]),
    (["CLIPS/"], [], ["foo", "Clips/c.mov"]),
    # What the library alone gets wrong.
    (["*.aux", "!keep/"], ["keep/c.aux"], ["keep/"]),
    (["a/*", "!a/b"], ["a/c", "a/c/d"], ["a/b", "a/b/c"]),
]


def git_ignores(folder: Path, patterns: list[str], path: str) -> bool:
    subprocess.run(["git", "init", "-q", str(folder)], check=True)
    (folder / ".git/info/exclude").write_text("\n".join(patterns) + "\n")
    where = folder / path
    if path.endswith("/"):
        where.mkdir(parents=True, exist_ok=True)
    else:
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_bytes(b"")
    command = ["git", "-C", str(folder), "check-ignore", "-q", "--no-index", "--", path.rstrip("/")]
    return subprocess.run(command, check=False, capture_output=True).returncode == 0


@pytest.mark.parametrize(
    ("patterns", "path", "expected"),
    [
        (patterns, path, expected)
        for patterns, ignored, kept in VECTORS
        for expected, paths in ((True, ignored), (False, kept))
        for path in paths
    ],
)
def test_vectors(tmp_path: Path, patterns: list[str], path: str, expected: bool) -> None:
    assert git_ignores(tmp_path, patterns, path) is expected
    name = path.encode().removesuffix(b"/")
    assert Ignore(patterns).ignores(name, is_folder=path.endswith("/")) is expected


def test_defaults_are_always_active_and_cannot_be_taken_back() -> None:
    ignore = Ignore(["!.DS_Store", "!ascmhl/", "!*"])
    assert ignore.ignores(b"Clips/.DS_Store")
    assert ignore.ignores(b"ascmhl", is_folder=True)
    assert ignore.ignores(b"day/ascmhl/0001_A.mhl")
    assert not ignore.ignores(b"Clips/ascmhl")
    assert Ignore().patterns == DEFAULTS
    assert Ignore(["ascmhl/", "x"]).patterns == (".DS_Store", "ascmhl/", "x")


def test_name_with_a_line_feed_is_not_another_name() -> None:
    ignore = Ignore(["x"])
    assert not ignore.ignores(b".DS_Store\n")
    assert not ignore.ignores(b"x\n")
    assert ignore.ignores(b"a\nb/ascmhl/m")
    assert Ignore(["a/**/b"]).ignores(b"a/x\ny/b")


def test_name_that_is_not_utf8_is_matched() -> None:
    assert Ignore(["*.aux"]).ignores(b"\xff.aux")
    assert not Ignore(["*.aux"]).ignores(b"\xff.mov")


@pytest.mark.parametrize("pattern", ["*a" * 40, "x" * 5000, "a/" + "*b" * 9, "a[X-;]b"])
def test_pattern_that_cannot_be_used_ignores_nothing(pattern: str) -> None:
    ignore = Ignore([pattern, "tmp/"])
    assert ignore.unusable == (pattern,)
    assert not ignore.ignores(b"a" * 255)
    assert ignore.ignores(b"tmp/x")


def test_patterns_only_grow() -> None:
    ignore = Ignore(["*.aux"]).with_more(["tmp/", "*.aux"])
    assert ignore.patterns == (".DS_Store", "ascmhl/", "*.aux", "tmp/")
    with pytest.raises(RecordError, match="back in"):
        ignore.with_more(["!c.aux"])


@pytest.mark.parametrize(
    ("pattern", "nested"),
    [
        ("*.aux", ["*.aux"]),
        ("frotz/", ["frotz/"]),
        ("/day/A001/tmp", ["/tmp"]),
        ("day/A001/tmp/", ["/tmp/"]),
        ("day/*/tmp", ["/tmp"]),
        ("/other/tmp", []),
        ("/tmp", []),
        ("day/A001", []),
        ("**/foo", ["/**/foo"]),
        ("day/**/x", ["/**/x"]),
        ("!day/A001/keep", ["!/keep"]),
        ("day/A001/**", ["/**"]),
    ],
)
def test_patterns_that_go_down(pattern: str, nested: list[str]) -> None:
    # Section 5.3.2 says that they go down; how, the standard leaves open.
    assert list(Ignore([pattern]).for_nested(b"day/A001"))[2:] == nested


names = st.text(alphabet="ab*?[]!#\\ .", min_size=1, max_size=4)
patterns = st.lists(
    st.lists(st.one_of(names, st.just("**")), min_size=1, max_size=3)
    .map("/".join)
    .map(lambda text: text.strip("\n")),
    max_size=3,
)
paths = st.lists(
    st.text(alphabet="ab.#! ", min_size=1, max_size=3).filter(lambda t: t not in (".", "..")),
    min_size=1,
    max_size=3,
)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(patterns, paths)
@example(["a/**"], ["a", "b"])
@example(["[[]"], ["a"])
def test_nothing_is_ignored_by_surprise(tmp_path_factory, patterns, paths) -> None:  # type: ignore[no-untyped-def]
    # Odd patterns may be read in two ways; a path that git keeps may still never be lost by one
    # that has no sign in it at all.
    plain = [p for p in patterns if not set(p) & set("*?[]!#\\ ")]
    path = "/".join(paths)
    folder = tmp_path_factory.mktemp("git")
    assert Ignore(plain).ignores(path.encode()) is git_ignores(folder, plain, path)
    Ignore(patterns).ignores(path.encode())
