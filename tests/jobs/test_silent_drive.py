"""A drive whose server answers no call: it is told, and everything else goes on."""

import os
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from offload.jobs.opening import DriveAwayError, HeldDrive, is_drive_there, open_drive
from offload.jobs.wishes import DriveWish
from offload.values.facts import Policy
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import Rack

pytestmark = pytest.mark.lab

_EVERY_CALL = tuple(
    Fault(op, "hang", count=0) for op in ("getattr", "opendir", "readdir", "open", "statfs")
)


@pytest.fixture
def share(tmp_path: Path) -> Iterator[FaultFs]:
    backing = tmp_path / "server"
    backing.mkdir()
    with FaultFs(backing, tmp_path / "share") as share:
        yield share
        share.plan()
        share.release("EIO")


def test_silent_drive_is_told_and_the_others_are_filled(
    rack: Rack, tmp_path: Path, share: FaultFs
) -> None:
    scene = Scene.make(rack, tmp_path)
    scene.surroundings = replace(scene.surroundings, drive_answer_s=5.0)
    write_card(scene.card, {"Clips/A001C001.mov": os.urandom(100_000)})
    silent = DriveWish("server", os.fsencode(share.root))
    share.plan(*_EVERY_CALL)
    wish = scene.wish(drives=(silent, *scene.wish().drives), policy=Policy(copies_needed=3))
    outcome = scene.offload(wish)
    assert "drive-away" in codes(outcome)
    (hold,) = [each for each in outcome.verdict.holds if each.code == "drive-away"]
    assert "server" in hold.text
    for drive in scene.drives:
        assert "Clips/A001C001.mov" in tree(drive.root / "A001")


def test_silent_drive_says_what_to_look_at(rack: Rack, tmp_path: Path, share: FaultFs) -> None:
    scene = Scene.make(rack, tmp_path)
    share.plan(*_EVERY_CALL)
    soon = replace(scene.surroundings, drive_answer_s=0.5)
    with pytest.raises(DriveAwayError, match=r"the drive server does not answer") as caught:
        open_drive(DriveWish("server", os.fsencode(share.root)), soon)
    assert "network" in caught.value.remedy


def test_drive_that_falls_silent_is_not_there_until_it_answers(
    rack: Rack, tmp_path: Path, share: FaultFs
) -> None:
    scene = Scene.make(rack, tmp_path)
    patient = replace(scene.surroundings, drive_answer_s=30.0)
    held: HeldDrive = open_drive(DriveWish("server", os.fsencode(share.root)), patient)
    try:
        assert is_drive_there(held, patient)
        share.plan(*_EVERY_CALL)
        assert not is_drive_there(held, replace(patient, drive_answer_s=0.5))
        share.plan()
        share.release()
        deadline = time.monotonic() + 30
        while not is_drive_there(held, patient):
            assert time.monotonic() < deadline
    finally:
        held.root.close()
