"""What ought to have come: a collection or packing list against what lies on the drive."""

import os
from pathlib import Path

import pytest

from offload.errors import UsageError
from offload.jobs.verify_result import Answer, Verification
from offload.record.mhl.chain import chain_bytes
from offload.record.mhl.flatten import Flattening, collection_entries
from offload.record.mhl.model import Head, Process
from offload.record.mhl.write import write_manifest
from tests.jobs.verify_scene import Copies, flip
from tests.record.histories import Desk, operation
from tests.record.plain_folder import PlainFolder

ROLLS = {
    b"A001": {b"A001C001.mov": b"take 1", b"A001C002.mov": b"take 2"},
    b"A002": {b"A002C001.mov": b"take 3"},
}


@pytest.fixture
def delivery(tmp_path: Path) -> Path:
    """Two rolls, and a collection of their packing lists that was sent apart from them."""
    folder = tmp_path / "drive"
    desk = Desk(PlainFolder(folder))
    sent = PlainFolder(tmp_path / "sent")
    manifests = []
    for roll, files in ROLLS.items():
        desk.put({roll + b"/" + path: content for path, content in files.items()})
        desk.hash({roll: list(files)}, ["xxh64"])
        name = b"packinglist_" + roll + b".mhl"
        head = Head(operation().creator, Process.FLATTEN)
        custody = desk.custody(roll)
        written = sent.write_new(
            name,
            lambda out, head=head, custody=custody: write_manifest(  # type: ignore[misc]
                out, head, Flattening(custody)
            ),
        )
        manifests.append((name, written.c4))
    sent.put(b"ascmhl_collection.xml", chain_bytes(collection_entries(manifests)))
    os.sync()
    return folder


def verify(delivery: Path, name: str = "ascmhl_collection.xml") -> Verification:
    expect = os.fsencode(delivery.parent / "sent" / name)
    return Copies(delivery).verify(delivery, expect=expect)


def test_everything_that_was_sent_has_arrived(delivery: Path) -> None:
    found = verify(delivery)
    assert found.answer is Answer.AS_RECORDED
    assert [(each.manifest, each.files, each.has_arrived) for each in found.arrivals] == [
        (b"packinglist_A001.mhl", 2, True),
        (b"packinglist_A002.mhl", 1, True),
    ]


def test_card_that_never_arrived_is_named(delivery: Path) -> None:
    for path in sorted((delivery / "A002").rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    found = verify(delivery)
    assert found.reasons == ("not-arrived",)
    absent = [each.manifest for each in found.arrivals if each.is_absent]
    assert absent == [b"packinglist_A002.mhl"]


def test_file_that_came_damaged_has_not_arrived(delivery: Path) -> None:
    flip(delivery / "A001/A001C002.mov")
    found = verify(delivery)
    assert found.reasons == ("differs", "not-arrived")
    assert found.arrivals[0].missing == (b"A001/A001C002.mov",)


def test_renamed_files_without_history_have_arrived(delivery: Path) -> None:
    # Known by content, wherever they lie now.
    for number, clip in enumerate(sorted(delivery.rglob("*.mov"))):
        clip.rename(delivery / f"take-{number}.mov")
    (delivery / "list.md5").write_bytes(b"9dd4e461268c8034f5c8564e155c67a6  x\n")
    (delivery / "x").write_bytes(b"x")
    found = verify(delivery)
    assert all(each.has_arrived for each in found.arrivals)


def test_single_packing_list_can_be_expected(delivery: Path) -> None:
    found = verify(delivery, "packinglist_A002.mhl")
    assert [each.has_arrived for each in found.arrivals] == [True]


def test_changed_packing_list_says_so_and_hides_no_other(delivery: Path) -> None:
    flip(delivery.parent / "sent/packinglist_A001.mhl", 60)
    found = verify(delivery)
    assert [fault.code for each in found.arrivals for fault in each.faults] == ["manifest-changed"]
    assert found.arrivals[1].has_arrived
    assert found.reasons == ("not-arrived",)


@pytest.mark.parametrize("name", ["nothing.mhl", "../drive/A001/A001C001.mov"])
def test_what_is_no_packing_list_is_wrong_usage(delivery: Path, name: str) -> None:
    with pytest.raises(UsageError):
        verify(delivery, name)


def test_collection_on_the_drive_itself_is_checked(delivery: Path) -> None:
    for path in (delivery.parent / "sent").iterdir():
        path.rename(delivery / path.name)
    assert Copies(delivery).verify(delivery).answer is Answer.AS_RECORDED
    flip(delivery / "packinglist_A001.mhl", 60)
    assert "manifest-changed" in Copies(delivery).verify(delivery).reasons
