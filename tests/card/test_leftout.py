"""What stays behind on a card: exact names, exact places, exact content. And nothing else."""

import plistlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.card.leftout import (
    is_left_out_file,
    is_left_out_folder,
    needs_head,
)
from offload.values.entries import Kind

# RFC 1740, appendix B: magic number, version 2, 16 bytes of filler, number of entries.
APPLE_DOUBLE = bytes.fromhex("00051607 00020000") + bytes(16) + bytes.fromhex("0001")
REAL_CLIP = bytes.fromhex("00000014") + b"ftypqt  " + bytes(8)


def left(path: bytes, siblings: set[bytes], content: bytes, kind: Kind = Kind.FILE) -> bool:
    return is_left_out_file(path, kind, siblings, lambda count: content[:count])


@pytest.mark.parametrize("path", [b".Spotlight-V100", b".fseventsd", b"System Volume Information"])
def test_index_folders_at_the_top_stay_behind(path: bytes) -> None:
    assert is_left_out_folder(path)


@pytest.mark.parametrize(
    "path",
    [
        b"DCIM/.fseventsd",
        b".Trashes",
        b".Trash-1000",
        b"$RECYCLE.BIN",
        b"FOUND.000",
        b"LOST.DIR",
        b"lost+found",
        b".Spotlight-v100",
        b"SYSTEM VOLUME INFORMATION",
        b"System Volume Information ",
        b".TemporaryItems",
        b".DS_Store",
        b"",
    ],
)
def test_other_folders_are_copied(path: bytes) -> None:
    assert not is_left_out_folder(path)


def test_desktop_file_stays_behind_anywhere() -> None:
    assert left(b".DS_Store", set(), b"")
    assert left(b"DCIM/100ABCDE/.DS_Store", set(), b"\0\0\0\1Bud1")


@pytest.mark.parametrize("path", [b".ds_store", b"X.DS_Store", b".DS_Store2", b"DS_Store"])
def test_names_like_the_desktop_file_are_copied(path: bytes) -> None:
    assert not left(path, set(), b"\0\0\0\1Bud1")


def test_companion_beside_its_file_stays_behind() -> None:
    assert left(b"DCIM/._C1.MOV", {b"C1.MOV", b"._C1.MOV"}, APPLE_DOUBLE)


def test_real_clip_with_companion_name_is_copied() -> None:
    assert not left(b"._REAL.MOV", {b"REAL.MOV"}, REAL_CLIP)


def test_companion_without_its_file_is_copied() -> None:
    assert not left(b"._C1.MOV", {b"._C1.MOV", b"c1.mov"}, APPLE_DOUBLE)


def test_companion_without_any_byte_is_copied() -> None:
    assert not left(b"._C1.MOV", {b"C1.MOV"}, b"")


def test_name_of_two_characters_is_copied() -> None:
    assert not left(b"._", {b"", b"._"}, APPLE_DOUBLE)


@pytest.mark.parametrize(
    "kind", [Kind.LINK, Kind.PIPE, Kind.SOCKET, Kind.DEVICE, Kind.UNREADABLE, Kind.MOUNT]
)
def test_what_is_no_file_is_never_left_out(kind: Kind) -> None:
    assert not left(b".DS_Store", set(), b"", kind)
    assert not left(b"._C1.MOV", {b"C1.MOV"}, APPLE_DOUBLE, kind)


def test_companion_that_cannot_be_read_says_so() -> None:
    def broken(count: int) -> bytes:
        raise OSError(5, "input/output error")

    with pytest.raises(OSError, match="input/output"):
        is_left_out_file(b"._C1.MOV", Kind.FILE, {b"C1.MOV"}, broken)


def test_ordinary_files_are_not_opened() -> None:
    def opened(count: int) -> bytes:
        raise AssertionError("a file was opened whose name decides nothing")

    assert not is_left_out_file(b"A001C001.mov", Kind.FILE, {b"A001C001.mov"}, opened)
    assert not is_left_out_file(b"._C1.MOV", Kind.FILE, set(), opened)
    assert not needs_head(b"DCIM/C1.MOV", Kind.FILE)


@settings(deadline=None)
@given(st.binary(min_size=1).filter(lambda raw: b"/" not in raw and b"\0" not in raw))
def test_hardly_any_name_is_left_out(entry: bytes) -> None:
    # Whatever lies beside it and whatever it holds: only the names in the rule can be left out.
    out = left(entry, {entry, entry[2:]}, APPLE_DOUBLE)
    assert out == (entry == b".DS_Store" or (entry.startswith(b"._") and len(entry) > 2))


def test_companion_of_a_folder_stays_behind() -> None:
    # A folder has extended attributes too, and they are written the same way.
    assert left(b"._DCIM", {b"DCIM"}, APPLE_DOUBLE + plistlib.dumps({}))
