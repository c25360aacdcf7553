"""Ways to make the program say "safe to erase" of what is not proven, or touch what is not its own.

Each test is one attempt: names that collide, material that is somebody else's under a name that
fits, facts of yesterday used today, drives that are cards.
"""

import json
import os
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from offload.jobs.clearing import publish
from offload.jobs.ending import Ending
from offload.jobs.listed_answer import check_listed
from offload.jobs.outcome import Outcome
from offload.jobs.preflighting import PreflightError, preflight
from offload.jobs.surroundings import Surroundings
from offload.jobs.tools import StoppedError, Tools
from offload.jobs.wishes import DriveWish
from offload.ledger.database import Ledger
from offload.storage.asking import Asked, Asking
from offload.storage.durable import stage
from offload.transfer import proving
from offload.values.facts import Policy
from offload.values.findings import Finding
from offload.volumes.volume import Volume as Mounted
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.lab.images import EXT4, XFS, Rack

pytestmark = pytest.mark.lab

CLIPS = {
    "Clips/A001C001.mov": os.urandom(1_200_000),
    "Clips/A001C002.mov": os.urandom(70_001),
    "Clips/A001C002.xml": b"<take/>",
}
CLIP = "Clips/A001C002.mov"


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    made = Scene.make(rack, tmp_path)
    write_card(made.card, CLIPS)
    return made


def check(scene: Scene, policy: Policy | None = None, card: Path | None = None) -> Outcome:
    """What a later command says from a listing."""
    with Ledger(os.fsencode(scene.home)) as ledger:
        tools = Tools(ledger, scene.key, scene.surroundings)
        found = check_listed(os.fsencode(card or scene.card.root), policy or Policy(), tools)
    assert found is not None
    return found


def clearances(scene: Scene) -> list[Path]:
    return [path for drive in scene.drives for path in drive.root.rglob("clearance-*.json")]


# --- two things under one name


def test_drive_called_card_is_proven_by_its_own_bytes(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = ("card", "shuttle-2")
    drives = tuple(
        DriveWish(name, os.fsencode(volume.root))
        for name, volume in zip(names, scene.drives, strict=True)
    )
    damage_before_proving(monkeypatch, scene.drives[0].root / "A001.incomplete" / CLIP)
    outcome = scene.offload(scene.wish(drives=drives))
    assert codes(outcome) == ["copy-differs"]
    assert not clearances(scene)


def damage_before_proving(monkeypatch: pytest.MonkeyPatch, path: Path) -> None:
    """Change one byte of a copy between copying and proving, as a lying drive does."""
    real = proving.prove_all

    def prove(*arguments: object, **more: object) -> object:
        if path.exists() and path.read_bytes() == CLIPS[CLIP]:
            path.write_bytes(bytes(len(CLIPS[CLIP])))
            os.utime(path)
        return real(*arguments, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("offload.jobs.passes.prove_all", prove)


# --- what is on a drive already


def test_file_of_another_content_beside_additions_is_left_alone(scene: Scene) -> None:
    """A folder made by hand under the roll's name: all sizes fit, one content does not."""
    drive = scene.drives[0]
    mine = os.urandom(len(CLIPS[CLIP]))
    (drive.root / "A001/Clips").mkdir(parents=True)
    (drive.root / "A001" / CLIP).write_bytes(mine)
    drive.sync()
    outcome = scene.offload()
    assert "copy-differs" in codes(outcome)
    assert (drive.root / "A001" / CLIP).read_bytes() == mine


def test_records_folder_of_somebody_else_is_left_alone(scene: Scene) -> None:
    drive = scene.drives[0]
    theirs = drive.root / "records/A001"
    theirs.mkdir(parents=True)
    (theirs / "allowed_signers").write_text("somebody\n")
    (theirs / "A001.xxh128").write_text("a list\n")
    drive.sync()
    before = tree(theirs)
    scene.offload()
    assert {name: tree(theirs).get(name) for name in before} == before


@pytest.fixture
def partial(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> Scene:
    """A roll of which one clip could not be read; the card is formatted all the same."""
    real = Asking.take

    def fails(self: Asking, asked: Asked, *, patiently: bool) -> int:
        if patiently and asked.file.size_bytes == len(CLIPS["Clips/A001C001.mov"]):
            raise OSError(5, "Input/output error")
        return real(self, asked, patiently=patiently)

    with monkeypatch.context() as patch:
        patch.setattr(Asking, "take", fails)
        outcome = scene.offload()
    assert "unreadable-on-card" in codes(outcome)
    for drive in scene.drives:
        assert (drive.root / "A001.partial" / CLIP).read_bytes() == CLIPS[CLIP]
    return scene


@pytest.mark.parametrize("longer", [0, 7])
def test_new_material_never_replaces_a_partial_roll(partial: Scene, longer: int) -> None:
    """The camera counts from 1 again, on the same file system: the names and sizes fit."""
    new = {name: os.urandom(len(content) + longer) for name, content in CLIPS.items()}
    write_card(partial.card, new)
    outcome = partial.offload()
    assert outcome.verdict.is_cleared
    for drive in partial.drives:
        assert (drive.root / "A001.partial" / CLIP).read_bytes() == CLIPS[CLIP]
        found = tree(drive.root / "A001-2")
        assert {name: found[name] for name in new} == new


def test_partial_roll_is_mended_under_its_own_name(partial: Scene) -> None:
    outcome = partial.offload()
    assert outcome.verdict.is_cleared
    for drive in partial.drives:
        found = tree(drive.root / "A001")
        assert {name: found[name] for name in CLIPS} == CLIPS
        assert not (drive.root / "A001.partial").exists()


def test_proving_alone_removes_and_writes_no_copy(scene: Scene) -> None:
    with pytest.raises(StoppedError):
        scene.offload(is_stopped=stopped_after(scene, "copying"))
    for drive in scene.drives:
        with (drive.root / "A001.incomplete" / CLIP).open("r+b") as file:
            file.write(b"wrong")
        (drive.root / "A001.incomplete/extra.bin").write_bytes(b"extra")
        drive.sync()
    before = [tree(drive.root / "A001.incomplete") for drive in scene.drives]
    outcome = scene.offload(scene.wish(only_prove=True))
    assert not outcome.verdict.is_cleared
    assert [tree(drive.root / "A001.incomplete") for drive in scene.drives] == before


def stopped_after(scene: Scene, step: str) -> Callable[[], bool]:
    return lambda: any(
        type(event).__name__ == "StepFinished" and event.step == step  # type: ignore[union-attr]
        for event in scene.events
    )


# --- cards are not written to


def test_another_card_takes_no_copy(rack: Rack, scene: Scene) -> None:
    second = rack.volume(EXT4, name="slot-b")
    write_card(second, {"DCIM/100ABCDE/ABCD0001.MOV": os.urandom(5000)})
    second.sync()
    before = tree(second.root)
    for path in (second.root, second.root / "DCIM"):
        drives = (
            DriveWish("slot-b", os.fsencode(path)),
            DriveWish("shuttle-1", os.fsencode(scene.drives[0].root)),
        )
        outcome = scene.offload(scene.wish(drives=drives))
        assert not outcome.verdict.is_cleared
        assert tree(second.root) == before


@pytest.mark.parametrize("folder", ["", "backup"])
def test_nothing_is_tried_on_the_card_itself(scene: Scene, folder: str) -> None:
    place = scene.card.root / folder
    place.mkdir(exist_ok=True)
    scene.card.sync()
    stamp = os.stat(place).st_mtime_ns
    drives = (*scene.wish().drives, DriveWish("mine", os.fsencode(place)))
    with pytest.raises(PreflightError):
        scene.offload(scene.wish(drives=drives))
    assert os.stat(place).st_mtime_ns == stamp


# --- facts of an earlier run


def test_one_reading_never_passes_for_two(scene: Scene) -> None:
    assert scene.offload(scene.wish(policy=Policy(card_reads=1))).verdict.is_cleared
    later = check(scene, Policy(card_reads=2))
    assert not later.verdict.is_cleared or "read once" in later.verdict.headline
    assert later.facts.policy.card_reads == 1


def test_held_verdict_ends_an_earlier_clearance(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert scene.offload().verdict.is_cleared
    assert check(scene).verdict.is_cleared
    with monkeypatch.context() as patch:
        doubt = (Finding("clip-unfinished", "it was never closed", CLIP.encode()),)
        patch.setattr("offload.jobs.offloading.Ending", doubting(doubt))
        assert codes(scene.offload()) == ["clip-unfinished"]
    assert not check(scene).verdict.is_cleared


def doubting(doubt: tuple[Finding, ...]) -> Callable[..., Ending]:
    """The end of a run that doubts a clip."""

    def ending(*arguments: object, **more: object) -> Ending:
        return Ending(*arguments, **{**more, "clip_findings": doubt})  # type: ignore[arg-type]

    return ending


def test_mount_ids_that_are_given_again_show_nothing(scene: Scene) -> None:
    """Kernels before 6.8 give the next card in the reader the mount id of the last one."""
    scene.surroundings = reused_ids(scene.surroundings)
    assert scene.offload().verdict.is_cleared
    scene.card.remount()
    assert "card-was-away" in codes(check(scene))


def reused_ids(real: Surroundings) -> Surroundings:
    def narrowed(volume: Mounted) -> Mounted:
        return replace(volume, mount_id=77, is_mount_id_unique=False)

    return replace(
        real,
        volumes=lambda: tuple(narrowed(volume) for volume in real.volumes()),
        volume_of=lambda fd: narrowed(real.volume_of(fd)),
    )


def test_folder_put_in_the_place_of_the_card_is_not_the_card(rack: Rack, scene: Scene) -> None:
    """Two folders alike in every name, size and time; one is offloaded, then they change places."""
    desk = rack.volume(EXT4, name="desk")
    for name in ("card", "other"):
        folder = desk.root / "cards" / name
        for path in CLIPS:
            file = folder / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(CLIPS[path] if name == "card" else os.urandom(len(CLIPS[path])))
            os.utime(file, ns=(10**18, 10**18))
    desk.sync()
    card = desk.root / "cards/card"
    assert scene.offload(scene.wish(card=os.fsencode(card))).verdict.is_cleared
    assert check(scene, card=card).verdict.is_cleared
    card.rename(desk.root / "cards/before")
    (desk.root / "cards/other").rename(card)
    assert not check(scene, card=card).verdict.is_cleared


def test_run_gone_on_with_reads_the_card_once_where_that_is_asked_for(scene: Scene) -> None:
    """What an earlier run has read is read again, the rest for the first time: both stand."""
    once = scene.wish(policy=Policy(card_reads=1))
    with pytest.raises(StoppedError):
        scene.offload(once, is_stopped=stopped_after(scene, "copying"))
    scene.events.clear()
    for drive in scene.drives:
        (drive.root / "A001.incomplete" / CLIP).unlink()
        drive.sync()
    assert codes(scene.offload(once)) == []


def test_next_volume_with_the_same_mount_id_has_another_key(scene: Scene) -> None:
    """The alarm about a card that is out must not end because another one is in."""
    machine = reused_ids(scene.surroundings)
    fds = [os.open(volume.root, os.O_RDONLY) for volume in (scene.card, scene.drives[0])]
    try:
        one, other = (replace(machine.volume_of(fd), device="8:17") for fd in fds)
    finally:
        for fd in fds:
            os.close(fd)
    assert machine.mounting_key(one) != machine.mounting_key(other)


def test_bind_mount_is_no_mounting_anew(rack: Rack, scene: Scene, tmp_path: Path) -> None:
    """What was written is still remembered: nothing says that names came from the device."""
    scene.offload()
    places = [tmp_path / name for name in ("one", "two")]
    for place, volume in zip(places, scene.drives, strict=True):
        place.mkdir()
        rack.bind_at(volume.root, place)
    drives = tuple(
        DriveWish(f"shuttle-{at}", os.fsencode(place)) for at, place in enumerate(places, 1)
    )
    outcome = scene.offload(scene.wish(drives=drives))
    assert [copy.names_read for copy in outcome.verdict.copies] == [False, False]


def test_roll_that_another_run_has_begun_meanwhile_is_left_alone(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another machine takes the name and ends between our look at the drive and our lock."""
    run = dict.fromkeys(("key", "inventory", "volume_id", "host", "code", "roll"), "theirs")
    theirs = json.dumps(run).encode("ascii")
    records = scene.drives[0].root / "records/A001"
    real = preflight

    def later(*arguments: object) -> object:
        found = real(*arguments)  # type: ignore[arg-type]
        records.mkdir(parents=True)
        (records / "run.json").write_bytes(theirs)
        return found

    monkeypatch.setattr("offload.jobs.preparing.preflight", later)
    outcome = scene.offload()
    assert not outcome.verdict.is_cleared
    assert (records / "run.json").read_bytes() == theirs
    assert not (scene.drives[0].root / "A001").exists()


# --- the clearance itself


def test_drive_that_refuses_the_clearance_is_counted_by_none(
    rack: Rack, scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene.drives.append(rack.volume(EXT4, name="shuttle-3"))
    real = stage

    def refusing(root: object, path: bytes, content: bytes) -> bytes:
        if root.path == os.fsencode(scene.drives[1].root):  # type: ignore[attr-defined]
            raise OSError(28, "No space left on device")
        return real(root, path, content)  # type: ignore[arg-type]

    monkeypatch.setattr("offload.jobs.clearing.stage", refusing)
    outcome = scene.offload()
    assert outcome.verdict.is_cleared
    assert outcome.clearance is not None
    assert {path.relative_to(path.parents[2]).name for path in clearances(scene)}
    assert len(clearances(scene)) == 2
    assert set(outcome.clearance.paths) == {"shuttle-1", "shuttle-3"}


def test_card_that_leaves_while_the_clearance_is_written_is_kept(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = publish

    def leaving(*arguments: object) -> object:
        made = real(*arguments)  # type: ignore[arg-type]
        scene.card.unmount_lazy()
        return made

    monkeypatch.setattr("offload.jobs.ending.publish", leaving)
    outcome = scene.offload()
    assert not outcome.verdict.is_cleared
    assert not clearances(scene)


# --- copies that are one


def test_shared_extents_are_one_copy(rack: Rack, tmp_path: Path) -> None:
    """Two folders of one drive may count where that was allowed, one set of blocks never."""
    made = Scene.make(rack, tmp_path, drives=(XFS,))
    write_card(made.card, CLIPS)
    folders = [made.drives[0].root / name for name in ("one", "two")]
    for folder in folders:
        folder.mkdir()
    wishes = tuple(DriveWish(folder.name, os.fsencode(folder)) for folder in folders)
    allowed = Policy(separate_drives=False)
    made.offload(made.wish(drives=wishes[:1], policy=allowed))
    source = folders[0] / "A001"
    subprocess.run(["cp", "-a", "--reflink=always", source, folders[1]], check=True)
    made.drives[0].sync()
    outcome = made.offload(made.wish(drives=wishes, policy=allowed))
    assert codes(outcome) == ["copy-not-own"]
    assert not clearances(made)
