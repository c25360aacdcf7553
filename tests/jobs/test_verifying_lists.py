"""Deliveries with records of others: lists of stock tools, bags, histories of many hands."""

import os
import subprocess
from pathlib import Path

import bagit
import pytest

from offload.jobs.verify_result import Answer, FileState
from offload.record.find import RecordKind
from tests.jobs.verify_scene import Copies, flip, states, told

CLIPS = {
    "Clips/A001C001.mov": os.urandom(1_100_000),
    "Clips/A001C002.mov": b"take 2",
    "Sound/A001S01.wav": b"RIFF take",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, content in CLIPS.items():
        path = tmp_path / "A001" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return tmp_path


def listed(where: Path, tool: str, *options: str, into: str) -> None:
    """Have a stock tool list all clips."""
    done = subprocess.run([tool, *options, *CLIPS], cwd=where, capture_output=True, check=True)
    (where / into).write_bytes(done.stdout)
    os.sync()


def verify(folder: Path, **options: object):  # type: ignore[no-untyped-def]
    return Copies(folder).verify(folder, **options)


@pytest.mark.parametrize(
    ("tool", "options", "name"),
    [
        ("md5sum", [], "A001.md5"),
        ("md5sum", ["-b"], "A001.md5"),
        ("md5sum", ["--tag"], "md5sums"),
        ("sha1sum", [], "A001.sha1"),
        ("sha256sum", [], "SHA256SUMS"),
        ("sha512sum", [], "A001.sha512"),
        ("xxhsum", ["-H64"], "A001.xxh64"),
        ("xxhsum", ["-H128"], "A001.xxh128"),
        ("xxhsum", ["-H3", "--tag"], "A001.xxh3"),
    ],
)
def test_lists_of_stock_tools_are_verified(
    folder: Path, tool: str, options: list[str], name: str
) -> None:
    listed(folder / "A001", tool, *options, into=name)
    found = verify(folder)
    assert (found.answer, states(found)) == (Answer.AS_RECORDED, {"as-recorded": 3})
    flip(folder / "A001/Clips/A001C001.mov", 1_000_000)
    found = verify(folder)
    assert told(found) == {"A001/Clips/A001C001.mov": "differs"}
    assert found.reports[0].sayings[0].line == 1


def test_one_reading_serves_all_lists(folder: Path) -> None:
    for tool, options, name in (
        ("md5sum", [], "A001.md5"),
        ("sha256sum", [], "A001.sha256"),
        ("xxhsum", ["-H64"], "A001.xxh64"),
    ):
        listed(folder / "A001", tool, *options, into=name)
    found = verify(folder)
    assert found.answer is Answer.AS_RECORDED
    assert found.bytes_read == sum(map(len, CLIPS.values()))
    assert [(each.files, each.good) for each in found.coverage] == [(3, 3)] * 3


def test_one_list_that_differs_outweighs_the_others(folder: Path) -> None:
    listed(folder / "A001", "md5sum", into="A001.md5")
    listed(folder / "A001", "xxhsum", "-H64", into="A001.xxh64")
    sums = folder / "A001/A001.md5"
    sums.write_bytes(b"0" * 32 + sums.read_bytes()[32:])
    (report,) = verify(folder).reports
    assert [(each.algorithm, each.agrees) for each in report.sayings] == [
        ("md5", False),
        ("xxh64", True),
    ]


def test_list_that_leads_out_is_told_and_not_followed(folder: Path) -> None:
    # GNU's tools follow such names.
    listed(folder / "A001", "md5sum", into="A001.md5")
    (folder / "secret").write_bytes(b"x")
    with (folder / "A001/A001.md5").open("ab") as out:
        out.write(b"9dd4e461268c8034f5c8564e155c67a6  ../secret\n")
        out.write(b"9dd4e461268c8034f5c8564e155c67a6  /etc/passwd\n")
        out.write(b"not a line\n")
    found = verify(folder)
    assert found.reasons == ("list-path-unsafe", "list-line-unreadable")
    assert states(found) == {"as-recorded": 3, "not-recorded": 1}


def test_bag_is_valid(folder: Path) -> None:
    bagit.make_bag(str(folder / "A001"), checksums=["md5", "sha512"])
    os.sync()
    found = verify(folder)
    assert (found.answer, found.reasons) == (Answer.AS_RECORDED, ())
    (bag,) = found.coverage
    assert (bag.kind, bag.level) == (RecordKind.BAG, "valid")
    # The payload, and the tag files that the tag manifests list.
    assert found.good == len(CLIPS) + 4


@pytest.mark.parametrize(
    ("level", "reason"),
    [("not-valid", "differs"), ("incomplete", "missing"), ("incomplete", "bag-extra")],
)
def test_bag_with_a_fault_is_not_valid(folder: Path, level: str, reason: str) -> None:
    bagit.make_bag(str(folder / "A001"), checksums=["sha256"])
    clip = folder / "A001/data/Clips/A001C002.mov"
    if reason == "differs":
        flip(clip)
    elif reason == "missing":
        clip.unlink()
    else:
        clip.with_name("extra.mov").write_bytes(b"x")
    found = verify(folder)
    assert found.answer is Answer.DIFFERS
    assert reason in found.reasons
    assert found.coverage[0].level == level


def test_bag_whose_size_is_claimed_wrong_says_so_and_that_sums_are_right(folder: Path) -> None:
    # RFC 8493, section 2.2.2: Payload-Oxum is no checksum; both are told.
    bagit.make_bag(str(folder / "A001"), checksums=["sha256"])
    info = folder / "A001/bag-info.txt"
    info.write_text(info.read_text().replace("Payload-Oxum: ", "Payload-Oxum: 9"))
    (folder / "A001/tagmanifest-sha256.txt").unlink()
    found = verify(folder)
    assert found.reasons == ("bag-oxum",)
    assert states(found) == {"as-recorded": 3}


def test_names_with_line_feeds_are_verified_through_gnu_lists(tmp_path: Path) -> None:
    names = ["new\nline.mov", "back\\slash.mov", "cr\rret.mov"]
    for name in names:
        (tmp_path / name).write_bytes(name.encode())
    done = subprocess.run(["sha256sum", *names], cwd=tmp_path, capture_output=True, check=True)
    (tmp_path / "SHA256SUMS").write_bytes(done.stdout)
    found = verify(tmp_path)
    assert (found.answer, found.good) == (Answer.AS_RECORDED, 3)


def test_list_in_a_form_of_another_system_is_verified(folder: Path) -> None:
    listed(folder / "A001", "sha256sum", into="A001.sha256")
    sums = folder / "A001/A001.sha256"
    text = b"\xef\xbb\xbf" + sums.read_bytes().upper().replace(b"\n", b"\r\n")
    text = text.replace(b"CLIPS/A001C001.MOV", b"Clips/A001C001.mov")
    text = text.replace(b"CLIPS/A001C002.MOV", b"Clips/A001C002.mov")
    sums.write_bytes(text.replace(b"SOUND/A001S01.WAV", b"Sound/A001S01.wav"))
    assert verify(folder).answer is Answer.AS_RECORDED


def test_what_computers_leave_behind_is_no_addition(folder: Path) -> None:
    listed(folder / "A001", "md5sum", into="A001.md5")
    (folder / "A001/.DS_Store").write_bytes(b"x")
    (folder / "A001/Clips/._A001C001.mov").write_bytes(b"\x00\x05\x16\x07rest")
    found = verify(folder)
    assert states(found) == {"as-recorded": 3}
    assert found.count(FileState.LEFT_OUT) == 2


def test_recorded_companion_file_is_verified(folder: Path) -> None:
    # A list made on a desktop system names them like any other file.
    companion = folder / "A001/Clips/._A001C001.mov"
    companion.write_bytes(b"\x00\x05\x16\x07rest")
    done = subprocess.run(
        ["md5sum", "Clips/._A001C001.mov"], cwd=folder / "A001", capture_output=True, check=True
    )
    (folder / "A001/A001.md5").write_bytes(done.stdout)
    assert verify(folder).good == 1
    companion.unlink()
    assert verify(folder).reasons == ("missing",)


def test_unrecorded_files_are_read_only_where_a_missing_one_may_be_among_them(
    folder: Path,
) -> None:
    listed(folder / "A001", "md5sum", into="A001.md5")
    (folder / "other.bin").write_bytes(bytes(500_000))
    assert verify(folder).bytes_read == sum(map(len, CLIPS.values()))
    (folder / "A001/Clips/A001C002.mov").rename(folder / "A001/Clips/take.mov")
    found = verify(folder)
    assert told(found) == {"A001/Clips/take.mov": "renamed"}
    assert found.bytes_read == sum(map(len, CLIPS.values())) + 500_000


def test_links_are_listed_as_not_covered(folder: Path) -> None:
    listed(folder / "A001", "md5sum", into="A001.md5")
    (folder / "A001/link").symlink_to("Clips/A001C001.mov")
    found = verify(folder)
    assert found.answer is Answer.AS_RECORDED
    assert ("not-a-file", b"A001/link") in {(each.code, each.path) for each in found.notices}
