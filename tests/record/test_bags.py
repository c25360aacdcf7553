"""Bags: RFC 8493, by section; bags made by the ``bagit`` library; hostile ones."""

import hashlib
import os
from pathlib import Path

import bagit
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from offload.checksum import digest_of
from offload.record.bags import Bag, bag_level
from offload.record.tagfiles import payload_of, read_bag
from tests.record.plain_folder import PlainFolder

PAYLOAD = {
    b"data/Clips/A001C001.mov": b"abcd\n",
    b"data/50% done.txt": b"def\n",
    b"data/a\nb.txt": b"",
}
DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
INFO = b"Bagging-Date: 2024-05-01\nPayload-Oxum: 9.3\n"
MANIFEST = (
    b"da1464fd7ceaf38ff56043bc1774af4fb5cb83ef5358981d78de0b8be5a6fbcb  data/50%25 done.txt\n"
    b"fc4b5fd6816f75a7c81fc8eaa9499d6a299bd803397166e8c4cf9280b801d62c  data/Clips/A001C001.mov\n"
    b"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855  data/a%0Ab.txt\n"
)
TAG_SUMS = {
    b"bag-info.txt": "4ae3fea0bb9ae77a81782be2e68189f3a035fa3e7f4b3ca900a952126ef3640a",
    b"bagit.txt": "1712ecfb074bf29c4188ad3421032509159a09739fd604f8fe57038b4ddefcc9",
    b"manifest-sha256.txt": "801a97cbb8ecb25747b375c3a70c6be10401a89dcdabc669ca4154c98621a37d",
}
TAGS = b"".join(f"{TAG_SUMS[name]}  {name.decode()}\n".encode() for name in sorted(TAG_SUMS))


@pytest.fixture
def folder(tmp_path: Path) -> PlainFolder:
    """The worked bag."""
    folder = PlainFolder(tmp_path)
    for path, content in PAYLOAD.items():
        folder.put(path, content)
    folder.put(b"bagit.txt", DECLARATION)
    folder.put(b"bag-info.txt", INFO)
    folder.put(b"manifest-sha256.txt", MANIFEST)
    folder.put(b"tagmanifest-sha256.txt", TAGS)
    return folder


def payload(folder: PlainFolder) -> list[bytes]:
    return list(payload_of(folder))


def verdict(folder: PlainFolder) -> str:
    """What a receiver would say after reading every file (section 3)."""
    bag = read_bag(folder)
    located = bag.locate(payload(folder))
    tags = {file.path: file for file in bag.files.values() if file.is_tag}
    missing = {path for path in tags if not os.path.exists(folder.path + b"/" + path)}
    differing = set()
    for path, file in (located.files | tags).items():
        content = b"" if path in missing else folder.content(path)
        if any(digest_of(name, content) != digest for name, digest in file.digests.items()):
            differing.add(path)
    level = bag_level(
        bag,
        located,
        missing_tags=missing,
        differing=differing - missing,
        payload_bytes=sum(len(folder.content(path)) for path in located.files),
    )
    return level.value


def test_worked_bag(folder: PlainFolder) -> None:
    for name, expected in TAG_SUMS.items():
        assert hashlib.sha256(folder.content(name)).hexdigest() == expected
    bag = read_bag(folder)
    assert (bag.version, bag.algorithms, bag.oxum) == ("1.0", ("sha256",), (9, 3))
    assert (bag.faults, bag.notices) == ((), ())
    located = bag.locate(payload(folder))
    assert set(located.files) == set(PAYLOAD)
    assert located.notices == ()
    assert verdict(folder) == "valid"


def change(folder: PlainFolder, name: bytes, old: bytes, new: bytes) -> None:
    content = folder.content(name)
    assert old in content
    folder.replace(name, content.replace(old, new))


def without_tags(folder: PlainFolder) -> None:
    os.remove(folder.path + b"/tagmanifest-sha256.txt")


# Changes to a bag and the verdict on it.


def test_file_in_one_of_two_manifests(folder: PlainFolder) -> None:
    # Section 2.1.3, version 1.0.
    without_tags(folder)
    md5 = digest_of("md5", b"abcd\n").hex().encode()
    folder.put(b"manifest-md5.txt", md5 + b"  data/Clips/A001C001.mov\n")
    assert verdict(folder) == "incomplete"
    assert {fault.code for fault in read_bag(folder).faults} == {"bag-not-listed-everywhere"}


def test_listed_file_missing(folder: PlainFolder) -> None:
    os.remove(folder.path + b"/data/a\nb.txt")
    assert verdict(folder) == "incomplete"
    assert read_bag(folder).locate(payload(folder)).missing == (b"data/a\nb.txt",)


def test_extra_file(folder: PlainFolder) -> None:
    folder.put(b"data/extra", b"")
    assert verdict(folder) == "incomplete"
    assert read_bag(folder).locate(payload(folder)).extra == (b"data/extra",)


def test_one_payload_byte_changed(folder: PlainFolder) -> None:
    folder.replace(b"data/Clips/A001C001.mov", b"abce\n")
    assert verdict(folder) == "not-valid"


def test_one_tag_byte_changed(folder: PlainFolder) -> None:
    change(folder, b"bag-info.txt", b"2024", b"2025")
    assert verdict(folder) == "not-valid"


def test_wrong_oxum_with_right_sums(folder: PlainFolder) -> None:
    without_tags(folder)
    change(folder, b"bag-info.txt", b"9.3", b"9.4")
    assert verdict(folder) == "not-valid"
    assert read_bag(folder).oxum_matches(9, 3) is False
    assert read_bag(folder).oxum_matches(9, 4) is True


# Section 5.2: never out of the bag's folder.
@pytest.mark.parametrize(
    "path",
    [b"../x", b"/x", b"data/../../x", b"~/x", b"C:/x", b"\\\\host\\x", b"data//x", b"data/./x"],
)
def test_path_that_leads_out(folder: PlainFolder, path: bytes) -> None:
    without_tags(folder)
    change(folder, b"manifest-sha256.txt", b"data/Clips/A001C001.mov", path)
    assert verdict(folder) == "malformed"
    bag = read_bag(folder)
    assert path not in bag.files
    assert "bag-unsafe-path" in {fault.code for fault in bag.faults}


def test_encoded_path_that_leads_out(folder: PlainFolder) -> None:
    # Nothing but CR, LF and percent is encoded, so this is a plain odd name.
    without_tags(folder)
    change(folder, b"manifest-sha256.txt", b"data/Clips/A001C001.mov", b"data/%2e%2e/x")
    assert b"data/%2e%2e/x" in read_bag(folder).files


@pytest.mark.parametrize("line", [b"tagmanifest-md5.txt", b"data/Clips/A001C001.mov"])
def test_tag_manifest_that_lists_what_it_must_not(folder: PlainFolder, line: bytes) -> None:
    # Section 2.2.1.
    folder.replace(b"tagmanifest-sha256.txt", TAGS + b"0" * 64 + b"  " + line + b"\n")
    assert verdict(folder) == "malformed"


def test_tag_manifest_without_a_payload_manifest(folder: PlainFolder) -> None:
    lines = TAGS.splitlines(keepends=True)
    kept = b"".join(line for line in lines if b"manifest-sha256" not in line)
    folder.replace(b"tagmanifest-sha256.txt", kept)
    assert verdict(folder) == "malformed"


def test_payload_manifest_with_a_file_outside_data(folder: PlainFolder) -> None:
    without_tags(folder)
    change(folder, b"manifest-sha256.txt", b"data/Clips/", b"Clips/")
    assert verdict(folder) == "malformed"


def test_file_listed_twice(folder: PlainFolder) -> None:
    without_tags(folder)
    folder.replace(b"manifest-sha256.txt", MANIFEST + MANIFEST.splitlines(keepends=True)[0])
    assert verdict(folder) == "malformed"


def test_bag_that_has_to_fetch(folder: PlainFolder) -> None:
    folder.put(b"fetch.txt", b"http://127.0.0.1/x 5 data/x\n")
    assert verdict(folder) == "incomplete"


def test_no_payload_manifest(folder: PlainFolder) -> None:
    without_tags(folder)
    os.remove(folder.path + b"/manifest-sha256.txt")
    assert verdict(folder) == "malformed"


def test_manifest_of_an_unknown_algorithm(folder: PlainFolder) -> None:
    without_tags(folder)
    folder.put(b"manifest-blake2b.txt", b"00  data/x\n")
    codes = {fault.code for fault in read_bag(folder).faults}
    assert codes == {"bag-checksum-unsupported"}


# Section 2.1.1: the declaration.
@pytest.mark.parametrize(
    ("content", "is_good"),
    [
        (DECLARATION, True),
        (DECLARATION.replace(b"\n", b"\r\n"), True),
        (DECLARATION.replace(b"\n", b"\r"), True),
        (DECLARATION.replace(b"BagIt-Version", b"BagIt-version"), True),
        (DECLARATION[:-1], True),
        (DECLARATION.replace(b"1.0", b"x"), False),
        (DECLARATION.replace(b"UTF-8", b"UTF-16"), False),
        (DECLARATION + b"more: x\n", False),
        (DECLARATION.splitlines(keepends=True)[0], False),
        (b"", False),
        (b"\xff", False),
    ],
)
def test_declaration(folder: PlainFolder, content: bytes, is_good: bool) -> None:
    without_tags(folder)
    folder.replace(b"bagit.txt", content)
    assert (verdict(folder) == "valid") is is_good


# Section 2.1.3: CR, LF and percent are encoded, those and nothing else.
@pytest.mark.parametrize(
    ("on_disk", "written"),
    [
        (b"data/file%0A1.txt", b"data/file%250A1.txt"),
        (b"data/a\r\nb", b"data/a%0D%0Ab"),
        (b"data/a\r\nb", b"data/a%0d%0ab"),
        ("data/ü b.txt".encode(), "data/ü b.txt".encode()),
        (b"data/back\\slash", b"data/back\\slash"),
        (b"data/ lead", b"data/ lead"),
        (b"data/trail ", b"data/trail "),
        (b"data/*star", b"data/*star"),
    ],
)
def test_encoding_of_paths(tmp_path: Path, on_disk: bytes, written: bytes) -> None:
    folder = PlainFolder(tmp_path)
    folder.put(on_disk, b"x")
    folder.put(b"bagit.txt", DECLARATION)
    digest = hashlib.sha512(b"x").hexdigest().encode()
    for between in (b"  ", b" ", b"\t", b" \t "):
        for digits in (digest, digest.upper()):
            folder.put(b"manifest-sha512.txt", digits + between + written + b"\n")
            bag = read_bag(folder)
            assert bag.notices == ()
            assert bag.locate(payload(folder)).notices == ()
            assert verdict(folder) == "valid"


# What checksum tools write is tolerated, with a notice (section 2.1.3 forbids it).
@pytest.mark.parametrize(
    "line",
    [b"%s *data/x", b"\\%s  data/x", b"%s  ./data/x", b"\xef\xbb\xbf%s  data/x"],
    ids=["star", "backslash", "dot", "bom"],
)
def test_dress_of_checksum_tools(tmp_path: Path, line: bytes) -> None:
    folder = PlainFolder(tmp_path)
    folder.put(b"data/x", b"x")
    folder.put(b"bagit.txt", DECLARATION)
    folder.put(b"manifest-md5.txt", line % digest_of("md5", b"x").hex().encode() + b"\n")
    bag = read_bag(folder)
    assert [notice.code for notice in bag.notices] == ["bag-tolerated"]
    assert verdict(folder) == "valid"


def test_percent_that_was_not_encoded_is_found(tmp_path: Path) -> None:
    # A known defect of tools in use.
    folder = PlainFolder(tmp_path)
    folder.put(b"data/a%25b", b"x")
    folder.put(b"bagit.txt", DECLARATION)
    folder.put(b"manifest-md5.txt", digest_of("md5", b"x").hex().encode() + b"  data/a%25b\n")
    located = read_bag(folder).locate(payload(folder))
    assert set(located.files) == {b"data/a%25b"}
    assert [notice.code for notice in located.notices] == ["bag-name-form"]


def test_name_in_another_normal_form_is_found(tmp_path: Path) -> None:
    # Section 5.1.2.
    folder = PlainFolder(tmp_path)
    folder.put(b"data/u\xcc\x88", b"x")
    folder.put(b"bagit.txt", DECLARATION)
    line = digest_of("md5", b"x").hex().encode() + "  data/ü\n".encode()
    folder.put(b"manifest-md5.txt", line)
    located = read_bag(folder).locate(payload(folder))
    assert set(located.files) == {b"data/u\xcc\x88"}
    assert (located.missing, located.extra) == ((), ())


def test_line_that_crosses_pieces_of_reading(tmp_path: Path) -> None:
    folder = PlainFolder(tmp_path)
    folder.put(b"data/x", b"x")
    folder.put(b"bagit.txt", DECLARATION)
    digest = digest_of("md5", b"x").hex().encode()
    names = [b"data/%04d" % n + b"y" * 50 for n in range(3000)]
    for end in (b"\n", b"\r", b"\r\n"):
        lines = end.join(digest + b"  " + name for name in names) + end
        folder.put(b"manifest-md5.txt", lines)
        assert set(read_bag(folder).files) == set(names)


@pytest.mark.parametrize("checksums", [["sha256"], ["md5", "sha512"], ["sha1"]])
def test_bag_of_the_library_is_valid(tmp_path: Path, checksums: list[str]) -> None:
    (tmp_path / "Clips").mkdir()
    (tmp_path / "Clips" / "A001C001.mov").write_bytes(b"abcd\n")
    (tmp_path / "50% done.txt").write_bytes(b"def\n")
    (tmp_path / "a\nb.txt").write_bytes(b"")
    (tmp_path / "ü.txt").write_bytes(b"x")
    bagit.make_bag(str(tmp_path), checksums=checksums)
    folder = PlainFolder(tmp_path)
    bag = read_bag(folder)
    assert isinstance(bag, Bag)
    assert (bag.faults, bag.notices) == ((), ())
    assert bag.algorithms == tuple(sorted(checksums))
    assert verdict(folder) == "valid"
    (tmp_path / "data" / "Clips" / "A001C001.mov").write_bytes(b"abce\n")
    assert verdict(folder) == "not-valid"


def test_every_flipped_byte_of_a_small_bag_is_noticed(folder: PlainFolder) -> None:
    for name in (b"manifest-sha256.txt", b"tagmanifest-sha256.txt", b"bagit.txt"):
        whole = folder.content(name)
        for at in range(len(whole)):
            flipped = whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :]
            folder.replace(name, flipped)
            if verdict(folder) == "valid":
                # A blank that became a tab or the like, in the one file that nothing covers.
                assert name == b"tagmanifest-sha256.txt"
                assert read_bag(folder).files == untouched(folder, name, whole).files
        folder.replace(name, whole)


def untouched(folder: PlainFolder, name: bytes, whole: bytes) -> Bag:
    changed = folder.content(name)
    folder.replace(name, whole)
    bag = read_bag(folder)
    folder.replace(name, changed)
    return bag


@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.binary(max_size=200))
def test_any_bytes_in_any_tag_file_are_answered(folder: PlainFolder, junk: bytes) -> None:
    without = [b"bagit.txt", b"bag-info.txt", b"manifest-sha256.txt", b"tagmanifest-sha256.txt"]
    for name in without:
        whole = folder.content(name)
        for content in (junk, whole + junk):
            folder.replace(name, content)
            bag = read_bag(folder)
            assert all(not path.startswith(b"/") for path in bag.files)
            assert all(b".." not in path.split(b"/") for path in bag.files)
        folder.replace(name, whole)
