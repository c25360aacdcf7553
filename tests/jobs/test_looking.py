"""Clips are looked into while their card is copied: what is broken holds, what is odd is told."""

import os
from fractions import Fraction
from pathlib import Path

import pytest

from offload.clearance.decisions import content_checksum
from offload.events import Found, StepFinished, StepStarted
from offload.jobs.listed_answer import check_listed
from offload.jobs.look_notices import Sheet
from offload.jobs.outcome import Outcome
from offload.jobs.tools import Tools
from offload.ledger import clips as kept_clips
from offload.ledger import decisions, files, offloads, rolls
from offload.ledger.clips import KeptClip
from offload.ledger.database import Ledger
from offload.media.brief_settings import brief_from
from offload.media.camera_sheet import parse_sheet
from offload.values.clips import AsOrdered, ClipCode, Complete, Copied, Usable
from offload.values.facts import Policy
from offload.values.verdict import Notice
from tests.jobs.scene import Scene, codes, write_card
from tests.lab.footage import Track, noise, silence, write_footage, write_frame
from tests.lab.images import Rack
from tests.lab.processes import nothing_left
from tests.media.made_clips import clip, unfinished

pytestmark = pytest.mark.lab

ZEROS = 3 * 65_536


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    """A card and two drives, nothing on them."""
    return Scene.make(rack, tmp_path)


def looked_at(scene: Scene, **changes: object) -> Outcome:
    """One offload that looks into the clips."""
    return scene.offload(scene.wish(looks=True, **changes))


def kept(scene: Scene) -> dict[bytes, KeptClip]:
    """What the ledger keeps of the clips, by path."""
    with Ledger(os.fsencode(scene.home)) as ledger:
        (roll,) = rolls.newest(ledger)
        return {each.path: each for each in kept_clips.of_roll(ledger, roll.roll)}


def notices(outcome: Outcome) -> dict[str, Notice]:
    """The notices by code."""
    return {notice.code: notice for notice in outcome.verdict.notices}


def good_clip(number: int, **how: object) -> tuple[str, bytes]:
    return f"A001/A001C{number:03}_261125_NF.mov", clip("mov", **how)  # type: ignore[arg-type]


def test_whole_clips_are_kept_with_their_answers(scene: Scene) -> None:
    write_card(scene.card, dict([good_clip(1), good_clip(2, timecode="01:00:10:00")]))
    brief = brief_from({"codec": "ProRes 422 HQ", "frame_rate": "24000/1001"})
    outcome = looked_at(scene, brief=brief)
    assert outcome.verdict.is_cleared
    found = kept(scene)
    assert len(found) == 2
    for each in found.values():
        answers = each.answers
        assert (answers.copied, answers.complete) == (Copied.YES, Complete.YES)
        assert (answers.usable, answers.as_ordered) == (Usable.YES, AsOrdered.YES)
        assert each.probed.facts.rate == Fraction(24000, 1001)
    with Ledger(os.fsencode(scene.home)) as ledger:
        (roll,) = rolls.newest(ledger)
        picture = kept_clips.picture(ledger, roll.roll, b"A001/A001C001_261125_NF.mov")
    assert picture is not None and picture.jpeg[:2] == b"\xff\xd8"


def zeroed() -> bytes:
    """A clip with zeros over whole pictures, as a power cut leaves it."""
    content = bytearray(clip("mov", frames=240))
    start = -(-len(content) // 3 // 65_536) * 65_536
    content[start : start + ZEROS] = bytes(ZEROS)
    return bytes(content)


def quiet_zeros() -> bytes:
    """Zeros inside one compressed picture that nobody decodes: only the map of zeros shows them."""
    content = bytearray(clip("mov", codec="mjpeg", frames=9, size=(3840, 2160)))
    second = content.index(b"\xff\xd8\xff", content.index(b"\xff\xd8\xff") + 3)
    start = -(-(second + 65_536) // 65_536) * 65_536
    content[start : start + 2 * 65_536] = bytes(2 * 65_536)
    return bytes(content)


BROKEN = {
    "never closed": (lambda: unfinished("mov"), ClipCode.UNFINISHED),
    "empty": (lambda: b"", ClipCode.EMPTY),
    "cut short": (lambda: clip("mxf")[:-200_000], ClipCode.CUT_SHORT),
    "zeros in its pictures": (zeroed, ClipCode.ZEROS),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_clip_holds_until_a_person_decides(scene: Scene, name: str) -> None:
    make, code = BROKEN[name]
    suffix = "mxf" if name == "cut short" else "mov"
    path = f"A001/A001C002_261125_NF.{suffix}"
    write_card(scene.card, dict([good_clip(1), (path, make())]))
    outcome = looked_at(scene)
    assert codes(outcome) == [code]
    (hold,) = outcome.verdict.holds
    assert hold.is_settleable
    assert tuple(hold.paths) == (os.fsencode(path),)
    assert kept(scene)[os.fsencode(path)].answers.complete is Complete.NO
    assert kept(scene)[os.fsencode(path)].answers.copied is Copied.YES
    settle(scene, outcome, code, os.fsencode(path))
    again = looked_at(scene)
    assert again.verdict.is_cleared
    assert "battery died" in again.verdict.settled[0]


def test_doubt_does_not_vanish_with_a_second_run(scene: Scene) -> None:
    """The second run reads nothing while copying, and so meets no zeros of its own."""
    write_card(scene.card, dict([good_clip(1), ("A001/A001C002_261125_NF.mov", quiet_zeros())]))
    assert codes(looked_at(scene)) == [ClipCode.ZEROS]
    assert codes(looked_at(scene)) == [ClipCode.ZEROS]


def test_second_run_keeps_what_a_decision_binds_to(scene: Scene) -> None:
    """Nothing is copied again, and what the verdict says to type has to work all the same."""
    path = "A001/A001C002_261125_NF.mov"
    write_card(scene.card, dict([good_clip(1), (path, unfinished("mov"))]))
    facts = looked_at(scene).facts
    for _ in range(2):
        looked_at(scene)
        with Ledger(os.fsencode(scene.home)) as ledger:
            (last, *_) = offloads.of_digest(ledger, facts.inventory.digest)
            kept = files.load(ledger, last.offload, len(facts.inventory.entries))
        bound_to = content_checksum(facts.inventory, kept.digests.get("xxh128", b""), path.encode())
        assert bound_to and bound_to == content_checksum(
            facts.inventory, facts.checksums, path.encode()
        )


def test_zeros_are_found_in_what_an_interrupted_run_copied(scene: Scene) -> None:
    write_card(scene.card, dict([good_clip(1), ("A001/A001C002_261125_NF.mov", quiet_zeros())]))
    # A run that nobody looks into knows as little of zeros as one that was killed.
    assert scene.offload().verdict.is_cleared
    assert codes(looked_at(scene)) == [ClipCode.ZEROS]


def settle(scene: Scene, outcome: Outcome, code: str, path: bytes) -> None:
    """A person's word, as the command writes it into the ledger."""
    facts = outcome.facts
    with Ledger(os.fsencode(scene.home)) as ledger:
        (last, *_) = offloads.of_digest(ledger, facts.inventory.digest)
        decisions.add(
            ledger,
            decisions.NewDecision(
                decisions.SETTLE,
                "the wrangler",
                "battery died, no take",
                1,
                card=last.card,
                code=code,
                path=path,
                checksum=content_checksum(facts.inventory, facts.checksums, path),
            ),
        )


def test_settled_clip_holds_again_with_other_content(scene: Scene) -> None:
    path = "A001/A001C002_261125_NF.mov"
    write_card(scene.card, dict([good_clip(1), (path, unfinished("mov"))]))
    outcome = looked_at(scene)
    settle(scene, outcome, ClipCode.UNFINISHED, os.fsencode(path))
    write_card(scene.card, {path: unfinished("mov", codec="mjpeg")})
    again = looked_at(scene)
    assert ClipCode.UNFINISHED in codes(again)


def test_broken_clip_is_told_while_the_card_is_copied(scene: Scene) -> None:
    files = dict([good_clip(1), ("A001/A001C000_261125_NF.mov", unfinished("mov"))])
    files |= {f"A001/NOTES{n:04}.txt": os.urandom(20_000) for n in range(400)}
    write_card(scene.card, files)
    looked_at(scene)
    told = [
        at
        for at, event in enumerate(scene.events)
        if isinstance(event, Found) and event.finding.code == ClipCode.UNFINISHED
    ]
    assert len(told) == 1, "once, not again at the end"
    assert told[0] < scene.events.index(StepStarted("proving"))


def test_card_that_is_read_once_is_left_alone(scene: Scene) -> None:
    """What else is read from the card would weaken the proof that its one reading was real."""
    write_card(scene.card, dict([good_clip(1), ("A001/A001C000_261125_NF.mov", unfinished("mov"))]))
    outcome = looked_at(scene, policy=Policy(card_reads=1))
    assert codes(outcome) == [ClipCode.UNFINISHED]
    told = next(
        at
        for at, event in enumerate(scene.events)
        if isinstance(event, Found) and event.finding.code == ClipCode.UNFINISHED
    )
    steps = [at for at, e in enumerate(scene.events) if isinstance(e, StepFinished)]
    proving = next(at for at in steps if scene.events[at].step == "proving")  # type: ignore[union-attr]
    assert told > proving


def test_unknown_and_encrypted_forms_hold_nothing(scene: Scene) -> None:
    files = dict([good_clip(1), ("A001/A001C002_261125_NF.avi", os.urandom(200_000))])
    write_card(scene.card, files)
    outcome = looked_at(scene)
    assert outcome.verdict.is_cleared
    notice = notices(outcome)[ClipCode.OPAQUE]
    assert tuple(notice.paths) == (b"A001/A001C002_261125_NF.avi",)


def test_same_deviation_is_told_once(scene: Scene, tmp_path: Path) -> None:
    files = dict(good_clip(n, timecode=f"01:00:{10 * n:02}:00") for n in range(1, 5))
    write_card(scene.card, files)
    outcome = looked_at(scene, brief=brief_from({"frame_rate": 25}))
    assert outcome.verdict.is_cleared
    notice = notices(outcome)["brief-frame-rate"]
    assert len(notice.paths) == 4
    assert "A001C001_261125_NF.mov and 3 more: 24000/1001" in notice.text
    (one, *_) = kept(scene).values()
    assert one.answers.as_ordered is AsOrdered.NO
    assert "brief-frame-rate" in [each.code for each in one.findings]


def test_silent_scratch_track_is_told(scene: Scene, tmp_path: Path) -> None:
    silent = write_footage(
        tmp_path / "silent.mov", tracks=[Track([silence(), silence()])], timecode="01:00:00:00"
    )
    loud = write_footage(tmp_path / "loud.mov", tracks=[Track([noise(-20), noise(-20, seed=2)])])
    write_card(
        scene.card,
        {
            "A001/A001C001_261125_NF.mov": silent.read_bytes(),
            "A001/A001C002_261125_NF.mov": loud.read_bytes(),
        },
    )
    outcome = looked_at(scene)
    assert outcome.verdict.is_cleared
    notice = notices(outcome)["sound-silent"]
    assert notice.text.startswith("A001/A001C001_261125_NF.mov: ")
    assert "cannot sync by sound" in notice.text


def test_missing_numbers_and_rolls_are_told(scene: Scene) -> None:
    write_card(scene.card, dict([good_clip(1), good_clip(3, timecode="01:00:10:00")]))
    outcome = looked_at(scene, sheet=Sheet(parse_sheet("A001-A002")))
    assert "C002 is missing" in notices(outcome)["clips-missing"].text
    assert "A002 is on the camera sheet" in notices(outcome)["roll-never-came"].text
    assert outcome.verdict.is_cleared


def test_hole_in_frames_holds_their_folder(scene: Scene, tmp_path: Path) -> None:
    frame = write_frame(tmp_path / "frame.dpx", size=(64, 36)).read_bytes()
    folder = "A001/A001C001_261125_NF"
    write_card(
        scene.card,
        {
            f"{folder}/A001C001.{n:07}.dpx": frame
            for n in range(1001, 1060)
            if n not in (1042, 1043)
        },
    )
    outcome = looked_at(scene)
    assert codes(outcome) == [ClipCode.PART_MISSING]
    (hold,) = outcome.verdict.holds
    assert tuple(hold.paths) == (folder.encode(),)
    assert any("1042-1043 missing" in detail for detail in hold.details)
    settle(scene, outcome, ClipCode.PART_MISSING, folder.encode())
    assert looked_at(scene).verdict.is_cleared


def test_nobody_looks_where_none_is_asked(scene: Scene) -> None:
    write_card(scene.card, {"A001/A001C001_261125_NF.mov": unfinished("mov")})
    outcome = scene.offload()
    assert outcome.verdict.is_cleared
    assert "not-looked-into" in notices(outcome)
    assert kept(scene) == {}


def test_check_without_reading_keeps_the_doubt(scene: Scene) -> None:
    """An earlier clearance, from before anybody looked, does not outlive what was found."""
    path = "A001/A001C002_261125_NF.mov"
    write_card(scene.card, dict([good_clip(1), (path, unfinished("mov"))]))
    assert scene.offload().verdict.is_cleared
    outcome = looked_at(scene)
    assert codes(outcome) == [ClipCode.UNFINISHED]
    with Ledger(os.fsencode(scene.home)) as ledger:
        tools = Tools(ledger, scene.key, scene.surroundings)
        checked = check_listed(os.fsencode(scene.card.root), Policy(), tools)
    assert checked is not None
    assert codes(checked) == [ClipCode.UNFINISHED]


def test_nothing_stays_open_and_no_worker_runs_on(scene: Scene) -> None:
    write_card(scene.card, dict(good_clip(n, timecode=f"01:00:{2 * n:02}:00") for n in range(1, 9)))
    looked_at(scene)
    with nothing_left(below=[scene.home.parent]):
        looked_at(scene)
