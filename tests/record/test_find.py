"""Finding every record below a folder, and what each is about.

Histories lie in a folder ``ascmhl`` directly in their scope: ASC MHL 1.0, section 5.3.1.
"""

import os
from pathlib import Path

import pytest

from offload.checksum import digest_of
from offload.record.find import FoundRecord, RecordKind, find_records
from tests.record import example
from tests.record.plain_folder import PlainFolder

LINE = digest_of("md5", b"x").hex().encode() + b"  Clips/a.mov\n"


@pytest.fixture
def folder(tmp_path: Path) -> PlainFolder:
    folder = PlainFolder(tmp_path)
    folder.put(b"day/A001/Clips/a.mov", b"x")
    return folder


def found(folder: PlainFolder, top: bytes = b"") -> list[tuple[RecordKind, bytes, bytes]]:
    return [(each.kind, each.path, each.scope) for each in find_records(folder, top).records]


def test_every_kind_is_found(folder: PlainFolder) -> None:
    folder.put(b"day/A001/ascmhl/" + example.NAME, example.MANIFEST)
    folder.put(b"day/A001/ascmhl/ascmhl_chain.xml", example.CHAIN)
    folder.put(b"day/packinglist_A001.mhl", example.MANIFEST)
    folder.put(b"day/ascmhl_collection.xml", example.CHAIN)
    folder.put(b"day/A001/A001.md5", LINE)
    folder.put(b"bag/bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    folder.put(b"bag/data/SHA256SUMS", b"")
    assert found(folder) == [
        (RecordKind.BAG, b"bag", b"bag"),
        (RecordKind.LIST, b"bag/data/SHA256SUMS", b"bag/data"),
        (RecordKind.LIST, b"day/A001/A001.md5", b"day/A001"),
        (RecordKind.HISTORY, b"day/A001/ascmhl", b"day/A001"),
        (RecordKind.COLLECTION, b"day/ascmhl_collection.xml", b"day"),
        (RecordKind.MANIFEST, b"day/packinglist_A001.mhl", b"day"),
    ]
    # Once one of its files is there, it is known what the packing list is about.
    folder.put(b"day/A001/Clips/A001C002.mov", b"def\n")
    assert found(folder)[5] == (RecordKind.MANIFEST, b"day/packinglist_A001.mhl", b"day/A001")
    finds = find_records(folder)
    assert (finds.faults, finds.notices) == ((), ())
    (history,) = finds.of_kind(RecordKind.HISTORY)
    assert history == FoundRecord(RecordKind.HISTORY, b"day/A001/ascmhl", b"day/A001")
    assert found(folder, b"day/A001") == found(folder)[2:4]


def test_our_records_folder_is_about_the_roll_beside_it(folder: PlainFolder) -> None:
    folder.put(b"day/records/A001/A001.xxh128", LINE)
    folder.put(b"day/records/A009/A009.xxh128", LINE)
    assert found(folder) == [
        (RecordKind.LIST, b"day/records/A001/A001.xxh128", b"day/A001"),
        (RecordKind.LIST, b"day/records/A009/A009.xxh128", b"day/records/A009"),
    ]


def test_list_in_a_subfolder_is_about_the_folder_where_its_files_are(folder: PlainFolder) -> None:
    folder.put(b"day/A001/reports/sums/list.md5", LINE)
    folder.put(b"day/A001/reports/other.md5", LINE.replace(b"a.mov", b"gone.mov"))
    assert found(folder) == [
        (RecordKind.LIST, b"day/A001/reports/other.md5", b"day/A001/reports"),
        (RecordKind.LIST, b"day/A001/reports/sums/list.md5", b"day/A001"),
    ]
    # Never further up than where the search began.
    assert found(folder, b"day/A001/reports")[1][2] == b"day/A001/reports/sums"


def test_list_beside_a_folder_is_about_the_one_it_names(folder: PlainFolder) -> None:
    folder.put(b"day/A000/Clips/a.mov", b"x")
    folder.put(b"day/A001.md5", LINE)
    assert found(folder) == [(RecordKind.LIST, b"day/A001.md5", b"day/A001")]


def test_list_whose_files_are_all_gone_keeps_its_own_folder(folder: PlainFolder) -> None:
    folder.put(b"day/A002/list.md5", LINE.replace(b"a.mov", b"b.mov"))
    assert found(folder) == [(RecordKind.LIST, b"day/A002/list.md5", b"day/A002")]


def test_folder_called_ascmhl_that_is_no_history_is_told(folder: PlainFolder) -> None:
    folder.put(b"day/A001/ascmhl/footage.mov", b"x")
    finds = find_records(folder)
    assert finds.records == ()
    assert [(each.code, each.path) for each in finds.notices] == [
        ("ascmhl-without-history", b"day/A001/ascmhl")
    ]


def test_history_without_its_chain_is_found(folder: PlainFolder) -> None:
    folder.put(b"day/A001/ascmhl/" + example.NAME, example.MANIFEST)
    assert found(folder) == [(RecordKind.HISTORY, b"day/A001/ascmhl", b"day/A001")]


def test_folder_that_cannot_be_listed_hides_no_other(folder: PlainFolder) -> None:
    class Partly(PlainFolder):
        def names(self, path: bytes) -> list[bytes]:
            if path == b"day/A001":
                raise PermissionError(13, "permission denied")
            return super().names(path)

    folder.put(b"day/A002/list.md5", LINE)
    folder.put(b"day/A001/list.md5", LINE)
    finds = find_records(Partly(folder.path))
    assert [each.path for each in finds.records] == [b"day/A002/list.md5"]
    assert finds.records[0].scope == b"day/A002"
    assert [(each.code, each.path) for each in finds.faults] == [("folder-unreadable", b"day/A001")]
    assert "EACCES" in finds.faults[0].text


def test_list_that_cannot_be_read_is_still_found(folder: PlainFolder) -> None:
    class Partly(PlainFolder):
        def open(self, path: bytes):  # type: ignore[no-untyped-def]
            raise OSError(5, "input/output error")

    folder.put(b"day/A001/list.md5", LINE)
    assert found(Partly(folder.path)) == [(RecordKind.LIST, b"day/A001/list.md5", b"day/A001")]


def test_links_are_not_followed(folder: PlainFolder) -> None:
    folder.put(b"elsewhere/ascmhl/ascmhl_chain.xml", example.CHAIN)
    os.symlink(b"../../elsewhere", folder.path + b"/day/A001/link")
    os.symlink(b"../..", folder.path + b"/day/A001/loop")
    assert found(folder) == [(RecordKind.HISTORY, b"elsewhere/ascmhl", b"elsewhere")]


def test_odd_names_are_found(folder: PlainFolder) -> None:
    folder.put(b"day/\xff\n/list.md5", b"")
    assert found(folder) == [(RecordKind.LIST, b"day/\xff\n/list.md5", b"day/\xff\n")]
