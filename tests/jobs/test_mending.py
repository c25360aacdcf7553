"""A damaged copy put right from a good one: what is put back, what is refused, what is kept."""

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.errors import BusyError, UsageError
from offload.jobs.lease import Lock
from offload.jobs.mend_result import MendAnswer, Mending
from offload.jobs.mending import MendWish, mend_folder
from offload.jobs.tools import StoppedError
from offload.jobs.verify_result import Answer
from offload.jobs.verifying import Appending, VerifyTools
from offload.record.mhl.history import load_history
from offload.record.mhl.model import Action
from offload.record.signers import Signers
from offload.storage.root import Root
from tests.jobs.scene import tree
from tests.jobs.verify_scene import CLIPS, POST, STATION, Copies, flip, known, told
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import EXFAT, EXT4, FileSystem, Rack
from tests.record.plain_folder import PlainFolder
from tests.record.validity import assert_valid_below

pytestmark = pytest.mark.lab

BOTH = known(("station", STATION), ("post", POST))
CLIP = "Clips/A001C001.mov"


def mend(
    folder: Path,
    source: Path,
    *,
    signers: Signers = BOTH,
    is_stopped: Callable[[], bool] = lambda: False,
) -> Mending:
    wish = MendWish(
        os.fsencode(folder),
        os.fsencode(source),
        Appending(POST, "post", ("xxh128", "c4")),
    )
    return mend_folder(wish, VerifyTools(signers, is_stopped=is_stopped))


def untouched(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Everything below a folder with its content and change time."""
    return {
        str(path.relative_to(folder)): (path.read_bytes(), path.stat().st_ctime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_damaged_and_missing_files_are_put_back(copies: Copies) -> None:
    flip(copies.roll / CLIP, 900_000)
    damaged = (copies.roll / CLIP).read_bytes()
    (copies.roll / "Clips/A001C002.mov").unlink()
    before = untouched(copies.other)
    found = mend(copies.drive, copies.other)
    assert (found.answer, found.exit_code) == (MendAnswer.MENDED, 0)
    assert [(each.path, each.kept_aside) for each in found.mended] == [
        (b"A001/Clips/A001C001.mov", b"A001.damaged/Clips/A001C001.mov"),
        (b"A001/Clips/A001C002.mov", b""),
    ]
    assert {name: tree(copies.roll)[name] for name in CLIPS} == CLIPS
    assert (copies.drive / "A001.damaged" / CLIP).read_bytes() == damaged
    assert untouched(copies.other) == before
    assert not list(copies.drive.rglob(".new-*"))


def test_result_is_verified_and_appended(copies: Copies) -> None:
    flip(copies.roll / CLIP)
    found = mend(copies.drive, copies.other)
    after = found.after
    assert after is not None and after.answer is Answer.AS_RECORDED
    (added,) = after.appended
    assert (added.number, added.verified, added.failed) == (2, len(CLIPS), 0)
    history = load_history(PlainFolder(copies.roll))
    lookup = history.lookup(os.fsencode(CLIP))
    assert lookup is not None
    assert {each.algorithm: each.action for each in lookup.newest.hashes} == {
        "c4": Action.VERIFIED,
        "xxh128": Action.VERIFIED,
    }
    assert assert_valid_below(copies.drive) == 3
    assert "mended from shuttle-2" in history.generations[1].head.creator.comment
    assert history.newest_root == history.generations[0].head.root
    again = copies.verify(signers=BOTH)
    assert (again.answer, again.reasons) == (Answer.AS_RECORDED, ())
    assert [each.code for each in again.half_done] == ["kept-aside"]


def test_only_what_was_put_back_is_read_a_second_time(copies: Copies) -> None:
    (copies.roll / "Clips/A001C002.mov").unlink()
    tools = VerifyTools(BOTH)
    wish = MendWish(
        os.fsencode(copies.drive),
        os.fsencode(copies.other),
        Appending(POST, "post", ("xxh128", "c4")),
    )
    assert mend_folder(wish, tools).exit_code == 0
    (lane,) = tools.progress.proving.drives.values()
    assert lane.total_bytes == len(CLIPS["Clips/A001C002.mov"])


def test_modification_time_is_the_good_copys(copies: Copies) -> None:
    flip(copies.roll / CLIP)
    mend(copies.drive, copies.other)
    assert (copies.roll / CLIP).stat().st_mtime == (copies.other / "A001" / CLIP).stat().st_mtime


def test_rolls_can_be_named_instead_of_drives(copies: Copies) -> None:
    flip(copies.roll / CLIP)
    found = mend(copies.roll, copies.other / "A001")
    assert found.answer is MendAnswer.MENDED
    assert (copies.drive / "A001.damaged" / CLIP).exists()


def test_good_content_under_another_name_is_found(copies: Copies, tmp_path: Path) -> None:
    # A copy of other making: other folder, other name, its own list.
    backup = tmp_path / "backup"
    (backup / "x").mkdir(parents=True)
    shutil.copy2(copies.roll / CLIP, backup / "x/first take.mov")
    sums = subprocess.run(
        ["sha512sum", "x/first take.mov"], cwd=backup, capture_output=True, check=True
    )
    (backup / "backup.sha512").write_bytes(sums.stdout)
    flip(copies.roll / CLIP)
    assert mend(copies.drive, backup).answer is MendAnswer.MENDED
    assert (copies.roll / CLIP).read_bytes() == CLIPS[CLIP]


def test_whole_copy_needs_no_mending(copies: Copies) -> None:
    before = untouched(copies.drive)
    found = mend(copies.drive, copies.other)
    assert (found.answer, found.exit_code) == (MendAnswer.NOTHING_TO_MEND, 0)
    assert untouched(copies.drive) == before


def test_both_damaged_is_refused_and_each_good_copy_named(copies: Copies) -> None:
    flip(copies.roll / CLIP)
    (copies.roll / "Clips/A001C003.mov").unlink()
    flip(copies.other / "A001/Clips/A001C003.mov")
    (copies.other / "A001/Clips/A001C002.mov").unlink()
    os.sync()
    before = untouched(copies.drive)
    found = mend(copies.drive, copies.other)
    assert (found.answer, found.exit_code) == (MendAnswer.REFUSED, 1)
    assert "does not verify" in found.why_not
    assert {each.path: (each.in_copy, each.in_other) for each in found.good_in} == {
        b"A001/Clips/A001C001.mov": (False, True),
        b"A001/Clips/A001C003.mov": (False, False),
        b"A001/Clips/A001C002.mov": (True, False),
    }
    assert untouched(copies.drive) == before


def test_other_copy_whose_record_was_changed_is_refused(copies: Copies) -> None:
    flip(copies.roll / CLIP)
    chain = copies.other / "A001/ascmhl/ascmhl_chain.xml"
    chain.write_bytes(chain.read_bytes().replace(b"?>\n", b"?>\n\n", 1))
    found = mend(copies.drive, copies.other)
    assert found.answer is MendAnswer.REFUSED
    assert "record of the other copy" in found.why_not


def test_copy_whose_own_record_is_broken_is_refused(copies: Copies) -> None:
    # It could be made to say that the other copy's damage is good.
    flip(copies.roll / CLIP)
    flip(copies.manifest, 500)
    found = mend(copies.drive, copies.other)
    assert found.answer is MendAnswer.REFUSED
    assert "record of this copy" in found.why_not


def test_other_card_of_the_same_names_mends_nothing(copies: Copies, tmp_path: Path) -> None:
    folder = tmp_path / "twin"
    folder.mkdir()
    twin = Copies.make(folder, {name: os.urandom(50) for name in CLIPS})
    flip(copies.roll / CLIP)
    found = mend(copies.drive, twin.drive)
    assert found.answer is MendAnswer.REFUSED
    assert "none of the files" in found.why_not


def test_what_the_other_copy_lacks_is_told(copies: Copies, tmp_path: Path) -> None:
    backup = tmp_path / "backup"
    backup.mkdir()
    shutil.copy2(copies.roll / CLIP, backup / "a.mov")
    sums = subprocess.run(["sha512sum", "a.mov"], cwd=backup, capture_output=True, check=True)
    (backup / "backup.sha512").write_bytes(sums.stdout)
    flip(copies.roll / CLIP)
    flip(copies.roll / "Clips/A001C002.mov")
    found = mend(copies.drive, backup)
    assert (found.answer, found.exit_code) == (MendAnswer.PARTLY, 1)
    assert [(each.code, each.path) for each in found.failed] == [
        ("not-in-other", b"A001/Clips/A001C002.mov")
    ]
    assert (copies.roll / CLIP).read_bytes() == CLIPS[CLIP]


def test_second_damage_of_one_file_keeps_both(copies: Copies) -> None:
    for _ in range(2):
        flip(copies.roll / CLIP, 5)
        assert mend(copies.drive, copies.other).answer is MendAnswer.MENDED
    kept = sorted(path.name for path in (copies.drive / "A001.damaged/Clips").iterdir())
    assert kept == ["A001C001.mov", "A001C001.mov-2"]
    assert copies.verify(signers=BOTH).answer is Answer.AS_RECORDED


def test_history_at_the_top_of_a_volume_keeps_damage_in_a_folder_left_out(
    master: Copies, rack: Rack
) -> None:
    volumes = [rack.volume(EXT4, name=name) for name in ("a", "b")]
    for volume in volumes:
        (volume.root / "lost+found").rmdir()
        shutil.copytree(master.roll, volume.root, dirs_exist_ok=True)
        volume.sync()
    first, second = (volume.root for volume in volumes)
    flip(first / CLIP)
    assert mend(first, second).answer is MendAnswer.MENDED
    assert (first / "replaced.damaged" / CLIP).exists()
    history = load_history(PlainFolder(first))
    assert history.ignores(b"replaced.damaged/Clips/A001C001.mov")
    assert history.newest_root == history.generations[0].head.root
    assert Copies(first).verify(first, signers=BOTH).answer is Answer.AS_RECORDED


@pytest.mark.parametrize("fs", [EXT4, EXFAT], ids=lambda fs: fs.name)
def test_damage_on_the_device_is_mended(master: Copies, rack: Rack, fs: FileSystem) -> None:
    volumes = [rack.volume(fs, name=name) for name in ("a", "b")]
    for volume in volumes:
        shutil.copytree(master.drive, volume.root, dirs_exist_ok=True)
        volume.sync()
    first, second = volumes
    first.flip(first.root / "A001" / CLIP, 4096)
    found = mend(first.root, second.root)
    assert found.answer is MendAnswer.MENDED
    first.remount()
    assert (first.root / "A001" / CLIP).read_bytes() == CLIPS[CLIP]


def test_read_only_drive_is_refused(master: Copies, rack: Rack, copies: Copies) -> None:
    volume = rack.volume(EXT4)
    shutil.copytree(master.drive, volume.root, dirs_exist_ok=True)
    flip(volume.root / "A001" / CLIP)
    volume.remount(read_only=True)
    found = mend(volume.root, copies.other)
    assert found.answer is MendAnswer.REFUSED
    assert "read-only" in found.why_not


def test_full_drive_keeps_the_damaged_file_in_its_place(
    master: Copies, rack: Rack, copies: Copies
) -> None:
    volume = rack.volume(EXT4)
    shutil.copytree(master.drive, volume.root, dirs_exist_ok=True)
    flip(volume.root / "A001" / CLIP)
    with (volume.root / "filler").open("wb") as out:
        try:
            while True:
                out.write(bytes(1 << 16))
                out.flush()
        except OSError:
            pass
    os.sync()
    found = mend(volume.root, copies.other)
    assert found.answer is MendAnswer.REFUSED
    assert "ENOSPC" in found.failed[0].text
    assert not list(volume.root.rglob(".new-*"))
    assert (volume.root / "A001" / CLIP).read_bytes() != CLIPS[CLIP]
    assert not (volume.root / "A001.damaged").exists()


def test_drive_that_does_not_keep_what_is_written_is_told(
    master: Copies, copies: Copies, faulty_disk: Callable[..., FaultFs]
) -> None:
    drive = faulty_disk("drive")
    shutil.copytree(master.drive, drive.root, dirs_exist_ok=True)
    flip(drive.root / "A001" / CLIP)
    drive.plan(Fault("write", "drop", path=r".*\.new-.*", count=0))
    found = mend(drive.root, copies.other)
    assert found.answer is MendAnswer.REFUSED
    assert "read back" in found.failed[0].text
    damaged = (drive.root / "A001" / CLIP).read_bytes()
    assert damaged != CLIPS[CLIP]


def test_unreadable_file_is_put_back(
    master: Copies, copies: Copies, faulty_disk: Callable[..., FaultFs]
) -> None:
    drive = faulty_disk("drive")
    shutil.copytree(master.drive, drive.root, dirs_exist_ok=True)
    drive.plan(Fault("read", errno="EIO", path=r"A001/Clips/A001C001\.mov", count=0))
    found = mend(drive.root, copies.other)
    assert [each.path for each in found.mended] == [b"A001/Clips/A001C001.mov"]
    drive.plan()
    assert (drive.root / "A001" / CLIP).read_bytes() == CLIPS[CLIP]


def test_something_that_is_no_file_is_left_in_its_place(copies: Copies) -> None:
    (copies.roll / CLIP).unlink()
    (copies.roll / CLIP).symlink_to("/etc/passwd")
    found = mend(copies.drive, copies.other)
    assert found.answer is MendAnswer.REFUSED
    assert "no file stands in its place" in found.failed[0].text
    assert (copies.roll / CLIP).is_symlink()


def test_leftover_of_a_killed_mending_is_passed_over_and_replaced(copies: Copies) -> None:
    flip(copies.roll / CLIP)
    left = copies.roll / "Clips/.new-A001C001_mov"
    left.write_bytes(b"half")
    found = copies.verify(signers=BOTH)
    assert told(found) == {f"A001/{CLIP}": "differs"}
    assert "unfinished-write" in {each.code for each in found.notices}
    assert mend(copies.drive, copies.other).answer is MendAnswer.MENDED
    assert not left.exists()


def test_stopped_mending_can_go_on(copies: Copies) -> None:
    for name in (CLIP, "Clips/A001C002.mov", "Clips/A001C003.mov"):
        flip(copies.roll / name)
    mended = copies.drive / "A001.damaged"
    with pytest.raises(StoppedError):
        mend(copies.drive, copies.other, is_stopped=mended.exists)
    assert len([each for each in mended.rglob("*") if each.is_file()]) == 1
    found = mend(copies.drive, copies.other)
    assert (found.answer, len(found.mended)) == (MendAnswer.MENDED, 2)


def test_roll_that_a_run_works_on_is_left_alone(copies: Copies) -> None:
    flip(copies.roll / CLIP)
    before = untouched(copies.drive)
    with Root(os.fsencode(copies.drive)) as root:
        lock = Lock(root, b"records/A001", "shuttle-1")
        with pytest.raises(BusyError):
            mend(copies.drive, copies.other)
        found = copies.verify(copies.other, signers=BOTH, append_as=("post", POST))
        assert len(found.appended) == 1
        found = copies.verify(signers=BOTH, append_as=("post", POST))
        assert "another run is working" in found.not_appended
        lock.release()
    assert untouched(copies.drive) == before
    assert mend(copies.drive, copies.other).answer is MendAnswer.MENDED


def test_copy_without_a_history_is_mended_by_its_list(tmp_path: Path) -> None:
    for name in ("one", "two"):
        roll = tmp_path / name / "B002"
        roll.mkdir(parents=True)
        (roll / "a.mov").write_bytes(b"take 1")
        sums = subprocess.run(["md5sum", "a.mov"], cwd=roll, capture_output=True, check=True)
        (roll / "B002.md5").write_bytes(sums.stdout)
    flip(tmp_path / "one/B002/a.mov")
    found = mend(tmp_path / "one", tmp_path / "two")
    assert (found.answer, found.exit_code) == (MendAnswer.MENDED, 0)
    assert (tmp_path / "one/B002.damaged/a.mov").exists()
    assert found.after is not None and found.after.appended == ()


@pytest.mark.parametrize("source", ["shuttle-1", "shuttle-1/A001", "."])
def test_one_copy_cannot_mend_itself(copies: Copies, source: str) -> None:
    with pytest.raises(UsageError):
        mend(copies.drive, copies.folder / source)
