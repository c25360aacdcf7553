"""A copy of our own making against its record: whole, damaged, half-done, renamed."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from offload.errors import DriveError, UsageError
from offload.events import Event, Found, StepStarted
from offload.jobs.verify_result import Answer, ClearanceState, FileState, SignatureState
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.record.find import RecordKind
from offload.values.facts import ReadBack
from tests.jobs.verify_scene import CLIPS, TRUSTED, Copies, flip, states, told
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import EXFAT, EXT4, Rack

pytestmark = pytest.mark.lab


def test_whole_copy_is_as_recorded(copies: Copies) -> None:
    found = copies.verify()
    assert (found.answer, found.reasons) == (Answer.AS_RECORDED, ())
    assert states(found) == {"as-recorded": len(CLIPS)}
    assert found.read_back is ReadBack.DEVICE
    assert {each.state for each in found.signatures} == {SignatureState.GOOD}
    assert [each.state for each in found.clearances] == [ClearanceState.PROVES_THIS_COPY]
    assert found.clearances[0].drives == ("shuttle-1", "shuttle-2")
    covered = {each.kind: (each.files, each.good) for each in found.coverage}
    assert covered == {
        RecordKind.HISTORY: (len(CLIPS), len(CLIPS)),
        RecordKind.LIST: (len(CLIPS), len(CLIPS)),
    }
    assert found.bytes_read == sum(map(len, CLIPS.values()))


def test_roll_itself_is_verified_with_the_record_beside_it(copies: Copies) -> None:
    (copies.drive / "B002").mkdir()
    (copies.drive / "B002" / "B002C001.mov").write_bytes(b"another roll")
    found = copies.verify(copies.roll)
    assert found.answer is Answer.AS_RECORDED
    assert states(found) == {"as-recorded": len(CLIPS)}
    assert {each.state for each in found.signatures} == {SignatureState.GOOD}
    assert len(found.clearances) == 1


def test_link_to_a_roll_is_the_roll(copies: Copies, tmp_path: Path) -> None:
    link = tmp_path / "today"
    link.symlink_to(copies.roll)
    found = copies.verify(link)
    assert found.answer is Answer.AS_RECORDED
    assert len(found.clearances) == 1
    assert found.folder == os.fsencode(link)


def test_changed_file_differs_and_it_is_said_from_what(copies: Copies) -> None:
    clip = copies.roll / "Clips/A001C001.mov"
    flip(clip, 700_000)
    found = copies.verify()
    assert (found.answer, found.reasons) == (Answer.DIFFERS, ("differs",))
    assert states(found) == {"as-recorded": len(CLIPS) - 1, "differs": 1}
    (report,) = found.reports
    assert report.path == b"A001/Clips/A001C001.mov"
    by_algorithm = {saying.algorithm: saying for saying in report.sayings}
    assert set(by_algorithm) == {"xxh128", "c4", "sha512"}
    said = by_algorithm["c4"]
    assert (said.generation, said.kind, said.agrees) == (1, RecordKind.HISTORY, False)
    assert said.said_at is not None and said.by == os.uname().nodename
    assert said.recorded.startswith("c4") and said.found != said.recorded
    assert [each.state for each in found.clearances] == [ClearanceState.COPY_DIFFERS]
    assert any(
        isinstance(event, Found) and event.finding.code == "differs" for event in copies.events
    )


def test_same_size_change_of_every_file_is_found(copies: Copies) -> None:
    for name, content in CLIPS.items():
        if content:
            flip(copies.roll / name, len(content) - 1, 0x80)
    assert states(copies.verify()) == {"as-recorded": 1, "differs": len(CLIPS) - 1}


def test_missing_file_is_missing(copies: Copies) -> None:
    (copies.roll / "Clips/A001C002.mov").unlink()
    found = copies.verify()
    assert found.reasons == ("missing",)
    assert told(found) == {"A001/Clips/A001C002.mov": "missing"}
    assert found.missing == (b"A001/Clips/A001C002.mov",)


def test_renamed_file_is_found_by_content(copies: Copies) -> None:
    (copies.roll / "Clips/A001C002.mov").rename(copies.roll / "take-2.mov")
    found = copies.verify()
    assert found.reasons == ("renamed",)
    (report,) = found.reports
    assert (report.path, report.recorded_as) == (b"A001/take-2.mov", b"A001/Clips/A001C002.mov")
    assert found.missing == ()


def test_empty_file_is_never_taken_for_a_renamed_one(copies: Copies) -> None:
    (copies.roll / "empty.txt").unlink()
    (copies.roll / "other.txt").touch()
    found = copies.verify()
    assert found.reasons == ("missing",)
    assert states(found)["not-recorded"] == 1


def test_added_file_is_told_and_is_no_difference(copies: Copies) -> None:
    (copies.roll / "notes.txt").write_bytes(b"scene 12")
    found = copies.verify()
    assert found.answer is Answer.AS_RECORDED
    assert states(found)["not-recorded"] == 1


def test_other_letter_case_is_said_and_is_no_loss(copies: Copies) -> None:
    # Field knowledge: short names on FAT are shown in other capitals by other mounts.
    clips = copies.roll / "Clips"
    for clip in list(clips.iterdir()):
        clip.rename(clip.with_name(clip.name.lower()))
    found = copies.verify()
    assert found.answer is Answer.AS_RECORDED
    assert states(found) == {"as-recorded": 1, "shown-otherwise": len(CLIPS) - 1}
    report = found.reports[0]
    assert report.recorded_as == b"A001/Clips/A001C001.mov"


def test_other_letter_case_with_other_content_differs(copies: Copies) -> None:
    clip = copies.roll / "Clips/A001C001.mov"
    clip.rename(clip.with_name("a001c001.mov"))
    flip(clip.with_name("a001c001.mov"), 9)
    found = copies.verify()
    assert told(found) == {"A001/Clips/a001c001.mov": "differs"}


def test_two_names_that_differ_in_case_only_are_two_files(copies: Copies) -> None:
    clip = copies.roll / "Clips/A001C001.mov"
    clip.with_name("a001c001.MOV").write_bytes(b"another")
    found = copies.verify()
    assert found.answer is Answer.AS_RECORDED
    assert states(found) == {"as-recorded": len(CLIPS), "not-recorded": 1}
    clip.rename(clip.with_name("A001c001.mov"))
    # Now two names answer to the recorded one: neither is taken for it by its letters.
    found = copies.verify()
    assert told(found) == {"A001/Clips/A001c001.mov": "renamed"}


def test_accent_in_another_form_is_no_loss(tmp_path: Path) -> None:
    made = Copies.make(tmp_path, {"Caf\u00e9.mov": b"one", "b.mov": b"two"})
    (made.roll / "Caf\u00e9.mov").rename(made.roll / "Cafe\u0301.mov")
    found = made.verify()
    assert found.answer is Answer.AS_RECORDED
    assert states(found) == {"as-recorded": 1, "shown-otherwise": 1}


def test_link_in_place_of_a_file_is_not_followed(copies: Copies) -> None:
    clip = copies.roll / "Clips/A001C001.mov"
    clip.rename(copies.folder / "elsewhere.mov")
    clip.symlink_to(copies.folder / "elsewhere.mov")
    found = copies.verify()
    assert told(found) == {"A001/Clips/A001C001.mov": "missing"}
    assert "a link stands in its place" in found.reports[0].why


def test_half_done_folders_are_told(copies: Copies) -> None:
    (copies.drive / "A002.incomplete/Clips").mkdir(parents=True)
    (copies.drive / "A002.incomplete/Clips/A002C001.mov").write_bytes(b"half")
    (copies.drive / "A003.partial").mkdir()
    found = copies.verify()
    assert found.answer is Answer.DIFFERS
    assert [(each.code, each.path) for each in found.half_done] == [
        ("incomplete", b"A002.incomplete"),
        ("partial", b"A003.partial"),
    ]
    assert found.reasons == ("incomplete", "partial")
    assert copies.verify(copies.roll).answer is Answer.AS_RECORDED


def test_partial_copy_is_verified_by_its_history(copies: Copies) -> None:
    copies.roll.rename(copies.drive / "A001.partial")
    for folder in (copies.drive, copies.drive / "A001.partial"):
        found = copies.verify(folder)
        assert found.reasons == ("partial",)
        assert found.good == len(CLIPS)
        # The lists beside it name the files by the roll's final name.
        assert "list-before-its-roll" in {each.code for each in found.notices}


def test_folder_without_any_record_gives_no_answer(tmp_path: Path) -> None:
    (tmp_path / "clip.mov").write_bytes(b"x")
    found = Copies(tmp_path).verify(tmp_path)
    assert found.answer is Answer.NOTHING_VERIFIED
    assert found.answer.exit_code == 3


@pytest.mark.parametrize("named", ["records/A001", "records"])
def test_record_named_for_the_roll_gets_the_right_command(copies: Copies, named: str) -> None:
    with pytest.raises(UsageError) as caught:
        copies.verify(copies.drive / named)
    right = copies.roll if named.endswith("A001") else copies.drive
    assert caught.value.remedy == f"offload verify {right}"


def test_folder_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(DriveError) as caught:
        Copies(tmp_path).verify(tmp_path / "nowhere")
    assert caught.value.exit_code == 3


def test_file_recorded_and_not_allowed_to_be_read_hides_no_other(copies: Copies) -> None:
    clip = copies.roll / "Clips/A001C001.mov"
    clip.unlink()
    os.mkfifo(clip)
    found = copies.verify()
    assert told(found) == {"A001/Clips/A001C001.mov": "missing"}
    assert found.good == len(CLIPS) - 1


def test_hostile_names_are_verified(tmp_path: Path) -> None:
    files = {"a\nb.mov": b"1", "[bold]\x1b[31m.mov": b"2", " trailing ": b"3", "-n": b"4"}
    made = Copies.make(tmp_path, files)
    found = made.verify()
    assert found.answer is Answer.AS_RECORDED
    assert found.good == len(files)


@pytest.fixture
def volume_copy(rack: Rack, master: Copies, request: pytest.FixtureRequest) -> Iterator[Path]:
    """The drive's content on a file system of its own."""
    volume = rack.volume(request.param)
    shutil.copytree(master.drive, volume.root, dirs_exist_ok=True)
    volume.sync()
    request.node.volume = volume
    yield volume.root


@pytest.mark.parametrize("volume_copy", [EXT4, EXFAT], indirect=True, ids=lambda fs: fs.name)
def test_damage_behind_the_cache_is_seen(volume_copy: Path, request: pytest.FixtureRequest) -> None:
    # Everything was just written and lies in the machine's memory; the device differs.
    copies = Copies(volume_copy)
    clip = volume_copy / "A001/Clips/A001C001.mov"
    assert copies.verify(volume_copy).answer is Answer.AS_RECORDED
    request.node.volume.flip(clip, 4096)
    found = copies.verify(volume_copy)
    assert told(found) == {"A001/Clips/A001C001.mov": "differs"}


def test_what_may_come_from_memory_is_not_called_as_recorded(master: Copies, rack: Rack) -> None:
    root = rack.tmpfs("memory", 64 << 20)
    shutil.copytree(master.drive, root, dirs_exist_ok=True)
    found = Copies(root).verify(root, signers=TRUSTED)
    assert found.read_back is ReadBack.CACHED
    assert found.answer is Answer.DIFFERS
    assert found.reasons == ("cached",)
    assert found.count(FileState.AS_RECORDED) == 0


@pytest.mark.parametrize("at", [0, 1 << 20])
def test_drive_that_fails_half_way_still_tells_of_all_others(
    master: Copies, faulty_disk: Callable[..., FaultFs], at: int
) -> None:
    drive = faulty_disk("drive")
    shutil.copytree(master.drive, drive.root, dirs_exist_ok=True)
    drive.plan(Fault("read", errno="EIO", path=r".*A001C001\.mov", at=at, count=0))
    found = Copies(drive.root).verify(drive.root)
    assert told(found) == {"A001/Clips/A001C001.mov": "unreadable"}
    assert "EIO" in found.reports[0].why
    assert "unreadable" in found.reasons
    assert found.count(FileState.AS_RECORDED, FileState.CACHED) == len(CLIPS) - 1


def test_drive_of_which_no_file_can_be_read_gives_no_answer(
    master: Copies, faulty_disk: Callable[..., FaultFs]
) -> None:
    drive = faulty_disk("drive")
    shutil.copytree(master.drive, drive.root, dirs_exist_ok=True)
    drive.plan(Fault("open", errno="EIO", path=r".*/(Clips/.*|empty\.txt)", count=0))
    found = Copies(drive.root).verify(drive.root)
    assert (found.answer, found.count(FileState.UNREADABLE)) == (
        Answer.NOTHING_VERIFIED,
        len(CLIPS),
    )


def test_folder_that_cannot_be_listed_is_told_and_hides_no_other(
    master: Copies, faulty_disk: Callable[..., FaultFs]
) -> None:
    drive = faulty_disk("drive")
    shutil.copytree(master.drive, drive.root, dirs_exist_ok=True)
    drive.plan(Fault("readdir", errno="EIO", path="A001/Clips", count=0))
    found = Copies(drive.root).verify(drive.root)
    assert {"folder-unreadable", "missing"} <= set(found.reasons)
    assert found.count(FileState.AS_RECORDED, FileState.CACHED) == 1


@pytest.mark.parametrize("step", ["listing", "reading"])
def test_drive_that_vanishes_gives_no_answer_and_no_traceback(
    master: Copies, faulty_disk: Callable[..., FaultFs], step: str
) -> None:
    drive = faulty_disk("drive")
    shutil.copytree(master.drive, drive.root, dirs_exist_ok=True)

    def pull(event: Event) -> None:
        if event == StepStarted(step):
            drive.vanish()

    wish = VerifyWish(os.fsencode(drive.root))
    try:
        found = verify_folder(wish, VerifyTools(TRUSTED, sink=pull))
    except DriveError as error:
        assert error.exit_code == 3
    else:
        assert found.answer is Answer.NOTHING_VERIFIED
        assert found.good == 0


def test_no_descriptor_is_left_open(copies: Copies, tmp_path: Path) -> None:
    before = len(os.listdir("/proc/self/fd"))
    copies.verify()
    copies.verify(copies.roll)
    with pytest.raises(DriveError):
        copies.verify(tmp_path / "nowhere")
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.parametrize("is_whole_drive", [True, False], ids=["drive", "roll"])
def test_mount_that_shows_names_in_lower_case_loses_nothing(
    master: Copies, faulty_disk: Callable[..., FaultFs], is_whole_drive: bool
) -> None:
    drive = faulty_disk("drive", Quirks(fold_case=True, lower_listing=True))
    shutil.copytree(master.drive, drive.root, dirs_exist_ok=True)
    found = Copies(drive.root).verify(drive.root if is_whole_drive else drive.root / "A001")
    read = {FileState.SHOWN_OTHERWISE, FileState.AS_RECORDED, FileState.CACHED}
    assert set(found.counts) - read == {FileState.RECORD}
    assert found.recorded == len(CLIPS)
    assert set(found.reasons) <= {"cached"}
