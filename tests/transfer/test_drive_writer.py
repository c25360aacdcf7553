"""One of two drives fails in every way a drive can; the other finishes.

The first error of a write, a sync or a close is the last word on that file there: it is never
asked again, since a second sync can report success for data that was thrown away (fsync(2);
field experience of database authors).
"""

import os
import random
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from offload.jobs.outcome import Outcome
from offload.transfer.plan import Target
from offload.transfer.pump import BUFFER_BYTES
from offload.values.facts import CopyState, ReadBack
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import EXFAT, EXT4, XFS, FileSystem, Rack, Volume
from tests.lab.mounts import is_mounted
from tests.transfer.passes import Passes

pytestmark = pytest.mark.lab

FIRST, LARGE, LAST = "CLIPS/A001C001.mov", "CLIPS/A001C002.mov", "CLIPS/A001C003.mov"
LARGE_BYTES = BUFFER_BYTES + 12_345
_source = random.Random(3)
TRUTH = {
    FIRST: _source.randbytes(70_001),
    LARGE: _source.randbytes(LARGE_BYTES),
    LAST: _source.randbytes(300_000),
}
BAD, GOOD = "shuttle-bad", "shuttle-good"


@dataclass
class Drives:
    """A card, a drive that fails and one that does not."""

    card: Path
    bad: Path
    good: Path
    fs_type: str = ""
    passes: Passes = field(init=False)

    def __post_init__(self) -> None:
        for name, content in TRUTH.items():
            path = self.card / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        self.good.mkdir()
        targets = [(self.bad, Target(BAD, b"A001", fs_type=self.fs_type))]
        self.passes = Passes.of(self.card, [*targets, (self.good, Target(GOOD, b"A001"))])

    def states(self, name: str) -> dict[str, CopyState]:
        column = self.passes.result.drive_states[name]
        return {path: CopyState(column[self.passes.number(os.fsencode(path))]) for path in TRUTH}

    @property
    def failure(self) -> str:
        return self.passes.result.failures.get(BAD, "")

    def codes(self) -> list[tuple[str, str, str]]:
        found = self.passes.result.findings
        return [(each.code, os.fsdecode(each.path), each.drive) for each in found]

    def assert_good_one_finished(self) -> None:
        assert tree(self.good / "A001") == TRUTH
        assert set(self.states(GOOD).values()) == {CopyState.WRITTEN}
        assert GOOD not in self.passes.result.failures

    def assert_what_is_written_is_there(self, stored: Path) -> None:
        """Nothing false: no name without its whole content, and no state without the file."""
        there = tree(stored / "A001") if (stored / "A001").exists() else {}
        for path, state in self.states(BAD).items():
            if state is CopyState.WRITTEN:
                assert there[path] == TRUTH[path]
        for path, content in there.items():
            assert content == TRUTH[path], f"{path} lies there and is not whole"


@pytest.fixture
def drives(tmp_path: Path, faulty: Callable[..., FaultFs]) -> Iterator[tuple[Drives, FaultFs]]:
    bad = faulty(BAD)
    made = Drives(tmp_path / "card", bad.root, tmp_path / GOOD)
    try:
        yield made, bad
    finally:
        made.passes.close()


_PATH = r".*A001C002\.mov"
FINAL = [
    ("create", "ENOSPC"),
    ("create", "EROFS"),
    ("create", "EIO"),
    ("create", "EDQUOT"),
    ("create", "EACCES"),
    ("write", "ENOSPC"),
    ("write", "EDQUOT"),
    ("write", "EIO"),
    ("write", "EROFS"),
    ("write", "ENODEV"),
    ("fsync", "EIO"),
    ("fsync", "ENOSPC"),
    ("fsync", "EDQUOT"),
    ("flush", "EIO"),
    ("flush", "EDQUOT"),
    ("flush", "ENOSPC"),
    ("utimens", "EIO"),
]


@pytest.mark.parametrize(("op", "error"), FINAL)
def test_first_error_is_final_and_the_other_drive_finishes(
    drives: tuple[Drives, FaultFs], op: str, error: str
) -> None:
    """The fault strikes once; all would go well from then on, and must not be believed."""
    made, bad = drives
    bad.plan(Fault(op, path=_PATH, errno=error))
    made.passes.copy()
    assert bad.struck == 1
    assert made.states(BAD)[LARGE] is CopyState.FAILED
    assert error in made.failure
    assert ("write-failed", LARGE, BAD) in made.codes()
    assert not (bad.backing / "A001" / LARGE).exists()
    made.assert_good_one_finished()
    made.assert_what_is_written_is_there(bad.backing)
    if op == "fsync":
        synced = [c for c in bad.calls() if c.op == "fsync" and "A001C002" in c.path]
        assert len(synced) == 1, "a sync that failed was tried again"


@pytest.mark.parametrize("error", ["EIO", "EROFS", "ENOSPC"])
def test_drive_that_fails_for_good_is_left_alone(
    drives: tuple[Drives, FaultFs], error: str
) -> None:
    made, bad = drives
    bad.plan(
        Fault("write", path=_PATH, errno=error, count=0), Fault("unlink", errno=error, count=0)
    )
    made.passes.copy()
    assert error in made.failure
    states = made.states(BAD)
    assert states[LARGE] is CopyState.FAILED
    assert states[LAST] is CopyState.ABSENT
    made.assert_good_one_finished()
    assert not any("A001C003" in call.path for call in bad.written())


@pytest.mark.parametrize("op", ["mkdir", "fsyncdir", "getattr", "open"])
def test_error_of_a_folder_drops_the_drive(drives: tuple[Drives, FaultFs], op: str) -> None:
    made, bad = drives
    bad.plan(Fault(op, path="A001(/CLIPS)?", errno="EIO", count=0))
    made.passes.copy()
    made.assert_good_one_finished()
    made.assert_what_is_written_is_there(bad.backing)
    if bad.struck:
        assert "EIO" in made.failure


@pytest.mark.parametrize("error", ["EPERM", "EACCES", "ENOTSUP", "ENOSYS", "EINVAL"])
def test_refused_time_is_a_notice_on_a_good_copy(
    drives: tuple[Drives, FaultFs], error: str
) -> None:
    made, bad = drives
    bad.plan(Fault("metadata", errno=error, count=0))
    made.passes.copy()
    assert set(made.states(BAD).values()) == {CopyState.WRITTEN}
    assert made.failure == ""
    assert {code for code, _, _ in made.codes()} == {"time-not-kept"}
    assert tree(bad.backing / "A001") == TRUTH


def test_short_writes_are_made_whole(tmp_path: Path, faulty: Callable[..., FaultFs]) -> None:
    bad = faulty(BAD, direct_io=True)  # else the kernel itself takes a short write for an error
    made = Drives(tmp_path / "card", bad.root, tmp_path / GOOD)
    bad.plan(Fault("write", "short", path=_PATH, nth=1, count=3))
    try:
        made.passes.copy()
        assert bad.struck == 3
        assert tree(bad.backing / "A001") == TRUTH
        assert set(made.states(BAD).values()) == {CopyState.WRITTEN}
    finally:
        made.passes.close()


def test_name_that_is_taken_is_never_written_over(drives: tuple[Drives, FaultFs]) -> None:
    made, bad = drives
    theirs = bad.backing / "A001" / LARGE
    theirs.parent.mkdir(parents=True)
    theirs.write_bytes(b"somebody else's")
    made.passes.copy()
    assert theirs.read_bytes() == b"somebody else's"
    states = made.states(BAD)
    assert states[LARGE] is CopyState.FAILED
    assert states[FIRST] is states[LAST] is CopyState.WRITTEN
    made.assert_good_one_finished()


def test_file_that_is_too_long_for_the_drive_fails_alone(
    tmp_path: Path, faulty: Callable[..., FaultFs]
) -> None:
    """The limit of FAT32, 4 GiB - 1, at a size that a test can write."""
    bad = faulty(BAD, Quirks(largest_bytes=LARGE_BYTES - 1))
    made = Drives(tmp_path / "card", bad.root, tmp_path / GOOD)
    try:
        made.passes.copy()
        states = made.states(BAD)
        assert states[LARGE] is CopyState.FAILED
        assert states[FIRST] is states[LAST] is CopyState.WRITTEN
        assert made.failure == ""
        assert not (bad.backing / "A001" / LARGE).exists()
        made.assert_good_one_finished()
    finally:
        made.passes.close()


def test_file_of_exactly_the_longest_length_is_copied(
    tmp_path: Path, faulty: Callable[..., FaultFs]
) -> None:
    bad = faulty(BAD, Quirks(largest_bytes=LARGE_BYTES))
    made = Drives(tmp_path / "card", bad.root, tmp_path / GOOD)
    try:
        made.passes.copy()
        assert set(made.states(BAD).values()) == {CopyState.WRITTEN}
    finally:
        made.passes.close()


# --- real file systems


@pytest.mark.parametrize("fs", [EXT4, XFS, EXFAT], ids=lambda fs: fs.name)
def test_full_drive_keeps_no_cut_off_file(rack: Rack, tmp_path: Path, fs: FileSystem) -> None:
    """Room for the first clip and not for the second; preflight was not asked."""
    volume = rack.volume(fs)
    made = Drives(tmp_path / "card", volume.root, tmp_path / GOOD, fs_type=volume.fs.kind)
    _fill(volume, LARGE_BYTES - 100_000)
    try:
        made.passes.copy()
        assert made.states(BAD)[LARGE] is CopyState.FAILED
        assert "ENOSPC" in made.failure
        assert not (volume.root / "A001" / LARGE).exists()
        made.assert_good_one_finished()
        made.assert_what_is_written_is_there(volume.root)
    finally:
        made.passes.close()


def _fill(volume: Volume, leave_bytes: int) -> None:
    room = os.statvfs(volume.root)
    size = room.f_bfree * room.f_frsize - leave_bytes
    with (volume.root / "filler").open("wb") as file:
        for start in range(0, size, 1 << 20):
            file.write(bytes(min(1 << 20, size - start)))
        os.fsync(file.fileno())


def test_sync_that_fails_once_fails_its_files_for_good(rack: Rack, tmp_path: Path) -> None:
    """A sparse image on a disk that is full: writes succeed in memory, one sync tells, the next
    says all is well (measured with ext4 without a journal on tmpfs)."""
    small = rack.tmpfs("small", 6 << 20)
    volume = rack.volume(
        EXT4, inside=small, size_bytes=64 << 20, make_options=("-O", "^has_journal")
    )
    made = Drives(tmp_path / "card", volume.root, tmp_path / GOOD, fs_type="ext4")
    extra = random.Random(4)
    for number in range(40):
        path = made.card / f"STILLS/A001_{number:03d}.dng"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(extra.randbytes(100_000))
    made.passes.close()
    made = Drives(made.card, volume.root, tmp_path / "another", fs_type="ext4")
    try:
        made.passes.copy()
        column = made.passes.result.drive_states[BAD]
        assert made.failure
        assert CopyState.FAILED in column
        for item in made.passes.items:
            if column[item.number] == CopyState.WRITTEN:
                place = volume.root / "A001" / os.fsdecode(item.path)
                stored = _from_device(place)
                assert stored == (made.card / os.fsdecode(item.path)).read_bytes()
        assert set(made.passes.result.drive_states[GOOD]) == {CopyState.WRITTEN}
    finally:
        made.passes.close()


def _from_device(path: Path) -> bytes:
    """What lies on the device, by ``dd`` (GNU coreutils) past the cache."""
    command = ["dd", f"if={path}", "bs=64K", "iflag=direct", "status=none"]
    return subprocess.run(command, check=True, capture_output=True).stdout


# --- drives that go away, by the whole job


@dataclass
class Pulled:
    """A scene in which something happens while the card is in the middle of being copied."""

    scene: Scene
    card: FaultFs

    def offload_and(self, happen: Callable[[], None]) -> Outcome:
        """Offload; when the large clip has been read half, let it happen, then go on."""
        self.card.plan(Fault("read", "hang", path=_PATH, at=LARGE_BYTES - 1, count=1))
        box: list[Outcome] = []
        thread = threading.Thread(target=lambda: box.append(self.scene.offload()))
        thread.start()
        try:
            self.card.wait_hanging()
            happen()
        finally:
            if happen != self.card.vanish:
                self.card.release()
            thread.join()
        return box[0]


@pytest.fixture
def pulled(rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs]) -> Pulled:
    card = faulty_disk("card")
    scene = Scene.make(rack, tmp_path, drives=(EXT4, EXT4, EXT4))
    scene.card.root = card.root
    for name, content in TRUTH.items():
        path = card.backing / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return Pulled(scene, card)


def test_drive_pulled_under_load_is_dropped_and_two_others_clear_the_card(pulled: Pulled) -> None:
    scene = pulled.scene
    outcome = pulled.offload_and(scene.drives[0].pull)
    assert outcome.verdict.is_cleared, codes(outcome)
    counted = [copy.drive for copy in outcome.verdict.copies if copy.counts]
    assert counted == ["shuttle-2", "shuttle-3"]
    for drive in scene.drives[1:]:
        assert {name: tree(drive.root / "A001")[name] for name in TRUTH} == TRUTH


def test_too_few_drives_are_left_after_one_is_pulled(pulled: Pulled) -> None:
    """It comes back under another node: the same command brings what it lacks."""
    scene = pulled.scene
    lost = scene.drives.pop()
    lost.pull()
    outcome = pulled.offload_and(scene.drives[0].pull)
    assert not outcome.verdict.is_cleared
    assert not (scene.drives[1].root / "A001.incomplete").exists()
    scene.drives[0].put_back(same_place=True)
    again = scene.offload()
    assert again.verdict.is_cleared, codes(again)
    for drive in scene.drives:
        assert {name: tree(drive.root / "A001")[name] for name in TRUTH} == TRUTH


def test_drive_unmounted_in_the_middle_gets_nothing_under_its_bare_folder(pulled: Pulled) -> None:
    scene = pulled.scene
    drive = scene.drives[0]
    outcome = pulled.offload_and(drive.unmount_lazy)
    assert not is_mounted(drive.root)
    assert list(drive.root.iterdir()) == []
    copies = {copy.drive: copy.counts for copy in outcome.verdict.copies}
    assert copies == {"shuttle-1": False, "shuttle-2": True, "shuttle-3": True}


def test_card_pulled_in_the_middle_is_held_and_nothing_half_done_has_a_name(
    pulled: Pulled,
) -> None:
    scene = pulled.scene
    outcome = pulled.offload_and(pulled.card.vanish)
    assert "card-gone" in codes(outcome)
    for drive in scene.drives:
        assert not (drive.root / "A001").exists()
        for path, content in tree(drive.root).items():
            if path.endswith(".mov"):
                assert content == TRUTH[path.partition("/")[2]]


def test_refused_times_do_not_keep_a_card_and_are_told(
    rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs]
) -> None:
    """A second run copies nothing again because of them."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, TRUTH)
    faulty = faulty_disk("shuttle-9")
    scene.drives[0].root = faulty.root
    faulty.plan(Fault("metadata", errno="EPERM", count=0))
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    assert "time-not-kept" in [notice.code for notice in outcome.verdict.notices]
    copied = faulty.backing / "A001" / LARGE
    before = copied.stat()
    assert scene.offload().verdict.is_cleared
    after = copied.stat()
    assert (after.st_ino, after.st_ctime_ns) == (before.st_ino, before.st_ctime_ns)


def test_file_too_long_for_one_drive_is_held_by_its_cause(
    rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs]
) -> None:
    """A drive whose kind does not tell its limit: the hold names the clip and the drive."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, TRUTH)
    faulty = faulty_disk("shuttle-9", Quirks(largest_bytes=LARGE_BYTES - 1))
    scene.drives[0].root = faulty.root
    outcome = scene.offload()
    assert codes(outcome) == ["copy-failed"]
    assert list(outcome.verdict.holds[0].paths) == [os.fsencode(LARGE)]
    assert outcome.verdict.holds[0].drives == ("shuttle-1",)
    assert not (faulty.backing / "A001").exists()
    assert {copy.read_back for copy in outcome.verdict.copies} == {ReadBack.DEVICE}
    assert outcome.verdict.holds[0].details == ("shuttle-1: file too large (EFBIG).",)
