"""Checksum lists: ours checked by the stock tools, theirs read by us, and every form between."""

import io
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.checksum import digest_of
from offload.record.sums import (
    TOOLS,
    SumLine,
    UnreadSum,
    can_list,
    is_list_name,
    read_sums,
    write_sums,
)

CONTENT = b"x"
MD5 = digest_of("md5", CONTENT)
HEX = MD5.hex().encode()
XXH64 = digest_of("xxh64", CONTENT).hex().encode()

# Names that others' lists have tripped over.
NAMES = [
    b" lead.mov",
    b"-",
    b"-n.mov",
    b"A\nB.mov",
    b"C\\D.mov",
    b"E\rF.mov",
    b"G.mov\r",
    b"\\",
    b"\xff\xfe not utf-8",
    b"a (b) = c.mov",
    b"paren).mov",
    b"trail ",
    "Ünï.mov".encode(),
    "Ünï.mov".encode().replace(b"\xc3\x9c", b"U\xcc\x88"),
    b"#h",
    b"sub/*star",
    b"x" * 255,
]


def read(content: bytes, name: bytes = b"") -> list[SumLine | UnreadSum]:
    return list(read_sums(io.BytesIO(content), name))


def make(folder: Path, names: list[bytes]) -> list[tuple[bytes, bytes]]:
    for name in names:
        path = bytes(folder) + b"/" + name
        Path(path.decode("utf-8", "surrogateescape")).parent.mkdir(exist_ok=True)
        with open(path, "wb") as stream:
            stream.write(name)
    return [(name, name) for name in sorted(names)]


def check(folder: Path, algorithm: str, name: str) -> subprocess.CompletedProcess[bytes]:
    command = [TOOLS[algorithm], "-c", "--strict", "--", name]
    return subprocess.run(command, cwd=folder, capture_output=True, check=False)


@pytest.mark.parametrize("algorithm", [*sorted(TOOLS), "c4"])
def test_stock_tool_checks_our_list(tmp_path: Path, algorithm: str) -> None:
    data = tmp_path / "data"
    data.mkdir()
    entries = [(path, digest_of(algorithm, content)) for path, content in make(data, NAMES)]
    tool = "sha512" if algorithm == "c4" else algorithm
    with open(tmp_path / "list", "wb") as out:
        left_out = write_sums(out, algorithm, entries)
    assert left_out == ([b"A\nB.mov", b"G.mov\r"] if TOOLS[tool] == "xxhsum" else [])
    done = check(data, tool, "../list")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(b": OK") == len(NAMES) - len(left_out)
    # One flipped bit in one file, and the tool says no.
    with open(data / "#h", "wb") as stream:
        stream.write(b'"h')
    assert check(data, tool, "../list").returncode == 1


@pytest.mark.parametrize("algorithm", sorted(TOOLS))
def test_one_flipped_bit_in_our_list_is_noticed(tmp_path: Path, algorithm: str) -> None:
    entries = [(path, digest_of(algorithm, content)) for path, content in make(tmp_path, [b"a"])]
    out = io.BytesIO()
    write_sums(out, algorithm, entries)
    content = out.getvalue()
    at = content.index(entries[0][1].hex().encode())
    (tmp_path / "list").write_bytes(content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :])
    assert check(tmp_path, algorithm, "list").returncode == 1


@pytest.mark.parametrize("tool", ["md5sum", "sha1sum", "sha256sum", "sha512sum"])
@pytest.mark.parametrize("option", [[], ["--tag"], ["-b"]], ids=["plain", "tag", "binary"])
def test_lists_of_coreutils_are_read(tmp_path: Path, tool: str, option: list[str]) -> None:
    names = [name for name in NAMES if name != b"-"]
    entries = make(tmp_path, names)
    algorithm = tool.removesuffix("sum")
    command = [tool, *option, "--", *(name for name, _ in entries)]
    listed = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True).stdout
    for line, (path, content) in zip(read(listed), entries, strict=True):
        assert isinstance(line, SumLine)
        assert line.path == path
        assert algorithm in line.algorithms
        assert line.digest == digest_of(algorithm, content)


@pytest.mark.parametrize("number", ["32", "64", "128", "3"])
@pytest.mark.parametrize("option", [[], ["--tag"]], ids=["plain", "tag"])
def test_lists_of_xxhsum_are_read(tmp_path: Path, number: str, option: list[str]) -> None:
    algorithm = f"xxh{number}"
    entries = make(tmp_path, [name for name in NAMES if can_list(algorithm, name) and name != b"-"])
    command = ["xxhsum", f"-H{number}", *option, "--", *(name for name, _ in entries)]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True)
    for line, (path, content) in zip(read(done.stdout), entries, strict=True):
        assert isinstance(line, SumLine)
        assert (line.path, line.digest) == (path, digest_of(algorithm, content))
        assert algorithm in line.algorithms


# name, list, paths that we read (None: the line proves nothing), md5sum 9.1 finds them all.
# The file "plain" and those named in the rows hold "x". Measured with coreutils 9.1.
FORMS = [
    ("two-spaces", HEX + b"  plain\n", [b"plain"], True),
    ("star", HEX + b" *plain\n", [b"plain"], True),
    ("upper-case", HEX.upper() + b"  plain\n", [b"plain"], True),
    ("no-final-lf", HEX + b"  plain", [b"plain"], True),
    ("one-space", HEX + b" plain\n", [b"plain"], True),
    ("mixed-one-space-later", HEX + b"  plain\n" + HEX + b" plain\n", [b"plain", None], False),
    ("leading-blanks", b" \t" + HEX + b"  plain\n", [b"plain"], True),
    ("one-tab", HEX + b"\tplain\n", [b"plain"], True),
    ("crlf", HEX + b"  plain\r\n", [b"plain"], True),
    ("tag", b"MD5 (plain) = " + HEX + b"\n", [b"plain"], True),
    ("tag-tight", b"MD5(plain)= " + HEX + b"\n", [b"plain"], True),
    # Not a line for md5sum; its meaning is certain all the same.
    ("tag-lower", b"md5 (plain) = " + HEX + b"\n", [b"plain"], False),
    ("escaped-backslash", b"\\" + HEX + b"  back\\\\slash\n", [b"back\\slash"], True),
    ("escaped-lf", b"\\" + HEX + b"  new\\nline\n", [b"new\nline"], True),
    ("escaped-cr", b"\\" + HEX + b"  cr\\rret\n", [b"cr\rret"], True),
    ("escaped-tag", b"\\MD5 (new\\nline) = " + HEX + b"\n", [b"new\nline"], True),
    ("needless-flag", b"\\" + HEX + b"  plain\n", [b"plain"], True),
    ("wrong-escape", b"\\" + HEX + b"  pl\\xain\n", [None], False),
    ("trailing-backslash", b"\\" + HEX + b"  plain\\\n", [None], False),
    ("literal-backslash", HEX + b"  back\\slash\n", [b"back\\slash"], True),
    ("literal-cr", HEX + b"  cr\rret\n", [b"cr\rret"], True),
    ("parentheses", HEX + b"  a (b)\n", [b"a (b)"], True),
    ("leading-blank-name", HEX + b"   lead\n", [b" lead"], True),
    ("trailing-blank-name", HEX + b"  trail \n", [b"trail "], True),
    ("comment-and-blank", b"# comment\n\n" + HEX + b"  plain\n", [b"plain"], True),
    ("dot-slash", HEX + b"  ./plain\n", [b"plain"], True),
    # md5sum warns of junk and goes on; with --strict it fails.
    ("junk", b"junk\n" + HEX + b"  plain\n", [None, b"plain"], False),
    # The first line is none for md5sum.
    ("bom", b"\xef\xbb\xbf" + HEX + b"  plain\n", [b"plain"], False),
    ("other-tag", b"BLAKE2b (plain) = " + HEX + b"\n", [None], False),
    ("short-digest", HEX[:-2] + b"  plain\n", [None], False),
    ("tag-short", b"MD5 (plain) = " + HEX[:-2] + b"\n", [None], False),
]


@pytest.mark.parametrize(
    ("content", "paths", "is_accepted"), [row[1:] for row in FORMS], ids=[row[0] for row in FORMS]
)
def test_forms_of_a_line(
    tmp_path: Path, content: bytes, paths: list[bytes | None], is_accepted: bool
) -> None:
    lines = read(content, b"A001.md5")
    assert [line.path if isinstance(line, SumLine) else None for line in lines] == paths
    for line in lines:
        if isinstance(line, SumLine):
            assert (line.algorithms, line.digest) == (("md5",), MD5)
    for name in {b"plain", *(path for path in paths if path)}:
        with open(bytes(tmp_path) + b"/" + name, "wb") as stream:
            stream.write(CONTENT)
    (tmp_path / "list.md5").write_bytes(content)
    assert (check(tmp_path, "md5", "list.md5").returncode == 0) is is_accepted


@pytest.mark.parametrize(
    "path", [b"/etc/passwd", b"../x", b"a/../../x", b"..", b"a/..", b"/", b"./", b"a/"]
)
@pytest.mark.parametrize("form", [b"%s  %s\n", b"\\%s  %s\n"])
def test_path_that_leads_away_is_refused(path: bytes, form: bytes) -> None:
    # GNU's tools follow them.
    (line,) = read(form % (HEX, path))
    assert isinstance(line, UnreadSum)
    assert (line.code, line.line, line.path) == ("list-path-unsafe", 1, path)


def test_path_of_traversal_in_tag_is_refused() -> None:
    (line,) = read(b"MD5 (../../etc/passwd) = " + HEX + b"\n")
    assert isinstance(line, UnreadSum)
    assert line.code == "list-path-unsafe"


@pytest.mark.parametrize(
    ("name", "digits", "algorithms"),
    [
        (b"A001.md5", 32, ("md5",)),
        (b"A001.xxh128", 32, ("xxh128",)),
        (b"A001.xxh", 32, ("xxh128",)),
        (b"list.txt", 32, ("md5", "xxh128")),
        (b"A001.xxh3", 16, ("xxh3",)),
        (b"A001.xxh64", 16, ("xxh64",)),
        (b"A001.xxh", 16, ("xxh64",)),
        (b"", 16, ("xxh64", "xxh3")),
        (b"SHA256SUMS", 64, ("sha256",)),
        (b"A001.sha", 40, ("sha1",)),
        (b"A001.sha512", 128, ("sha512",)),
        # A name that contradicts the length is no help.
        (b"A001.md5", 40, ("sha1",)),
        (b"sha1/A001.md5", 32, ("md5",)),
    ],
)
def test_algorithm_of_an_untagged_digest(
    name: bytes, digits: int, algorithms: tuple[str, ...]
) -> None:
    (line,) = read(b"0" * digits + b"  plain\n", name)
    assert isinstance(line, SumLine)
    assert line.algorithms == algorithms


@pytest.mark.parametrize("digits", [56, 96, 24])
def test_digest_of_an_unknown_length_is_told_apart_from_junk(digits: int) -> None:
    (line,) = read(b"0" * digits + b"  plain\n")
    assert isinstance(line, UnreadSum)
    assert line.code == "list-checksum-unsupported"


def test_xxh3_prefix_of_newer_xxhsum() -> None:
    # From memory: xxhsum after 0.8.1 writes untagged XXH3 values with this prefix.
    (line,) = read(b"XXH3_" + XXH64 + b"  plain\n")
    assert isinstance(line, SumLine)
    assert line.algorithms == ("xxh3",)


def test_xxhsum_takes_untagged_xxh3_for_xxh64(tmp_path: Path) -> None:
    # Why our XXH3 lists are tagged.
    (tmp_path / "plain").write_bytes(CONTENT)
    xxh3 = digest_of("xxh3", CONTENT).hex()
    (tmp_path / "list").write_text(f"{xxh3}  plain\n")
    assert check(tmp_path, "xxh3", "list").returncode == 1
    (tmp_path / "list").write_text(f"XXH3 (plain) = {xxh3}\n")
    assert check(tmp_path, "xxh3", "list").returncode == 0


def test_endless_line_is_passed_over() -> None:
    lines = read(HEX + b"  " + b"x" * 1_000_000 + b"\n" + HEX + b"  plain\n")
    assert lines == [
        UnreadSum("list-line-unreadable", 1),
        SumLine(b"plain", ("md5", "xxh128"), MD5, 2),
    ]


def test_list_in_utf16_is_one_unread_line() -> None:
    content = b"\xff\xfe" + (HEX + b"  plain\r\n").decode().encode("utf-16-le") * 50
    assert read(content) == [UnreadSum("list-line-unreadable", 1)]


def test_nul_in_a_line_proves_nothing() -> None:
    assert read(HEX + b"  pl\0ain\n") == [UnreadSum("list-line-unreadable", 1)]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (b"A001.md5", True),
        (b"A001.MD5", True),
        (b"x/SHA256SUMS", True),
        (b"sha512sums.txt", True),
        (b"A001.xxh128", True),
        (b"A001.xxh3", True),
        (b"A001.sha-256", True),
        (b"A001.mov", False),
        (b"md5.mov", False),
        (b"notes.txt", False),
        (b"A001.mhl", False),
    ],
)
def test_names_of_lists(name: bytes, expected: bool) -> None:
    # Common practice, no source.
    assert is_list_name(name) is expected


def test_digest_of_another_length_is_our_mistake() -> None:
    with pytest.raises(ValueError, match="digest"):
        write_sums(io.BytesIO(), "md5", [(b"a", bytes(20))])


part = st.binary(min_size=1, max_size=12).filter(
    lambda text: b"\0" not in text and b"/" not in text and text not in (b".", b"..")
)
paths = st.lists(part, min_size=1, max_size=3).map(b"/".join)


@given(st.sampled_from(sorted(TOOLS)), st.lists(paths, unique=True, max_size=8))
def test_what_is_written_is_read_again(algorithm: str, names: list[bytes]) -> None:
    out = io.BytesIO()
    entries = [(name, digest_of(algorithm, name)) for name in names]
    left_out = write_sums(out, algorithm, entries)
    lines = read(out.getvalue(), f"list.{algorithm}".encode())
    found = [(line.path, line.digest) for line in lines if isinstance(line, SumLine)]
    assert found == [entry for entry in entries if entry[0] not in left_out]
    assert len(lines) == len(found)


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_told_of(content: bytes) -> None:
    for line in read(content):
        if isinstance(line, SumLine):
            assert not line.path.startswith(b"/")
            assert b".." not in line.path.split(b"/")
