"""Another program works on copy or card during the run, at every step of it: real processes.

Whatever it does and when: the word is given only where two drives hold all that is on the card now,
and once it leaves off the same command clears, or the command of the first remedy does.
"""

import os
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.events import Event, StepFinished, StepStarted
from offload.jobs.outcome import Outcome
from offload.jobs.wishes import DriveWish
from tests.jobs.scene import Scene, codes, write_card
from tests.lab import oracle
from tests.lab.images import Rack

pytestmark = pytest.mark.lab

CLIPS = {f"Clips/A001C00{at}.mov": os.urandom(50_000 + at) for at in (1, 2, 3)}
CLIP = "Clips/A001C002.mov"

WRITE = "printf X | dd of={clip} bs=1 seek=1000 conv=notrunc status=none"
ON_COPY = {
    "byte written": WRITE,
    "byte written, time put back": f"touch -r {{clip}} {{beside}}; {WRITE}; "
    "touch -r {beside} {clip}; rm {beside}",
    "appended": "printf more >> {clip}",
    "truncated": "truncate -s 100 {clip}",
    "emptied and written again": "cp {clip} {beside}; : > {clip}; cat {beside} > {clip}; "
    "rm {beside}",
    "deleted": "rm {clip}",
    "replaced by its like": "cp {clip} {beside}; printf X | dd of={beside} bs=1 conv=notrunc "
    "status=none; mv {beside} {clip}",
    "replaced by a link to good bytes": "mv {clip} {beside}; ln -s {beside} {clip}",
    "replaced by a link to the card": "rm {clip}; ln -s {card_clip} {clip}",
    "second name": "ln {clip} {beside}",
    "folder replaced by a link": "mv {folder} {beside}; ln -s {beside} {folder}",
    "folder replaced by a link to the card": "rm -r {folder}; ln -s {card_folder} {folder}",
    "folder deleted": "rm -r {folder}",
    "copy deleted": "rm -r {copy}",
    "copy moved away": "mv {copy} {beside}",
    "copy replaced by a link": "mv {copy} {beside}; ln -s {beside} {copy}",
    "records deleted": "rm -r {records}",
    "file added": "printf more > {folder}/notes.txt",
}
ON_CARD = {
    "byte written": WRITE,
    "byte written, time put back": ON_COPY["byte written, time put back"],
    "appended": "printf more >> {clip}",
    "truncated": "truncate -s 100 {clip}",
    "deleted": "rm {clip}",
    "renamed": "mv {clip} {clip}.mov",
    "replaced by its like": "head -c 50002 /dev/urandom > {clip}.new; mv {clip}.new {clip}",
    "file added": "head -c 5000 /dev/urandom > {folder}/A001C004.mov",
    "folder added": "mkdir {folder}/NEW",
    "all deleted": "rm -r {folder}",
    "replaced by a link": "mv {clip} {clip}.mov; ln -s A001C002.mov.mov {clip}",
}
RESTLESS = """
import os, random, sys
while True:
    files = [os.path.join(at, name) for at, _, names in os.walk(sys.argv[1]) for name in names]
    clips = [path for path in files if path.endswith(".mov")]
    try:
        path = random.choice(clips)
        before = os.stat(path)
        fd = os.open(path, os.O_WRONLY)
        os.pwrite(fd, os.urandom(1), random.randrange(before.st_size))
        os.close(fd)
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    except (OSError, IndexError):
        continue
"""
"""Writes bytes into any clip, again and again, and puts its time back."""


class Meanwhile(list[Event]):
    """Events; at the beginning of one step another program does something, once."""

    def __init__(self, step: str, act: Callable[[], None]) -> None:
        super().__init__()
        self._step = step
        self._act = act
        self.has_acted = False

    def append(self, event: Event) -> None:
        super().append(event)
        if event == StepStarted(self._step) and not self.has_acted:
            self.has_acted = True
            self._act()


class Restless(list[Event]):
    """Events; a process writes from the copying to the end of the last look without a rest."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._command = [sys.executable, "-c", RESTLESS, os.fspath(folder)]
        self._process: subprocess.Popen[bytes] | None = None

    def append(self, event: Event) -> None:
        super().append(event)
        if event == StepStarted("copying"):
            self._process = subprocess.Popen(self._command)
        elif isinstance(event, StepFinished) and event.step == "last-look":
            self.end()

    def end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    scene = Scene.make(rack, tmp_path)
    for volume in (scene.card, *scene.drives):
        (volume.root / "lost+found").rmdir()
    write_card(scene.card, CLIPS)
    return scene


def shell(script: str, **paths: Path) -> None:
    told = {name: shlex.quote(os.fspath(path)) for name, path in paths.items()}
    subprocess.run(["sh", "-ec", script.format(**told)], check=True, timeout=60)


def on_copy(scene: Scene, script: str) -> Callable[[], None]:
    def act() -> None:
        root = scene.drives[1].root
        copy = root / "A001"
        if not copy.exists():
            copy = root / "A001.incomplete"
        shell(
            script,
            copy=copy,
            folder=copy / "Clips",
            clip=copy / CLIP,
            beside=root / "beside",
            records=root / "records",
            card_clip=scene.card.root / CLIP,
            card_folder=scene.card.root / "Clips",
        )

    return act


def on_card(scene: Scene, script: str) -> Callable[[], None]:
    root = scene.card.root
    return lambda: shell(script, folder=root / "Clips", clip=root / CLIP, beside=root / "beside")


def judge(scene: Scene, outcome: Outcome) -> None:
    """What must hold whatever was said."""
    verdict = outcome.verdict
    said = {hold.code: hold.text for hold in verdict.holds}
    # Card and drives are there all the time.
    assert not {"card-gone", "card-was-away", "drive-away"} & said.keys(), said
    assert verdict.is_cleared is (outcome.clearance is not None)
    if not verdict.is_cleared:
        return
    truth = oracle.content_of(scene.card.root)
    for copy, drive in zip(verdict.copies, scene.drives, strict=True):
        assert oracle.copies_in(oracle.content_of(drive.root), truth), f"FALSE CLEARANCE: {verdict}"
        roll = os.fsdecode(copy.path).rpartition("/")[2]
        lists = [drive.root / "records" / roll / f"{roll}.{name}" for name in ("sha512", "xxh128")]
        for each, tool in zip(lists, ("sha512sum", "xxhsum"), strict=True):
            subprocess.run([tool, "-c", each], cwd=drive.root, check=True, capture_output=True)


def clears_in_the_end(scene: Scene, outcome: Outcome, rack: Rack) -> None:
    """By the same command, or by the one that the first remedy shows."""
    if outcome.verdict.is_cleared:
        return
    scene.events = []
    again = scene.offload()
    judge(scene, again)
    if again.verdict.is_cleared:
        return
    (hold,) = again.verdict.holds
    if "in the way" in hold.ways[0].words:
        # What it says of the drive names what is in the way: a person moves it.
        assert any("under the roll's name" in each or "in the way" in each for each in hold.details)
        (there,) = [path for path in scene.drives[1].root.glob("A001*") if path.name != "A001-2"]
        there.rename(there.with_name("moved"))
        last = scene.offload()
    elif "remove their other names" in hold.ways[0].words:
        (scene.drives[1].root / "beside").unlink()
        last = scene.offload()
    else:
        assert hold.ways[0].command[-1] == b"DRIVE"
        scene.drives[1] = rack.volume(name="shuttle-3")
        drives = (scene.wish().drives[0], DriveWish("shuttle-3", os.fsencode(scene.drives[1].root)))
        last = scene.offload(scene.wish(drives=drives))
    assert codes(last) == []
    judge(scene, last)


@pytest.mark.parametrize("moment", ["proving", "record", "last-look"])
@pytest.mark.parametrize("what", ON_COPY)
def test_copy_that_another_program_works_on(
    scene: Scene, rack: Rack, what: str, moment: str
) -> None:
    scene.events = events = Meanwhile(moment, on_copy(scene, ON_COPY[what]))
    outcome = scene.offload()
    assert events.has_acted
    judge(scene, outcome)
    clears_in_the_end(scene, outcome, rack)


@pytest.mark.parametrize("moment", ["copying", "proving", "last-look"])
@pytest.mark.parametrize("what", ON_CARD)
def test_card_that_another_program_works_on(
    scene: Scene, rack: Rack, what: str, moment: str
) -> None:
    scene.events = events = Meanwhile(moment, on_card(scene, ON_CARD[what]))
    outcome = scene.offload()
    assert events.has_acted
    judge(scene, outcome)
    # Before the first byte is read, and of the old size: what is there then is what is copied.
    is_early = moment == "copying" and what == "byte written, time put back"
    assert outcome.verdict.is_cleared is is_early
    if what != "all deleted":
        clears_in_the_end(scene, outcome, rack)


@pytest.mark.parametrize("where", ["card", "copy"])
def test_program_that_writes_all_the_time_clears_nothing(
    scene: Scene, rack: Rack, where: str
) -> None:
    scene.events = events = Restless((scene.card if where == "card" else scene.drives[1]).root)
    try:
        outcome = scene.offload()
    finally:
        events.end()
    judge(scene, outcome)
    assert not outcome.verdict.is_cleared
    clears_in_the_end(scene, outcome, rack)
