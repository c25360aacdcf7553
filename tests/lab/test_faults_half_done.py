"""What is wrong in a half-done copy, which is this program's own, is written anew.

Only once the card itself has given the same bytes twice: else what lies there may be all there is.
"""

import shutil

import pytest

from tests.lab.cases import USUAL
from tests.lab.faultfs import Fault
from tests.lab.machine import steady_loops_as_disks
from tests.lab.runner import Lab
from tests.lab.stage import DRIVES, Stage
from tests.lab.subjects import LibraryOffload

pytestmark = pytest.mark.lab


@pytest.fixture
def unnamed(lab: Lab) -> tuple[Stage, LibraryOffload]:
    """Whole copies that have not got their roll's name, and a ledger lost since."""
    stage, _, _ = lab
    stage.reset(USUAL)
    station = LibraryOffload(surroundings=steady_loops_as_disks())
    for drive in DRIVES:
        stage.mounts[drive].plan(Fault("rename", path=".*-> A001", count=0))
    answer = station.offload(stage, card_reads=2)
    assert answer.codes == ("record-not-written",)
    shutil.rmtree(stage.home)
    stage.stored_home.mkdir(exist_ok=True)
    stage.clear()
    return stage, station


def removed(stage: Stage) -> list[str]:
    return [
        call.path
        for call in stage.calls("drive-1")
        if call.op == "unlink" and call.path.endswith(".mov")
    ]


def test_unreadable_file_of_a_half_done_copy_is_written_anew(
    unnamed: tuple[Stage, LibraryOffload],
) -> None:
    """As on a bad spot of a disk, which takes what is written there to another one."""
    stage, station = unnamed
    stage.mounts["drive-1"].plan(Fault("read", path=r".*C002\.mov", count=1))
    assert station.offload(stage, card_reads=2).is_cleared
    assert removed(stage) == ["A001.incomplete/CLIPS/A001C002.mov"]
    assert stage.copies() == 2


def test_good_file_of_a_half_done_copy_stays_while_the_card_is_in_doubt(
    unnamed: tuple[Stage, LibraryOffload],
) -> None:
    """The card's first reading is wrong, so that the good copy differs from it."""
    stage, station = unnamed
    stage.mounts["card"].plan(Fault("read", "flip_out", path=r".*C002\.mov"))
    answer = station.offload(stage, card_reads=2)
    assert "readings-differ" in answer.codes
    assert removed(stage) == []
    stage.clear()
    assert station.offload(stage, card_reads=2).is_cleared
    assert stage.copies() == 2
