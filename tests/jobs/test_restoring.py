"""Records of other than plain cards, read into a ledger that does not know them."""

import os
from pathlib import Path

import pytest

from offload.jobs.restoring import Restored, RestoreTools, RestoreWish, restore_rolls
from offload.ledger import clearances, copies, offloads, rolls
from offload.ledger.database import Ledger
from offload.record.keys import SigningKey
from offload.record.signers import SignerEntry, Signers
from offload.record.sshsig import NAMESPACE
from tests.jobs.receive_scene import SENDER, STATION, Depot
from tests.jobs.scene import Scene, write_card
from tests.jobs.test_cumulative import Recorder, take
from tests.lab.images import Rack, Volume
from tests.lab.machine import loops_as_disks

pytestmark = pytest.mark.lab


class Found:
    """A ledger of its own, filled from the records on some drives."""

    def __init__(self, home: Path, drives: list[Volume], key: SigningKey) -> None:
        home.mkdir()
        signers = Signers((SignerEntry("set-1", key.public, NAMESPACE),))
        wish = RestoreWish(tuple(os.fsencode(drive.root) for drive in drives))
        with Ledger(os.fsencode(home)) as ledger:
            tools = RestoreTools(ledger, signers, loops_as_disks())
            self.restored: Restored = restore_rolls(wish, tools)
            self.rolls = {each.name: each for each in rolls.newest(ledger)}
            self.copies = {
                name: {copy.drive_name for copy in copies.of_roll(ledger, each.roll)}
                for name, each in self.rolls.items()
            }
            self.clearances = {
                name: clearances.of_roll(ledger, each.roll) for name, each in self.rolls.items()
            }
            self.runs = {
                name: offloads.of_roll(ledger, each.roll) for name, each in self.rolls.items()
            }


def test_each_roll_of_a_recorders_card_comes_back(rack: Rack, tmp_path: Path) -> None:
    recorder = Recorder(Scene.make(rack, tmp_path))
    for day in (1, 2):
        recorder.record({f"DAY{day}/T{at:02}.WAV": take(10 * day + at) for at in range(2)})
        assert recorder.offload().verdict.is_cleared
        recorder.next_day()
    scene = recorder.scene
    with Ledger(os.fsencode(scene.home)) as ledger:
        before = {each.name: (each.code, each.day) for each in rolls.newest(ledger)}
    found = Found(tmp_path / "new", scene.drives, scene.key)
    assert found.restored.findings == ()
    assert {each.code for each in found.restored.notices} == {"clearance-of-several-rolls"}
    assert {name: (each.code, each.day) for name, each in found.rolls.items()} == before
    assert set(before) == {"SOUND1", "SOUND1-2"}
    assert set(map(frozenset, found.copies.values())) == {frozenset({"shuttle-1", "shuttle-2"})}
    # Its last clearance is for all of the card; no listing that is written back is the card's.
    assert found.clearances["SOUND1-2"] == ()


def test_additions_make_no_second_roll_of_it(rack: Rack, tmp_path: Path) -> None:
    """The card came back with more: the roll has a generation more, and an earlier clearance."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, {"CLIPS/A001C001.mov": b"one"})
    assert scene.offload().verdict.is_cleared
    write_card(scene.card, {"CLIPS/A001C002.mov": b"two"})
    assert scene.offload().verdict.is_cleared
    with Ledger(os.fsencode(scene.home)) as ledger:
        before = rolls.newest(ledger)[0]
    found = Found(tmp_path / "new", scene.drives, scene.key)
    assert found.restored.findings == ()
    assert {each.code for each in found.restored.notices} == {"clearance-earlier"}
    (roll,) = found.rolls.values()
    assert (roll.name, roll.code) == (before.name, before.code)
    assert found.copies[roll.name] == {"shuttle-1", "shuttle-2"}
    assert len(found.clearances[roll.name]) == 1
    assert len(found.runs[roll.name]) == 1


def test_a_delivery_comes_back_with_what_its_sender_has_signed(rack: Rack, tmp_path: Path) -> None:
    """Its sender's clearance lies beside it; the station's own key has given none."""
    depot = Depot.make(rack, tmp_path, rolls=("A001",))
    depot.receive()
    for key, codes, answer in (
        (STATION, ["clearance-unknown-key"], "held"),
        (SENDER, [], "cleared"),
    ):
        found = Found(tmp_path / answer, depot.drives, key)
        assert [each.code for each in found.restored.findings] == codes
        assert found.copies == {"A001": {"shuttle-1", "shuttle-2"}}
        (run,) = found.runs["A001"]
        assert run.answer is not None
        assert run.answer.value == answer
        assert len(found.clearances["A001"]) == (key is SENDER)


def test_an_unfinished_copy_is_no_roll(rack: Rack, tmp_path: Path) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, {"CLIPS/A001C001.mov": bytes(100_000)})
    asked = iter([False] * 12)
    with pytest.raises(Exception, match="stopped"):
        scene.offload(is_stopped=lambda: next(asked, True))
    assert list(scene.drives[0].root.glob("*.incomplete"))
    found = Found(tmp_path / "new", scene.drives, scene.key)
    assert {each.code for each in found.restored.findings} == {"incomplete"}
    assert found.rolls == {}
