"""The record's folder interfaces over a held root: a whole history written, broken off, read."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import pytest

from offload.record.find import RecordKind, find_records
from offload.record.folder import DurableFolder, Folder
from offload.record.held_folder import HeldFolder
from offload.record.mhl.custody import Custody, load_custody
from offload.record.mhl.generation import add_generations
from offload.record.mhl.write import Written, write_manifest
from offload.storage.root import Root
from tests.record import example
from tests.record.histories import operation


@pytest.fixture
def held(tmp_path: Path) -> Iterator[HeldFolder]:
    with Root(bytes(tmp_path)) as root:
        yield HeldFolder(root)


def test_history_written_and_read_again(held: HeldFolder, tmp_path: Path) -> None:
    reading: Folder = held
    writing: DurableFolder = held
    scope = b"day/A001"
    custody = Custody(scope, {})
    for number in (1, 2):
        step = operation(number, top_name=b"A001", folder_formats=("xxh64",))
        (added,) = add_generations(
            writing, custody, step, lambda scope: example.items("xxh64"), begin=[scope]
        )
        custody = load_custody(reading, scope)
        assert custody.faults == ()
    assert len(custody.histories[scope].generations) == 2
    assert added.root == example.head_with_root("xxh64").root
    assert sorted(os.listdir(tmp_path / "day/A001/ascmhl")) == [
        "0001_A001_2024-05-01_080000Z.mhl",
        "0002_A001_2024-05-01_090000Z.mhl",
        "ascmhl_chain.xml",
    ]
    assert [found.kind for found in find_records(reading).records] == [RecordKind.HISTORY]


def test_manifest_broken_off_leaves_nothing(held: HeldFolder, tmp_path: Path) -> None:
    def fill(out: BinaryIO) -> Written:
        written = write_manifest(out, example.HEAD, example.items("md5")[:1])  # type: ignore[arg-type]
        assert written.size_bytes
        raise OSError(28, "no space left on device")

    with pytest.raises(OSError, match="space"):
        held.write_new(b"ascmhl/" + example.NAME, fill)
    assert os.listdir(tmp_path / "ascmhl") == []


def test_name_that_is_taken_is_kept(held: HeldFolder, tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"another's")
    with pytest.raises(FileExistsError):
        held.write_new(b"a", lambda out: out.write(b"ours"))
    assert (tmp_path / "a").read_bytes() == b"another's"
    held.replace(b"b", b"1")
    held.replace(b"b", b"2")
    assert (tmp_path / "b").read_bytes() == b"2"


def test_links_and_pipes_are_neither_followed_nor_waited_on(
    held: HeldFolder, tmp_path: Path
) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("folder")
    (tmp_path / "file").write_bytes(b"x")
    (tmp_path / "to-file").symlink_to("file")
    os.mkfifo(tmp_path / "pipe")
    assert held.folders(b"") == [b"folder"]
    assert held.is_folder(b"folder")
    assert not held.is_folder(b"link")
    assert not held.is_folder(b"nothing")
    assert not held.is_folder(b"file/inner")
    assert set(held.names(b"")) == {b"folder", b"link", b"file", b"to-file", b"pipe"}
    for path in (b"to-file", b"pipe", b"folder", b"nothing"):
        with pytest.raises(OSError, match=r"."), held.open(path):
            pass
