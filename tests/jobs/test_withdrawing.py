"""A clearance on a drive after the card was held: what somebody sees who has only the drive.

Nobody's ledger is asked here: verifying has the drive and the keys. The judge of signatures is
``ssh-keygen -Y verify`` (OpenSSH).
"""

import json
import os
import random
import subprocess
from pathlib import Path

import pytest

from offload.clearance.taken import StatementError
from offload.clearance.withdrawal import from_bytes
from offload.events import Found
from offload.jobs.verify_result import Answer, ClearanceReport, ClearanceState, Verification
from offload.jobs.verify_sentences import of_clearance
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.record.signers import SignerEntry, Signers
from tests.jobs.scene import Scene, tree, write_card
from tests.lab.images import Rack

pytestmark = pytest.mark.lab

_source = random.Random(37)
CLIPS = {f"CLIPS/A001C00{at}.mov": _source.randbytes(20_000 + at) for at in (1, 2)}
NEW = {"CLIPS/A001C003.mov": _source.randbytes(9_000)}


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    """A card that was cleared."""
    made = Scene.make(rack, tmp_path)
    write_card(made.card, CLIPS)
    assert made.offload().verdict.is_cleared
    return made


def hold(scene: Scene, **changes: object) -> None:
    """A later run with one drive alone."""
    outcome = scene.offload(scene.wish(drives=scene.wish().drives[:1], **changes))
    assert not outcome.verdict.is_cleared


def records(scene: Scene, drive: int) -> Path:
    return scene.drives[drive].root / "records/A001"


def verified(scene: Scene, drive: int) -> Verification:
    identity = (records(scene, drive) / "allowed_signers").read_text().split()[0]
    signers = Signers((SignerEntry(identity, scene.key.public),))
    return verify_folder(
        VerifyWish(os.fsencode(scene.drives[drive].root)), VerifyTools(signers, scene.surroundings)
    )


def states(scene: Scene, drive: int) -> list[ClearanceState]:
    return [each.state for each in verified(scene, drive).clearances]


def only(scene: Scene, drive: int) -> ClearanceReport:
    (report,) = verified(scene, drive).clearances
    return report


def test_a_later_hold_is_seen_on_the_drive_alone(scene: Scene) -> None:
    assert states(scene, 0) == [ClearanceState.PROVES_THIS_COPY]
    hold(scene)
    found = verified(scene, 0)
    assert [each.state for each in found.clearances] == [ClearanceState.WITHDRAWN]
    said = of_clearance(found.clearances[0])
    assert "withdrawn" in said and "too-few-copies" in said and "Do not erase" in said
    # The copy itself is as good as it was.
    assert found.answer is Answer.AS_RECORDED
    # The drive that was not there keeps what it has, and that names the other one.
    report = only(scene, 1)
    assert report.state is ClearanceState.PROVES_THIS_COPY
    assert "shuttle-1" in report.drives


def test_a_withdrawal_is_signed_for_stock_tools(scene: Scene) -> None:
    hold(scene)
    folder = records(scene, 0)
    identity = (folder / "allowed_signers").read_text().split()[0]
    command: list[str | Path] = [
        "ssh-keygen",
        "-Y",
        "verify",
        "-f",
        folder / "allowed_signers",
        "-I",
        identity,
    ]
    command += ["-n", "offload-record", "-s", folder / "withdrawn-0001.json.sig"]
    content = (folder / "withdrawn-0001.json").read_bytes()
    assert subprocess.run(command, input=content, capture_output=True).returncode == 0
    assert subprocess.run(command, input=content + b" ", capture_output=True).returncode != 0


def test_nothing_that_lay_there_is_changed(scene: Scene) -> None:
    before = tree(records(scene, 0))
    hold(scene)
    after = tree(records(scene, 0))
    kept = {name: content for name, content in before.items() if name != "run.json"}
    assert {name: after[name] for name in kept} == kept
    assert set(after) - set(before) == {"withdrawn-0001.json", "withdrawn-0001.json.sig"}
    hold(scene)
    again = tree(records(scene, 0))
    assert {k: v for k, v in again.items() if k != "run.json"} == {
        k: v for k, v in after.items() if k != "run.json"
    }, "once is enough"


def test_a_new_clearance_is_in_force_beside_a_withdrawn_one(scene: Scene) -> None:
    hold(scene)
    assert scene.offload().verdict.is_cleared
    assert states(scene, 0) == [ClearanceState.WITHDRAWN, ClearanceState.PROVES_THIS_COPY]
    assert states(scene, 1) == [ClearanceState.PROVES_THIS_COPY] * 2


def test_an_interrupted_withdrawal_is_finished_and_counts_meanwhile(scene: Scene) -> None:
    hold(scene)
    (records(scene, 0) / "withdrawn-0001.json.sig").unlink()
    assert states(scene, 0) == [ClearanceState.WITHDRAWN]
    hold(scene)
    assert (records(scene, 0) / "withdrawn-0001.json.sig").exists()


@pytest.mark.parametrize(
    "content", [b"", b"{}", b"[1]", b"\xff", b"[" * 100_000, b'{"form": "offload withdrawal 1"}']
)
def test_a_withdrawal_that_cannot_be_read_keeps_the_card(scene: Scene, content: bytes) -> None:
    (records(scene, 0) / "withdrawn-0001.json").write_bytes(content)
    assert only(scene, 0).state is ClearanceState.WITHDRAWN
    with pytest.raises(StatementError):
        from_bytes(content)


def test_a_withdrawal_of_another_clearance_is_not_about_this_one(scene: Scene) -> None:
    hold(scene)
    path = records(scene, 0) / "withdrawn-0001.json"
    said = json.loads(path.read_bytes())
    path.write_text(json.dumps({**said, "clearance": "c4" + "1" * 88}))
    assert only(scene, 0).state is not ClearanceState.WITHDRAWN


def test_hostile_words_in_a_withdrawal_are_harmless(scene: Scene) -> None:
    hold(scene)
    path = records(scene, 0) / "withdrawn-0001.json"
    said = json.loads(path.read_bytes())
    path.write_text(json.dumps({**said, "because": ["\x1b[2J\nSAFE", "\u202e"]}))
    assert of_clearance(only(scene, 0)).isprintable()


def test_what_came_later_from_the_card_makes_a_clearance_an_earlier_one(scene: Scene) -> None:
    write_card(scene.card, NEW)
    assert scene.offload().verdict.is_cleared
    for drive in (0, 1):
        assert states(scene, drive) == [ClearanceState.EARLIER, ClearanceState.PROVES_THIS_COPY]
    assert "earlier time" in of_clearance(verified(scene, 0).clearances[0])


def test_a_held_run_with_more_clips_withdraws_on_the_drives_it_has(scene: Scene) -> None:
    write_card(scene.card, NEW)
    hold(scene)
    assert only(scene, 0).state is ClearanceState.WITHDRAWN


def test_a_run_about_a_part_withdraws_nothing(scene: Scene) -> None:
    paths = frozenset({b"CLIPS/A001C002.mov"})
    hold(scene, only_paths=paths, roll="A001-missing", code="K7-4M2P")
    assert states(scene, 0) == [ClearanceState.PROVES_THIS_COPY]


def test_a_clearance_that_cannot_be_read_does_not_keep_the_next_in_force(scene: Scene) -> None:
    (records(scene, 0) / "clearance-0000.json").touch()
    os.truncate(records(scene, 0) / "clearance-0000.json", 65 << 20)
    hold(scene)
    told = [e.finding for e in scene.events if isinstance(e, Found)]
    (refused,) = (each for each in told if each.code == "not-withdrawn")
    assert refused.path.endswith(b"clearance-0000.json")
    assert ClearanceState.WITHDRAWN in states(scene, 0)
    assert ClearanceState.PROVES_THIS_COPY not in states(scene, 0)


def test_a_withdrawal_that_outlived_its_clearance_shields_no_other(scene: Scene) -> None:
    hold(scene)
    for name in ("clearance-0001.json", "clearance-0001.json.sig"):
        (records(scene, 0) / name).unlink()
    assert scene.offload().verdict.is_cleared
    assert states(scene, 0) == [ClearanceState.PROVES_THIS_COPY]
    hold(scene)
    assert states(scene, 0) == [ClearanceState.WITHDRAWN]
