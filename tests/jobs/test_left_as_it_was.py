"""What others have put on a drive stays, and what a run had to give up leaves nothing behind."""

import os
import random
from pathlib import Path

import pytest

from offload.events import StepStarted
from offload.jobs.tools import StoppedError
from offload.jobs.verify_result import Answer
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.jobs.wishes import DriveWish
from offload.record.signers import SignerEntry, Signers
from tests.jobs.scene import Scene, tree, write_card
from tests.lab.images import EXT4, Rack, Volume

pytestmark = pytest.mark.lab

_source = random.Random(41)
CLIPS = {f"CLIPS/A001C00{at}.mov": _source.randbytes(30_000 + at) for at in (1, 2)}


def interrupted(scene: Scene) -> None:
    """A run that was stopped when all was copied and nothing proven."""
    with pytest.raises(StoppedError):
        scene.offload(is_stopped=lambda: StepStarted("proving") in scene.events)
    scene.events.clear()


def verified(scene: Scene, drive: int) -> Answer:
    root = scene.drives[drive].root
    identity = (root / "records/A001/allowed_signers").read_text().split()[0]
    signers = Signers((SignerEntry(identity, scene.key.public),))
    wish = VerifyWish(os.fsencode(root))
    return verify_folder(wish, VerifyTools(signers, scene.surroundings)).answer


def test_what_a_person_put_into_an_unfinished_copy_is_kept(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    interrupted(scene)
    growing = scene.drives[0].root / "A001.incomplete"
    put = {"notes.txt": b"take 2 is the good one", "CLIPS/boom.wav": b"sound from the set"}
    for name, content in put.items():
        (growing / name).write_bytes(content)
    # A file of the card that a killed run has written in part is ours and goes.
    (growing / "CLIPS/A001C002.mov").write_bytes(CLIPS["CLIPS/A001C002.mov"][:1000])
    outcome = scene.offload()
    assert outcome.verdict.is_cleared
    assert tree(scene.drives[0].root / "A001.not-on-card") == put
    copied = tree(scene.drives[0].root / "A001")
    assert {name for name in copied if not name.startswith("ascmhl/")} == set(CLIPS)
    assert not growing.exists()
    told = [each.text for each in outcome.verdict.notices if each.code == "kept-aside"]
    assert all(any(f"A001.not-on-card/{name}" in text for text in told) for name in put), told
    assert verified(scene, 0) is Answer.AS_RECORDED


def test_what_is_kept_twice_under_one_name_is_both_there(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    for content in (b"first", b"second"):
        interrupted(scene)
        (scene.drives[0].root / "A001.incomplete/notes.txt").write_bytes(content)
    assert scene.offload().verdict.is_cleared
    kept = tree(scene.drives[0].root / "A001.not-on-card")
    assert sorted(kept.values()) == [b"first", b"second"]


def twin_of(rack: Rack, scene: Scene, more: dict[str, bytes]) -> Volume:
    """A card alike in volume, names, sizes and times, and with more on it; other content."""
    twin = rack.snapshot(scene.card, "twin")
    twin.mount()
    write_card(twin, {name: os.urandom(len(content)) for name, content in CLIPS.items()})
    write_card(twin, more)
    for name in CLIPS:
        facts = (scene.card.root / name).stat()
        os.utime(twin.root / name, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    twin.sync()
    return twin


@pytest.mark.parametrize("more", [{}, {"MORE/A001C003.mov": b"one more"}], ids=["alike", "more"])
def test_another_cards_roll_is_left_as_it_was(
    rack: Rack, tmp_path: Path, more: dict[str, bytes]
) -> None:
    scene = Scene.make(rack, tmp_path)
    (scene.card.root / "lost+found").rmdir()
    write_card(scene.card, CLIPS)
    twin = twin_of(rack, scene, more)
    assert scene.offload().verdict.is_cleared
    before = [tree(drive.root) for drive in scene.drives]
    third = rack.volume(EXT4, name="shuttle-3")
    drives = (*scene.wish().drives, DriveWish("shuttle-3", os.fsencode(third.root)))
    outcome = scene.offload(scene.wish(card=os.fsencode(twin.root), drives=drives))
    assert outcome.verdict.is_cleared
    assert outcome.context.roll == "A001-2"
    for drive, was in zip(scene.drives, before, strict=True):
        now = tree(drive.root)
        assert {name: now[name] for name in was} == was
        assert not (drive.root / "A001.incomplete").exists()
    assert sorted(each.name for each in third.root.iterdir() if each.name != "lost+found") == [
        ".offload-drive",
        "A001-2",
        "records",
    ]
    assert [each.name for each in (third.root / "records").iterdir()] == ["A001-2"]
