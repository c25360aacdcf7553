"""What goes wrong in the look at clips keeps the card, and never ends what is about bytes."""

import errno
import functools
import gc
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.events import Event, StepFinished, StepStarted
from offload.jobs import look_decode, look_structure, looking
from offload.jobs.outcome import Outcome
from offload.jobs.tools import StoppedError
from offload.jobs.wishes import DriveWish
from offload.ledger import clips as kept_clips
from offload.ledger import rolls
from offload.ledger.database import Ledger
from offload.media.probe import ProbePool
from offload.media.structure import StructureReport
from offload.values.clips import ClipCode, Complete, Copied, Usable
from offload.values.probed import Picture
from tests.jobs.scene import Scene, codes, write_card
from tests.jobs.test_looking import good_clip, settle
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.footage import Track, noise, write_footage
from tests.lab.images import Rack
from tests.media.made_clips import unfinished

pytestmark = pytest.mark.lab

CLIP = b"A001/A001C001_261125_NF.mov"
BROKEN = "A001/A001C002_261125_NF.mov"
STUB = """
import os, signal, socket, sys, time
channel = socket.socket(fileno=int(sys.argv[1]))
channel.sendall(b"ready\\n")
while channel.recv(4096):
    {}
"""


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    """A card with one good clip, and two drives."""
    made = Scene.make(rack, tmp_path)
    write_card(made.card, dict([good_clip(1)]))
    return made


def looked_at(scene: Scene, **changes: object) -> Outcome:
    return scene.offload(scene.wish(looks=True, **changes))


@pytest.mark.parametrize(
    "does", ["os.kill(os.getpid(), signal.SIGKILL)", "time.sleep(60)", 'channel.sendall(b"{}")']
)
def test_worker_that_dies_hangs_or_talks_nonsense_holds_its_clip(
    scene: Scene, monkeypatch: pytest.MonkeyPatch, does: str
) -> None:
    command = [sys.executable, "-I", "-c", STUB.format(does)]
    pool = functools.partial(ProbePool, command=command, timeout_s=1.0)
    monkeypatch.setattr(look_decode, "ProbePool", pool)
    outcome = looked_at(scene)
    assert codes(outcome) == [ClipCode.UNCHECKED]
    assert outcome.verdict.files_safe == 1, "what is about bytes is done all the same"
    with Ledger(os.fsencode(scene.home)) as ledger:
        (roll,) = rolls.newest(ledger)
        (kept,) = kept_clips.of_roll(ledger, roll.roll)
    answers = kept.answers
    assert (answers.copied, answers.complete) == (Copied.YES, Complete.YES)
    assert answers.usable is Usable.UNKNOWN
    settle(scene, outcome, ClipCode.UNCHECKED, CLIP)
    assert looked_at(scene).verdict.is_cleared


def test_time_that_runs_out_holds_what_is_left(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(looking, "time_for", lambda clips: -1.0)
    outcome = looked_at(scene)
    assert codes(outcome) == [ClipCode.UNCHECKED]
    assert any("no time left" in detail for detail in outcome.verdict.holds[0].details)


def test_fault_of_the_look_itself_holds_the_card(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_arguments: object, **_more: object) -> None:
        raise RecursionError

    monkeypatch.setattr(look_structure, "group_files", fail)
    monkeypatch.setattr(looking, "group_files", fail)
    outcome = looked_at(scene)
    assert codes(outcome) == [ClipCode.UNCHECKED]
    assert outcome.verdict.files_safe == 1
    assert outcome.recorded
    settle(scene, outcome, ClipCode.UNCHECKED, b"")
    assert looked_at(scene).verdict.is_cleared


def test_card_that_is_not_opened_twice_is_checked_on_its_copies(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_card(scene.card, {BROKEN: unfinished("mov")})

    def refuse(_root: object) -> None:
        raise OSError(errno.EMFILE, "too many open files")

    monkeypatch.setattr(look_structure, "HeldFiles", refuse)
    assert codes(looked_at(scene)) == [ClipCode.UNFINISHED]


def test_stopped_look_goes_on_with_the_same_command(scene: Scene) -> None:
    write_card(scene.card, {BROKEN: unfinished("mov")})

    def is_stopped() -> bool:
        return StepStarted("clips") in scene.events

    with pytest.raises(StoppedError):
        scene.offload(scene.wish(looks=True), is_stopped=is_stopped)
    scene.events.clear()
    assert codes(looked_at(scene)) == [ClipCode.UNFINISHED]


def test_clip_that_the_card_reads_wrong_is_about_bytes_alone(
    scene: Scene, tmp_path: Path, faulty_disk: Callable[..., FaultFs]
) -> None:
    card = faulty_disk("card")
    shutil.copytree(scene.card.root, card.backing, dirs_exist_ok=True)
    card.plan(Fault("read", path=r".*A001C001.*", count=0))
    outcome = looked_at(scene, card=os.fsencode(card.root))
    assert ClipCode.UNCHECKED not in codes(outcome)
    assert "unreadable-on-card" in codes(outcome)


def test_one_drive_that_is_away_leaves_the_other_to_look_on(scene: Scene) -> None:
    write_card(scene.card, {BROKEN: unfinished("mov")})
    away = DriveWish("shuttle-1", b"/media/not-there")
    outcome = looked_at(scene, drives=(away, *scene.wish().drives[1:]))
    assert ClipCode.UNFINISHED in codes(outcome)
    with Ledger(os.fsencode(scene.home)) as ledger:
        (roll,) = rolls.newest(ledger)
        kept = {each.path: each for each in kept_clips.of_roll(ledger, roll.roll)}
    assert kept[CLIP].answers.usable is Usable.YES
    assert kept[CLIP].answers.copied is Copied.NO


class Held(list[Event]):
    """Events, and what is still held of the looks when the clips have been looked into."""

    reports = 0
    pictures = 0

    def append(self, event: Event) -> None:
        super().append(event)
        if isinstance(event, StepFinished) and event.step == "clips":
            # What nobody holds any more is not held, whenever it happens to be collected.
            gc.collect()
            objects = gc.get_objects()
            self.reports = sum(1 for each in objects if type(each) is StructureReport)
            self.pictures = sum(1 for each in objects if type(each) is Picture)


def test_pictures_and_reports_are_let_go_of_as_clips_are_written_down(
    scene: Scene, tmp_path: Path
) -> None:
    """A card of thousands of clips must not fill the memory."""
    source = write_footage(
        tmp_path / "clip.mov", frames=16, tracks=[Track([noise(-20, seconds=0.6)])]
    ).read_bytes()
    files = {f"A001/A001C{number}_261125_NF.mov": source for number in range(100, 160)}
    write_card(scene.card, files)
    scene.events = events = Held()
    looked_at(scene)
    # Some may be under way in a thread that has not been woken since; each clip has one of both.
    assert events.reports <= len(files) // 4
    assert events.pictures <= len(files) // 4
