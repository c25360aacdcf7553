"""One card, start to finish, on real file systems."""

import json
import os
import subprocess
from pathlib import Path

import pytest

from offload.errors import BusyError, CardError
from offload.jobs.result import result_of
from offload.jobs.tools import StoppedError
from offload.jobs.wishes import DriveWish
from offload.values.facts import Policy, ReadBack
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.lab.cards import files_of, hostile_tree, write_tree
from tests.lab.images import ALL, BTRFS, EXFAT, EXT4, NTFS, XFS, FileSystem, Rack

pytestmark = pytest.mark.lab

CLIPS = {
    "Clips/A001C001.mov": os.urandom(2_500_000),
    "Clips/A001C002.mov": os.urandom(1_048_576),
    "Clips/A001C003.mov": os.urandom(70_001),
    "Clips/A001C003.xml": b"<take/>",
    "empty.txt": b"",
}


@pytest.mark.parametrize("fs", ALL, ids=lambda fs: fs.name)
def test_card_is_cleared_on_every_file_system(rack: Rack, tmp_path: Path, fs: FileSystem) -> None:
    scene = Scene.make(rack, tmp_path, drives=(fs, EXT4))
    write_card(scene.card, CLIPS)
    (scene.card.root / "Empty").mkdir()
    scene.card.sync()
    outcome = scene.offload()
    assert codes(outcome) == []
    assert outcome.verdict.is_cleared
    for drive in scene.drives:
        copied = tree(drive.root / "A001")
        assert {name: copied[name] for name in CLIPS} == CLIPS
        assert (drive.root / "A001" / "Empty").is_dir()
        assert not (drive.root / "A001.incomplete").exists()
    assert {copy.read_back for copy in outcome.verdict.copies} == {ReadBack.DEVICE}


def test_second_run_copies_nothing_and_clears_again(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    scene.offload()
    before = [tree(drive.root / "A001") for drive in scene.drives]
    stamps = [os.stat(drive.root / "A001/Clips/A001C001.mov") for drive in scene.drives]
    outcome = scene.offload()
    assert outcome.verdict.is_cleared
    assert [tree(drive.root / "A001") for drive in scene.drives] == before
    for drive, stamp in zip(scene.drives, stamps, strict=True):
        now = os.stat(drive.root / "A001/Clips/A001C001.mov")
        assert (now.st_ino, now.st_ctime_ns) == (stamp.st_ino, stamp.st_ctime_ns)


def test_one_drive_is_never_enough(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path, drives=(EXT4,))
    write_card(scene.card, CLIPS)
    outcome = scene.offload()
    assert codes(outcome) == ["too-few-copies"]
    assert not list(scene.drives[0].root.rglob("clearance-*"))


def test_two_folders_on_one_drive_are_one_copy(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path, drives=(EXT4,))
    write_card(scene.card, CLIPS)
    folders = [scene.drives[0].root / name for name in ("one", "two")]
    for folder in folders:
        folder.mkdir()
    drives = tuple(DriveWish(folder.name, os.fsencode(folder)) for folder in folders)
    assert codes(scene.offload(scene.wish(drives=drives))) == ["shared-drive"]
    allowed = scene.offload(scene.wish(drives=drives, policy=Policy(separate_drives=False)))
    assert allowed.verdict.is_cleared
    assert "one physical drive" in allowed.verdict.headline
    assert allowed.verdict.declarations


@pytest.mark.parametrize("drive_fs", [EXT4, EXFAT, NTFS], ids=lambda fs: fs.name)
def test_every_odd_name_is_copied_and_told(
    rack: Rack, tmp_path: Path, drive_fs: FileSystem
) -> None:
    """Names are bytes: not UTF-8, newline, markup, 255 bytes, NFC beside NFD."""
    scene = Scene.make(rack, tmp_path, drives=(drive_fs, EXT4))
    items = [item for item in hostile_tree(is_deep=False) if item.kind in ("file", "folder")]
    written = write_tree(scene.card.root, items)
    (scene.card.root / "A001C001.mov").write_bytes(b"ftyp")
    scene.card.sync()
    outcome = scene.offload()
    assert codes(outcome) == []
    truth = [*files_of(written).values(), b"ftyp"]
    for drive in scene.drives:
        assert sorted(_contents(drive.root / "A001")) == sorted(truth)


def _contents(folder: Path) -> list[bytes]:
    found = []
    for top, folders, names in os.walk(os.fsencode(folder)):
        folders[:] = [name for name in folders if name != b"ascmhl"]
        for name in names:
            with open(os.path.join(top, name), "rb") as file:
                found.append(file.read())
    return found


def test_links_pipes_and_devices_are_told_and_never_followed(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    (tmp_path / "secret").write_text("not on the card")
    os.symlink(tmp_path / "secret", scene.card.root / "link.mov")
    os.mkfifo(scene.card.root / "pipe")
    scene.card.sync()
    outcome = scene.offload()
    assert codes(outcome) == ["not-copied"]
    assert list(outcome.verdict.holds[0].paths) == [b"pipe"]
    for drive in scene.drives:
        assert b"not on the card" not in b"".join(tree(drive.root).values())


def test_another_mount_inside_the_card_is_held_and_not_crossed(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    inner = scene.card.root / "Inner"
    inner.mkdir()
    foreign = tmp_path / "foreign"
    foreign.mkdir()
    (foreign / "x.mov").write_bytes(b"foreign")
    rack.bind_at(foreign, inner)
    outcome = scene.offload()
    assert "inner-mount" in codes(outcome)
    assert not list(scene.drives[0].root.rglob("x.mov"))


def test_empty_card_is_never_cleared(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    assert codes(scene.offload()) == ["nothing-to-prove"]
    (scene.card.root / "lost+found").rmdir()
    assert codes(scene.offload()) == ["nothing-to-prove"]


def test_card_that_is_not_there_gives_no_verdict(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    with pytest.raises(CardError) as caught:
        scene.offload(scene.wish(card=os.fsencode(tmp_path / "gone")))
    assert caught.value.exit_code == 3


def test_same_names_on_two_cards_become_two_parts(rack: Rack, tmp_path: Path) -> None:
    """Two cards, every name, size and time alike, other content (a camera that restarts at 001)."""
    scene = Scene.make(rack, tmp_path)
    twin = rack.volume(EXT4, name="twin")
    ones = {"A001C001.mov": os.urandom(200_000)}
    twos = {"A001C001.mov": os.urandom(200_000)}
    write_card(scene.card, ones)
    write_card(twin, twos)
    for root in (scene.card.root, twin.root):
        os.utime(root / "A001C001.mov", (1_700_000_000, 1_700_000_000))
    scene.card.sync()
    twin.sync()
    assert scene.offload().verdict.is_cleared
    second = scene.offload(scene.wish(card=os.fsencode(twin.root)))
    assert second.verdict.is_cleared
    assert second.context.roll == "A001-2"
    for drive in scene.drives:
        assert tree(drive.root / "A001")["A001C001.mov"] == ones["A001C001.mov"]
        assert tree(drive.root / "A001-2")["A001C001.mov"] == twos["A001C001.mov"]


def test_clips_added_to_a_card_join_its_roll(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    scene.offload()
    inodes = os.stat(scene.drives[0].root / "A001/Clips/A001C001.mov").st_ino
    more = {"Clips/A001C004.mov": os.urandom(300_000), "New/side.xml": b"<new/>"}
    write_card(scene.card, more)
    outcome = scene.offload()
    assert outcome.verdict.is_cleared
    for drive in scene.drives:
        copied = tree(drive.root / "A001")
        assert {name: copied[name] for name in {**CLIPS, **more}} == {**CLIPS, **more}
        assert not (drive.root / "A001.incomplete").exists()
        manifests = sorted((drive.root / "A001/ascmhl").glob("*.mhl"))
        assert [path.name[:4] for path in manifests] == ["0001", "0002"]
    assert os.stat(scene.drives[0].root / "A001/Clips/A001C001.mov").st_ino == inodes


def test_rewritten_clip_sends_the_whole_card_to_a_new_part(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    scene.offload()
    changed = {"Clips/A001C003.xml": b"<TAKE/>"}
    write_card(scene.card, changed)
    outcome = scene.offload()
    assert outcome.verdict.is_cleared
    assert outcome.context.roll == "A001-2"
    for drive in scene.drives:
        assert tree(drive.root / "A001")["Clips/A001C003.xml"] == b"<take/>"
        assert tree(drive.root / "A001-2")["Clips/A001C003.xml"] == b"<TAKE/>"


def test_unknown_material_under_the_rolls_name_is_left_alone(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    strange = scene.drives[0].root / "A001"
    strange.mkdir()
    (strange / "thesis.doc").write_bytes(b"two years of work")
    outcome = scene.offload()
    assert not outcome.verdict.is_cleared
    assert tree(strange) == {"thesis.doc": b"two years of work"}
    assert (scene.drives[1].root / "A001").is_dir()


def test_copy_made_by_dragging_is_proven_in_place(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    dragged = scene.drives[0].root / "A001"
    subprocess.run(["cp", "-a", scene.card.root, dragged], check=True)
    (dragged / "lost+found").rmdir()
    (scene.card.root / "lost+found").rmdir()
    inode = os.stat(dragged / "Clips/A001C001.mov").st_ino
    outcome = scene.offload()
    assert outcome.verdict.is_cleared
    assert os.stat(dragged / "Clips/A001C001.mov").st_ino == inode


def test_left_over_file_that_is_wrong_is_written_anew(rack: Rack, tmp_path: Path) -> None:
    """A full-size, wrong file of an interrupted run: proven, found wrong, rewritten, proven."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    calls = 0

    def stop_late() -> bool:
        nonlocal calls
        calls += 1
        return calls > 14

    with pytest.raises(StoppedError):
        scene.offload(is_stopped=stop_late)
    left = scene.drives[0].root / "A001.incomplete/Clips/A001C001.mov"
    assert left.stat().st_size == len(CLIPS["Clips/A001C001.mov"])
    with open(left, "r+b") as file:
        file.seek(1000)
        file.write(b"\0\1\2\3")
    outcome = scene.offload()
    assert outcome.verdict.is_cleared
    assert "existing-was-wrong" in [notice.code for notice in outcome.verdict.notices]
    for drive in scene.drives:
        copied = tree(drive.root / "A001")
        assert {name: copied[name] for name in CLIPS} == CLIPS


def test_card_that_changed_after_an_interruption_is_copied_whole(
    rack: Rack, tmp_path: Path
) -> None:
    """What the second run wrote, before a file it had reused proved another, is not in its way."""
    scene = Scene.make(rack, tmp_path)
    clips = {f"Clips/A001C00{at}.mov": os.urandom(1_500_000) for at in range(1, 6)}
    write_card(scene.card, clips)
    calls = 0

    def stop_early() -> bool:
        nonlocal calls
        calls += 1
        return calls > 8

    with pytest.raises(StoppedError):
        scene.offload(is_stopped=stop_early)
    left = tree(scene.drives[0].root / "A001.incomplete")
    assert 0 < len(left) < len(clips)
    name = min(left)
    facts = os.stat(scene.card.root / name)
    clips[name] = os.urandom(facts.st_size)
    write_card(scene.card, {name: clips[name]})
    # The very same listing: only the bytes tell.
    os.utime(scene.card.root / name, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    outcome = scene.offload()
    assert codes(outcome) == []
    for drive in scene.drives:
        copied = tree(drive.root / "A001")
        assert {each: copied[each] for each in clips} == clips


def test_drive_that_is_too_small_gets_no_byte(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    small = rack.volume(EXT4, name="small", size_bytes=16 << 20)
    scene.drives.append(small)
    write_card(scene.card, {"A001C001.mov": os.urandom(20_000_000)})
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, "the two large drives are enough"
    assert not (small.root / "A001").exists()
    assert not (small.root / "A001.incomplete").exists()


def test_missing_mount_is_refused_and_nothing_lands_beside_it(rack: Rack, tmp_path: Path) -> None:
    """The drive was set up, then its folder is bare: the file system is not mounted."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    scene.offload()
    scene.drives[1].unmount()
    from offload.ledger import drives as known
    from offload.ledger.database import Ledger

    with Ledger(os.fsencode(scene.home)) as ledger:
        hints = known.in_use(ledger, "shuttle-2")
    assert hints is not None
    wish = scene.wish()
    second = DriveWish("shuttle-2", wish.drives[1].path, hints.hints.volume_id, hints.hints.marker)
    outcome = scene.offload(scene.wish(drives=(wish.drives[0], second)))
    assert not outcome.verdict.is_cleared
    assert "drive-away" in codes(outcome)
    assert list(scene.drives[1].root.iterdir()) == []


def test_two_runs_on_one_card_are_refused(rack: Rack, tmp_path: Path) -> None:
    from offload.ledger.lease import take_card
    from offload.ledger.locks import Holder

    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    fd = os.open(scene.card.root, os.O_RDONLY)
    volume = scene.surroundings.volume_of(fd)
    os.close(fd)
    key = scene.surroundings.mounting_key(volume)
    with (
        take_card(os.fsencode(scene.home), key, Holder(os.getpid(), "cart", 1)),
        pytest.raises(BusyError, match="another run"),
    ):
        scene.offload()


def test_drive_wrong_after_the_copy_is_held_and_said_to_be_failing(
    rack: Rack, tmp_path: Path
) -> None:
    """What was proven a moment ago is looked at once more at the end."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    from offload.events import Event, StepStarted

    victim = scene.drives[0].root / "A001.incomplete/Clips/A001C001.mov"

    def damage(event: Event) -> None:
        if isinstance(event, StepStarted) and event.step == "proving":
            scene.drives[0].sync()
            scene.drives[0].flip(victim, 100_000)

    scene.events = _Calling(damage)  # type: ignore[assignment]
    outcome = scene.offload()
    assert not outcome.verdict.is_cleared
    assert any("shuttle-1" in hold.drives for hold in outcome.verdict.holds)
    assert not (scene.drives[0].root / "A001").exists()


class _Calling(list):  # type: ignore[type-arg]
    def __init__(self, action: object) -> None:
        super().__init__()
        self._action = action

    def append(self, event: object) -> None:
        super().append(event)
        self._action(event)  # type: ignore[operator]


def test_result_has_what_is_promised(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    result = json.loads(json.dumps(result_of(scene.offload())))
    wanted = {
        "verdict",
        "holds",
        "notices",
        "card",
        "code",
        "roll",
        "copies",
        "bytes",
        "files",
        "manifest",
        "clearance",
    }
    assert wanted <= result.keys()
    assert {"drive", "path", "verified", "read_back"} <= result["copies"][0].keys()


@pytest.mark.parametrize("fs", [EXT4, XFS, BTRFS, EXFAT], ids=lambda fs: fs.name)
def test_folder_blocks_changed_after_the_copy_are_seen_or_said_to_be_unread(
    rack: Rack, tmp_path: Path, fs: FileSystem
) -> None:
    """Names are answered from memory on a mounted file system: then the record must say so."""
    scene = Scene.make(rack, tmp_path, drives=(fs, EXT4))
    write_card(scene.card, CLIPS)
    from offload.events import Event, StepStarted

    damaged = []

    def damage(event: Event) -> None:
        if isinstance(event, StepStarted) and event.step == "proving" and not damaged:
            scene.drives[0].sync()
            damaged.append(scene.drives[0].damage_name(b"A001C002.mov"))

    scene.events = _Calling(damage)  # type: ignore[assignment]
    outcome = scene.offload()
    assert damaged
    copy = outcome.verdict.copies[0]
    assert not outcome.verdict.is_cleared or not copy.names_read
    if outcome.clearance is not None:
        stated = json.loads(outcome.clearance.content)["copies"]
        assert [each["names_read"] for each in stated if each["drive"] == "shuttle-1"] == [False]


def test_names_are_read_from_a_drive_that_was_mounted_anew(rack: Rack, tmp_path: Path) -> None:
    """Unplugged and plugged in again between writing and proving: nothing is remembered."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    first = scene.offload()
    assert [copy.names_read for copy in first.verdict.copies] == [False, False]
    scene.drives[0].remount()
    second = scene.offload()
    assert second.verdict.is_cleared
    assert [copy.names_read for copy in second.verdict.copies] == [True, False]


@pytest.mark.parametrize("fs", [EXT4, XFS, EXFAT], ids=lambda fs: fs.name)
def test_folder_blocks_changed_while_a_drive_is_away_are_seen(
    rack: Rack, tmp_path: Path, fs: FileSystem
) -> None:
    scene = Scene.make(rack, tmp_path, drives=(fs, EXT4))
    write_card(scene.card, CLIPS)
    assert scene.offload().verdict.is_cleared
    scene.drives[0].unmount()
    scene.drives[0].damage_name(b"A001C002.mov")
    scene.drives[0].mount()
    assert not scene.offload().verdict.is_cleared


def test_card_without_a_name_waits_under_its_code(rack: Rack, tmp_path: Path) -> None:
    """No rule gives a name: never a guess, and the second run finds the copy again."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, {"MISC/take.bin": os.urandom(90_000)})
    first = scene.offload(scene.wish(roll=""))
    assert first.verdict.is_cleared
    roll = f"unnamed-{first.context.code}"
    assert first.context.roll == roll
    assert "roll-unnamed" in [notice.code for notice in first.verdict.notices]
    for drive in scene.drives:
        names = sorted(path.name for path in drive.root.iterdir() if path.name != "lost+found")
        assert names == [".offload-drive", "records", roll]
        assert [path.name for path in (drive.root / "records").iterdir()] == [roll]
    second = scene.offload(scene.wish(roll=""))
    assert second.verdict.is_cleared
    assert second.context.roll == roll


def test_half_a_marker_of_a_killed_run_is_taken_away_and_nothing_else(
    rack: Rack, tmp_path: Path
) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, {"CLIPS/A001C001.mov": os.urandom(90_000)})
    top = scene.drives[0].root
    half, foreign = top / ".new-_offload-drive-0123456789abcdef", top / ".new-_offload-driver"
    half.write_bytes(b'{"drive": "01')
    foreign.write_bytes(b"somebody's")
    assert scene.offload(scene.wish()).verdict.is_cleared
    assert not half.exists()
    assert foreign.read_bytes() == b"somebody's"


def test_roll_is_named_by_its_clips(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, {"B007/B007C001_261125_NF01.mov": os.urandom(90_000)})
    outcome = scene.offload(scene.wish(roll=""))
    assert outcome.context.roll == "B007"
    assert (scene.drives[0].root / "B007").is_dir()


def test_two_cards_of_one_name_at_once_keep_apart(rack: Rack, tmp_path: Path) -> None:
    """The second begins while the first is still growing."""
    from offload.events import Event, StepStarted

    scene = Scene.make(rack, tmp_path)
    twin = rack.volume(EXT4, name="twin")
    write_card(scene.card, {"A001C001.mov": os.urandom(200_000)})
    write_card(twin, {"A001C001.mov": os.urandom(200_000)})
    other = Scene(scene.home, twin, scene.drives, scene.key)
    results = []

    def meanwhile(event: Event) -> None:
        if isinstance(event, StepStarted) and event.step == "proving" and not results:
            results.append(other.offload(other.wish()))

    scene.events = _Calling(meanwhile)  # type: ignore[assignment]
    first = scene.offload()
    assert first.verdict.is_cleared and results[0].verdict.is_cleared
    assert {first.context.roll, results[0].context.roll} == {"A001", "A001-2"}
    for drive in scene.drives:
        for root, roll in ((scene.card.root, first), (twin.root, results[0])):
            copy = drive.root / roll.context.roll / "A001C001.mov"
            assert copy.read_bytes() == (root / "A001C001.mov").read_bytes()


@pytest.mark.parametrize("is_damaged", [False, True])
def test_card_with_its_recorders_own_list_is_checked_against_it(
    rack: Rack, tmp_path: Path, is_damaged: bool
) -> None:
    """A fault that happened before us keeps the card, however well it was copied."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    listed = subprocess.run(
        ["md5sum", *CLIPS], cwd=scene.card.root, check=True, capture_output=True, text=True
    )
    (scene.card.root / "card.md5").write_text(listed.stdout)
    if is_damaged:
        scene.card.flip(scene.card.root / "Clips/A001C002.mov", 5000)
        scene.card.remount()
    scene.card.sync()
    outcome = scene.offload()
    assert codes(outcome) == (["sent-differs"] if is_damaged else [])
    assert outcome.verdict.is_cleared is not is_damaged
    assert "as-sent" in [notice.code for notice in outcome.verdict.notices]
