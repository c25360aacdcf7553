"""A finished copy that is found wrong: it is never written over, and each remedy shown mends it."""

import os
from pathlib import Path

import pytest

from offload.jobs.mend_result import MendAnswer
from offload.jobs.mending import MendWish, mend_folder
from offload.jobs.outcome import Outcome
from offload.jobs.verifying import Appending, VerifyTools
from offload.jobs.wishes import DriveWish
from offload.values.verdict import Way
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.jobs.verify_scene import known
from tests.lab.images import Rack

pytestmark = pytest.mark.lab

CLIPS = {f"Clips/A001C00{at}.mov": os.urandom(50_000 + at) for at in (1, 2, 3)}
CLIP = "Clips/A001C002.mov"


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    return scene


@pytest.fixture
def rotten(scene: Scene) -> Scene:
    """One byte of a finished copy on the second drive has changed, and no time with it."""
    assert scene.offload().verdict.is_cleared
    rot(scene.drives[1].root / "A001" / CLIP)
    return scene


def rot(path: Path) -> None:
    before = path.stat()
    content = bytearray(path.read_bytes())
    content[1000] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def ways(outcome: Outcome) -> tuple[Way, ...]:
    (hold,) = outcome.verdict.holds
    return hold.ways


def test_finished_copy_is_not_said_to_be_written_anew(rotten: Scene) -> None:
    before = tree(rotten.drives[1].root / "A001")
    outcome = rotten.offload()
    assert codes(outcome) == ["copy-differs"]
    assert "written anew" not in outcome.verdict.holds[0].remedy
    assert tree(rotten.drives[1].root / "A001") == before


def test_first_remedy_of_a_finished_copy_clears(rotten: Scene, rack: Rack) -> None:
    first = ways(rotten.offload())[0]
    assert first.command == (
        *(b"offload", b"copy", b"A001"),
        *(b"--to", b"shuttle-1", b"--to", b"DRIVE"),
    )
    other = rack.volume(name="shuttle-3")
    drives = (rotten.wish().drives[0], DriveWish("shuttle-3", os.fsencode(other.root)))
    assert codes(rotten.offload(rotten.wish(drives=drives))) == []
    assert {name: tree(other.root / "A001")[name] for name in CLIPS} == CLIPS


def test_second_remedy_of_a_finished_copy_mends(rotten: Scene) -> None:
    good, damaged = (os.fsencode(drive.root / "A001") for drive in rotten.drives)
    second = ways(rotten.offload())[1]
    assert second.command == (b"offload", b"mend", damaged, b"--from", good)
    wish = MendWish(damaged, good, Appending(rotten.key, "station", ("xxh128", "c4")))
    trusted = known(("station", rotten.key))
    assert mend_folder(wish, VerifyTools(trusted)).answer is MendAnswer.MENDED
    assert codes(rotten.offload()) == []
    assert {name: tree(rotten.drives[1].root / "A001")[name] for name in CLIPS} == CLIPS
