"""May the card be erased, against copies that were made by hand, wherever and however named.

Copies are made here with ``cp``, ``ln``, bind mounts and reflinks, as people and their tools make
them; what counts as a copy of its own is told by the devices alone.
"""

import os
import random
import shutil
import subprocess
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

from offload.jobs.by_content import check_by_content
from offload.jobs.outcome import Outcome
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish
from offload.ledger.database import Ledger
from offload.values.facts import Policy
from tests.jobs.scene import Scene, codes, write_card
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import BTRFS, EXFAT, EXT4, XFS, FileSystem, Rack, Volume

pytestmark = pytest.mark.lab

_source = random.Random(8)
CLIPS = {
    "CLIPS/A001C001.mov": _source.randbytes(1_200_000),
    "CLIPS/A001C002.mov": _source.randbytes(300_001),
    "CLIPS/A001C003.mov": _source.randbytes(70_000),
    "CLIPS/A001C003.xml": b"<take/>",
    "EMPTY.BIN": b"",
}
TWINS = _source.randbytes(50_000)


@dataclass
class Search:
    """A card, some drives, and the question."""

    scene: Scene

    @property
    def drives(self) -> list[Path]:
        return [volume.root for volume in self.scene.drives]

    def ask(
        self,
        *folders: Path,
        policy: Policy | None = None,
        always_read: bool = False,
        card: Path | None = None,
    ) -> Outcome:
        wishes = [
            DriveWish(f"{at}-{folder.name}", os.fsencode(folder))
            for at, folder in enumerate(folders or self.drives)
        ]
        with Ledger(os.fsencode(self.scene.home)) as ledger:
            tools = Tools(
                ledger, self.scene.key, self.scene.surroundings, sink=self.scene.events.append
            )
            return check_by_content(
                os.fsencode(card or self.scene.card.root),
                wishes,
                policy or Policy(),
                tools,
                always_read=always_read,
            )

    def copy_all(self, *folders: Path) -> None:
        """What dragging does: everything, as it is, into a folder of the drives."""
        for folder in folders or [drive / "dragged" for drive in self.drives]:
            subprocess.run(["cp", "-a", self.scene.card.root, folder], check=True)
        self.sync()

    def sync(self) -> None:
        for volume in self.scene.drives:
            volume.sync()


def made(rack: Rack, tmp_path: Path, *drives: FileSystem, **files: bytes) -> Search:
    scene = Scene.make(rack, tmp_path, drives=drives or (EXT4, EXT4))
    for volume in (scene.card, *scene.drives):
        if (volume.root / "lost+found").exists():
            (volume.root / "lost+found").rmdir()
    write_card(scene.card, files or CLIPS)
    return Search(scene)


@pytest.fixture
def search(rack: Rack, tmp_path: Path) -> Search:
    return made(rack, tmp_path)


def notices(outcome: Outcome) -> set[str]:
    return {notice.code for notice in outcome.verdict.notices}


def paths_of(outcome: Outcome, code: str) -> list[str]:
    return [
        os.fsdecode(path)
        for hold in outcome.verdict.holds
        if hold.code == code
        for path in hold.paths
    ]


# --- what counts


@pytest.mark.parametrize("fs", [EXT4, EXFAT, BTRFS], ids=lambda fs: fs.name)
def test_two_dragged_copies_clear_a_card(rack: Rack, tmp_path: Path, fs: FileSystem) -> None:
    search = made(rack, tmp_path, fs, EXT4)
    search.copy_all()
    outcome = search.ask()
    assert codes(outcome) == []
    assert outcome.verdict.is_cleared
    assert "read" in " ".join(outcome.verdict.declarations), "one reading is declared"
    assert list(search.scene.card.root.rglob("*.json")) == []


def test_renamed_and_scattered_copies_count(search: Search) -> None:
    names = iter(["xyz.mov", "deep/a/b/c.mov", ".hidden", "[bold]take[/bold].mov", "-rf", "B"])
    for number, content in enumerate(CLIPS.values()):
        for drive in search.drives:
            path = drive / next(names, f"other-{drive.name}-{number}")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
    search.sync()
    assert search.ask().verdict.is_cleared


def test_one_drive_has_everything_and_that_is_not_enough(search: Search) -> None:
    search.copy_all(search.drives[0] / "dragged")
    outcome = search.ask(always_read=True)
    assert codes(outcome) == ["too-few-copies"]
    assert dict(outcome.verdict.files_on) == {1: 4, 2: 1}, "the empty file loses nothing"


def test_what_is_nowhere_is_named(search: Search) -> None:
    search.copy_all()
    for drive in search.drives:
        (drive / "dragged/CLIPS/A001C002.mov").unlink()
    outcome = search.ask(always_read=True)
    assert paths_of(outcome, "too-few-copies") == ["CLIPS/A001C002.mov"]
    assert dict(outcome.verdict.files_on)[0] == 1


def test_file_of_the_same_name_and_size_that_differs_is_named(search: Search) -> None:
    search.copy_all()
    other = search.drives[1] / "dragged/CLIPS/A001C002.mov"
    content = bytearray(other.read_bytes())
    content[-1] ^= 1
    other.write_bytes(content)
    search.sync()
    outcome = search.ask()
    assert paths_of(outcome, "too-few-copies") == ["CLIPS/A001C002.mov"]
    (told,) = [each for each in outcome.verdict.notices if each.code == "same-name-differs"]
    assert [os.fsdecode(path) for path in told.paths] == ["CLIPS/A001C002.mov"]


# --- a file of its own


def test_equal_files_on_the_card_need_as_many_on_a_drive(rack: Rack, tmp_path: Path) -> None:
    search = made(rack, tmp_path, **{"1.mov": TWINS, "2.mov": TWINS, "3.mov": TWINS})
    for drive in search.drives:
        for name in ("a", "b"):
            (drive / name).write_bytes(TWINS)
    search.sync()
    assert len(paths_of(search.ask(always_read=True), "too-few-copies")) == 1
    for drive in search.drives:
        (drive / "c").write_bytes(TWINS)
    search.sync()
    assert search.ask().verdict.is_cleared


def link_hard(drive: Path) -> None:
    os.link(drive / "a", drive / "b")


def link_soft(drive: Path) -> None:
    (drive / "b").symlink_to("a")


def reflink(drive: Path) -> None:
    subprocess.run(["cp", "--reflink=always", drive / "a", drive / "b"], check=True)


def reflink_of_all_but_the_beginning(drive: Path) -> None:
    """What deduplication leaves: the first block is the file's own, the rest is shared."""
    reflink(drive)
    with (drive / "b").open("r+b") as file:
        file.write(TWINS[:4096])
    os.sync()


def snapshot(drive: Path) -> None:
    subprocess.run(["btrfs", "-q", "subvolume", "snapshot", drive, drive / "kept"], check=True)


@pytest.mark.parametrize(
    ("fs", "double"),
    [
        (EXT4, link_hard),
        (EXT4, link_soft),
        (XFS, reflink),
        (XFS, reflink_of_all_but_the_beginning),
        (BTRFS, reflink),
        (BTRFS, reflink_of_all_but_the_beginning),
        (BTRFS, snapshot),
    ],
    ids=lambda each: getattr(each, "name", getattr(each, "__name__", "")),
)
def test_one_file_under_two_names_is_one_copy(
    rack: Rack, tmp_path: Path, fs: FileSystem, double: Callable[[Path], None]
) -> None:
    search = made(rack, tmp_path, fs, EXT4, **{"1.mov": TWINS, "2.mov": TWINS})
    (search.drives[0] / "a").write_bytes(TWINS)
    search.sync()
    double(search.drives[0])
    for name in ("a", "b"):
        (search.drives[1] / name).write_bytes(TWINS)
    search.sync()
    outcome = search.ask(always_read=True)
    short = paths_of(outcome, "too-few-copies") + paths_of(outcome, "copy-not-own")
    assert len(short) == 1
    # A second file of its own is what it takes.
    (search.drives[0] / "c").write_bytes(TWINS)
    search.sync()
    assert search.ask().verdict.is_cleared


def test_bind_mount_inside_a_drive_is_no_second_copy(rack: Rack, tmp_path: Path) -> None:
    search = made(rack, tmp_path, **{"1.mov": TWINS, "2.mov": TWINS})
    for drive in search.drives:
        (drive / "kept").mkdir()
        (drive / "kept" / "a").write_bytes(TWINS)
        (drive / "again").mkdir()
        rack.bind_at(drive / "kept", drive / "again")
    search.sync()
    assert len(paths_of(search.ask(always_read=True), "copy-not-own")) == 1


def test_bind_mount_of_a_drive_is_the_same_drive(rack: Rack, search: Search) -> None:
    search.copy_all(search.drives[0] / "dragged")
    again = rack.bind(search.drives[0], "again")
    outcome = search.ask(search.drives[0], again, always_read=True)
    assert codes(outcome) == ["shared-drive", "copy-not-own"]


def test_another_drive_mounted_inside_a_drive_is_not_that_drive(rack: Rack, search: Search) -> None:
    """Everything lies on one drive, which is also to be seen inside the other."""
    search.copy_all(search.drives[1] / "dragged")
    inner = search.drives[0] / "inner"
    inner.mkdir()
    rack.bind_at(search.drives[1], inner)
    outcome = search.ask(always_read=True)
    assert not outcome.verdict.is_cleared
    assert dict(outcome.verdict.files_on) == {1: 4, 2: 1}


def test_two_folders_of_one_drive_are_one_copy(search: Search) -> None:
    top = search.drives[0]
    search.copy_all(top / "one", top / "two")
    outcome = search.ask(top / "one", top / "two", always_read=True)
    assert codes(outcome) == ["shared-drive"]
    relaxed = search.ask(top / "one", top / "two", policy=Policy(separate_drives=False))
    assert relaxed.verdict.is_cleared
    assert any("one physical drive" in text for text in relaxed.verdict.declarations)


def test_folder_given_twice_in_other_words_is_one_copy(search: Search, tmp_path: Path) -> None:
    """Where copies on one drive may count, they still have to be two."""
    top = search.drives[0]
    search.copy_all(top / "one")
    relaxed = Policy(separate_drives=False)
    (tmp_path / "link").symlink_to(top / "one")
    for folders in ((top, top / "one"), (top / "one", top), (top / "one", tmp_path / "link")):
        outcome = search.ask(*folders, policy=relaxed, always_read=True)
        assert not outcome.verdict.is_cleared, folders
        assert codes(outcome) == ["copy-not-own"]


# --- places that do not last


@pytest.mark.parametrize(
    "folder",
    [
        ".Trash-0/files",
        ".Trash/1000/files",
        ".Trashes/501",
        "$RECYCLE.BIN/S-1-5",
        ".snapshots/1",
        "A001.incomplete",
        "Night Ferry/A001.incomplete/CLIPS",
    ],
)
def test_copy_in_a_place_that_does_not_last_is_none(search: Search, folder: str) -> None:
    search.copy_all(search.drives[0] / "dragged")
    place = search.drives[1] / folder
    place.parent.mkdir(parents=True, exist_ok=True)
    search.copy_all(place)
    outcome = search.ask()
    assert codes(outcome) == ["copy-fleeting"]
    search.copy_all(search.drives[1] / "kept")
    assert search.ask().verdict.is_cleared


def test_place_that_does_not_last_is_known_behind_a_link(search: Search, tmp_path: Path) -> None:
    search.copy_all(search.drives[0] / "dragged")
    place = search.drives[1] / ".Trash-0" / "files"
    place.parent.mkdir()
    search.copy_all(place)
    (tmp_path / "copies").symlink_to(place)
    assert codes(search.ask(search.drives[0], tmp_path / "copies")) == ["copy-fleeting"]


# --- the card itself


def test_card_is_no_copy_of_itself(search: Search) -> None:
    search.copy_all(search.drives[0] / "dragged")
    outcome = search.ask(search.drives[0], search.scene.card.root, always_read=True)
    assert codes(outcome) == ["too-few-copies"]


def test_card_mounted_inside_the_folder_searched_is_no_copy(rack: Rack, search: Search) -> None:
    search.copy_all(search.drives[0] / "dragged")
    inside = search.drives[1] / "reader"
    inside.mkdir()
    rack.bind_at(search.scene.card.root, inside)
    outcome = search.ask(always_read=True)
    assert codes(outcome) == ["too-few-copies"]


def test_folder_of_the_card_bound_into_a_drive_is_no_copy(rack: Rack, search: Search) -> None:
    search.copy_all(search.drives[0] / "dragged")
    inside = search.drives[1] / "clips"
    inside.mkdir()
    rack.bind_at(search.scene.card.root / "CLIPS", inside)
    outcome = search.ask(always_read=True)
    assert "too-few-copies" in codes(outcome)
    assert dict(outcome.verdict.files_on) == {1: 4, 2: 1}


def test_folder_that_stands_for_a_card_is_not_counted_where_it_lies(search: Search) -> None:
    """A card's folder on a drive: copies on that same drive go with it."""
    card = search.drives[0] / "from-the-camera"
    search.copy_all(card, search.drives[0] / "dragged", search.drives[1] / "dragged")
    outcome = search.ask(card=card, always_read=True)
    assert codes(outcome) == ["shared-drive"]


def test_another_card_is_no_drive(rack: Rack, search: Search) -> None:
    """A second card with the same clips on it: it will be erased as well."""
    search.copy_all(search.drives[0] / "dragged")
    second = rack.volume(EXFAT, name="second-card")
    write_card(second, {f"DCIM/100CLIPS/{Path(name).name}": CLIPS[name] for name in CLIPS})
    outcome = search.ask(search.drives[0], second.root, always_read=True)
    assert not outcome.verdict.is_cleared
    assert codes(outcome) == ["drive-is-card"]


def test_volume_that_was_offloaded_as_a_card_is_no_drive(rack: Rack, search: Search) -> None:
    search.copy_all(search.drives[0] / "dragged")
    second = rack.volume(EXT4, name="second-card")
    write_card(second, CLIPS)
    scene = search.scene
    scene.offload(scene.wish(card=os.fsencode(second.root), drives=scene.wish().drives[1:]))
    outcome = search.ask(search.drives[0], second.root, always_read=True)
    assert codes(outcome) == ["drive-is-card"]


def test_other_card_with_nothing_of_this_one_is_not_held_against_it(
    rack: Rack, search: Search
) -> None:
    search.copy_all(search.drives[0] / "dragged")
    second = rack.volume(EXFAT, name="second-card")
    write_card(second, {"DCIM/100CLIPS/CLIP0001.MOV": b"another day"})
    outcome = search.ask(search.drives[0], second.root, always_read=True)
    assert codes(outcome) == ["too-few-copies"]


# --- drives and files that fail, memory


def test_copy_in_memory_is_none(rack: Rack, search: Search) -> None:
    search.copy_all(search.drives[0] / "dragged")
    memory = rack.tmpfs("memory", 16 << 20)
    subprocess.run(["cp", "-a", search.scene.card.root, memory / "dragged"], check=True)
    outcome = search.ask(search.drives[0], memory, always_read=True)
    assert codes(outcome) == ["ram-drive"]


def test_change_behind_the_file_system_is_seen(search: Search) -> None:
    """Past the cache: the copy is right in memory and wrong on its device."""
    search.copy_all()
    volume: Volume = search.scene.drives[1]
    copy = volume.root / "dragged/CLIPS/A001C001.mov"
    volume.flip(copy, 500_000)
    assert copy.read_bytes() == CLIPS["CLIPS/A001C001.mov"], "memory was expected to hide it"
    outcome = search.ask()
    assert paths_of(outcome, "too-few-copies") == ["CLIPS/A001C001.mov"]


@pytest.fixture
def faulty_search(
    rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs]
) -> Callable[[], tuple[Search, FaultFs, FaultFs]]:
    """Card and second drive on file systems that tell what they are asked, and can fail."""

    def make() -> tuple[Search, FaultFs, FaultFs]:
        search = made(rack, tmp_path)
        search.copy_all()
        card, drive = faulty_disk("card"), faulty_disk("shuttle-9")
        shutil.copytree(search.scene.card.root, card.backing, dirs_exist_ok=True)
        shutil.copytree(search.drives[1], drive.backing, dirs_exist_ok=True)
        search.scene.card.root = card.root
        search.scene.drives[1].root = drive.root
        return search, card, drive

    return make


Faulty = Callable[[], tuple[Search, FaultFs, FaultFs]]


def test_copy_that_cannot_be_read_does_not_count_and_is_named(faulty_search: Faulty) -> None:
    search, _, drive = faulty_search()
    drive.plan(Fault("read", path=r".*A001C002\.mov", count=0))
    outcome = search.ask()
    assert paths_of(outcome, "too-few-copies") == ["CLIPS/A001C002.mov"]


def test_folder_that_cannot_be_listed_is_named(faulty_search: Faulty) -> None:
    """What was not looked at must not pass for a place where nothing lies."""
    search, _, drive = faulty_search()
    drive.plan(Fault("opendir", path="dragged/CLIPS", errno="EACCES", count=0))
    outcome = search.ask(always_read=True)
    assert "too-few-copies" in codes(outcome)
    (told,) = [each for each in outcome.verdict.notices if each.code == "not-searched"]
    assert "dragged/CLIPS" in told.text
    assert "EACCES" in told.text


def test_card_that_cannot_be_read_is_held(faulty_search: Faulty) -> None:
    search, card, _ = faulty_search()
    card.plan(Fault("read", path=r".*A001C002\.mov", count=0))
    outcome = search.ask()
    assert codes(outcome) == ["unreadable-on-card"]


def test_copy_changed_after_it_was_read_does_not_count(faulty_search: Faulty) -> None:
    """The last file's reading waits while the first one is replaced."""
    search, card, drive = faulty_search()
    card.plan(Fault("read", "hang", path=r".*A001C003\.xml"))
    box: list[Outcome] = []
    thread = threading.Thread(target=lambda: box.append(search.ask()))
    thread.start()
    try:
        card.wait_hanging()
        _wait_for(lambda: _is_read(drive, "A001C001.mov"))
        (drive.backing / "dragged/CLIPS/A001C001.mov").write_bytes(b"changed")
    finally:
        card.release()
        thread.join()
    (outcome,) = box
    assert not outcome.verdict.is_cleared
    # Just before or just after its last look at the descriptor: neither is a copy.
    (code,) = codes(outcome)
    assert code in ("copy-changed", "too-few-copies")
    assert paths_of(outcome, code) == ["CLIPS/A001C001.mov"]


def _is_read(drive: FaultFs, name: str) -> bool:
    size = len(CLIPS[f"CLIPS/{name}"])
    return any(
        call.op == "read" and call.path.endswith(name) and call.offset + call.size >= size
        for call in drive.calls()
    )


def _wait_for(is_so: Callable[[], bool]) -> None:
    waiting = threading.Event()
    for _ in range(500):
        if is_so():
            return
        waiting.wait(0.02)
    raise AssertionError("it never came to that")


# --- the quick no


def opened(*places: FaultFs) -> list[str]:
    return [
        call.path
        for place in places
        for call in place.calls()
        if call.op in ("open", "read") and call.path
    ]


def remove(drive: FaultFs, names: Iterable[str]) -> None:
    for name in names:
        (drive.backing / "dragged" / name).unlink()
    drive.plan()


@pytest.mark.parametrize(
    "lost", [["CLIPS/A001C002.mov"], list(CLIPS)], ids=["one file", "everything"]
)
def test_no_by_sizes_reads_nothing_and_comes_at_once(
    faulty_search: Faulty, lost: list[str]
) -> None:
    search, card, drive = faulty_search()
    remove(drive, lost)
    card.plan()
    outcome = search.ask()
    assert not outcome.verdict.is_cleared
    assert opened(card, drive) == [], "a no by sizes has no need to open a file"
    missing = [name for name in lost if CLIPS[name]]
    assert {copy.proven for copy in outcome.verdict.copies} <= {0, 1}, "but for the empty file"
    assert paths_of(outcome, "too-few-copies") == missing


def test_one_complete_drive_is_a_quick_no(faulty_search: Faulty) -> None:
    """Two copies are asked for, and sizes alone show that there cannot be two."""
    search, card, drive = faulty_search()
    outcome = search.ask(drive.root)
    assert not outcome.verdict.is_cleared
    assert opened(card, drive) == []
    asked = search.ask(drive.root, always_read=True)
    assert opened(card, drive) != []
    assert dict(asked.verdict.files_on) == {1: 5}


def test_quick_no_reads_nothing_from_the_devices(rack: Rack, search: Search) -> None:
    """By the device's own read counter (Documentation/admin-guide/iostats.rst, field 3)."""
    write_card(search.scene.card, {"CLIPS/A001C004.mov": bytes(8_000_000)})
    search.copy_all()
    (search.drives[1] / "dragged/CLIPS/A001C002.mov").unlink()
    volumes = (search.scene.card, *search.scene.drives)
    for volume in volumes:
        volume.forget_pages()
        # The listing itself may come from the device; it is not what is counted.
        subprocess.run(["find", volume.root, "-ls"], check=True, capture_output=True)
    before = [sectors_read(volume) for volume in volumes]
    outcome = search.ask()
    assert not outcome.verdict.is_cleared
    after = [sectors_read(volume) for volume in volumes]
    read = [(now - then) * 512 for then, now in zip(before, after, strict=True)]
    # Asking what kind of file system it is may read its first megabyte.
    assert all(count < 2_000_000 for count in read), read


def sectors_read(volume: Volume) -> int:
    name = Path(volume.device).name
    return int(Path(f"/sys/block/{name}/stat").read_text().split()[2])


# --- nothing to say yes to


def test_empty_card_is_never_cleared(rack: Rack, tmp_path: Path) -> None:
    search = made(rack, tmp_path)
    shutil.rmtree(search.scene.card.root / "CLIPS")
    (search.scene.card.root / "EMPTY.BIN").unlink()
    assert codes(search.ask()) == ["nothing-to-prove"]


def test_folder_that_is_not_there_is_named_and_the_others_are_searched(
    search: Search, tmp_path: Path
) -> None:
    search.copy_all()
    outcome = search.ask(*search.drives, tmp_path / "gone")
    assert outcome.verdict.is_cleared
    short = search.ask(search.drives[0], tmp_path / "gone")
    assert not short.verdict.is_cleared
    assert "drive-away" in codes(short)
