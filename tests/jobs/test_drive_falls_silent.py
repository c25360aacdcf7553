"""A drive that answers nothing any more in mid-run: it is dropped, and the rest goes on."""

import fcntl
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from offload.events import DriveDropped, Event, Found, StepStarted
from offload.jobs.outcome import Outcome
from offload.jobs.wishes import DriveWish
from offload.values.facts import Policy
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import Rack
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab

ANSWER_S = 2.0
AT_MOST_S = 60.0
CLIPS = {f"Clips/A001C{at:03}.mov": os.urandom(3 << 20) for at in range(1, 5)}
_OF_A_DRIVE = ("drive-away", "too-few-copies")
SILENT = Fault("any", "hang", count=0)


@pytest.fixture
def share(rack: Rack, tmp_path: Path) -> Iterator[FaultFs]:
    """A file system served by a process, on a device of its own: its copies can be proven."""
    disk = rack.volume(name="server-disk", is_mounted=False)
    disk.attach()
    backing = tmp_path / "served"
    backing.mkdir()
    quirks = Quirks(block_device=disk.device)
    with FaultFs(
        backing, tmp_path / "share", quirks, keeps_pages=True, source=disk.device
    ) as share:
        yield share
        share.plan()
        share.release("EIO")


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    scene = Scene.make(rack, tmp_path)
    scene.surroundings = replace(scene.surroundings, drive_answer_s=ANSWER_S)
    write_card(scene.card, CLIPS)
    return scene


class Silencing(list[Event]):
    """Events; the share answers nothing more from the beginning of one step on."""

    def __init__(self, share: FaultFs, step: str) -> None:
        super().__init__()
        self._share = share
        self._step = step

    def append(self, event: Event) -> None:
        super().append(event)
        if isinstance(event, StepStarted) and event.step == self._step:
            self._share.plan(SILENT)


def offload(scene: Scene, share: FaultFs, *, is_first: bool = True) -> Outcome:
    """Three drives, one of them the share; fails where the run does not come to its end."""
    server = DriveWish("server", os.fsencode(share.root))
    others = scene.wish().drives
    drives = (server, *others) if is_first else (*others, server)
    wish = scene.wish(drives=drives, policy=Policy(copies_needed=3))
    outcomes: list[Outcome | BaseException] = []

    def run() -> None:
        try:
            outcomes.append(scene.offload(wish))
        except BaseException as error:  # noqa: BLE001  # told by the test's own thread
            outcomes.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join(AT_MOST_S)
    is_hanging = thread.is_alive()
    if is_hanging:
        share.plan()
        share.release("EIO")
        thread.join(AT_MOST_S)
    assert not is_hanging, "the run waits for a drive that is silent"
    (outcome,) = outcomes
    if isinstance(outcome, BaseException):
        raise outcome
    return outcome


def once_hanging(share: FaultFs, fault: Fault) -> Callable[[], None]:
    """The share is silent altogether as soon as one call of a kind hangs."""
    share.plan(fault)

    def watch() -> None:
        share.wait_hanging(AT_MOST_S)
        share.plan(SILENT)

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    return thread.join


def assert_others_went_on(scene: Scene, outcome: Outcome) -> None:
    assert not outcome.verdict.is_cleared
    dropped = [event for event in scene.events if isinstance(event, DriveDropped)]
    assert [event.drive for event in dropped] == ["server"]
    assert "answer" in dropped[0].reason
    (hold,) = [each for each in outcome.verdict.holds if each.code in _OF_A_DRIVE]
    assert "server" in " ".join((hold.text, *hold.details))
    assert "record-not-written" not in codes(outcome)
    for drive in scene.drives:
        copied = tree(drive.root / "A001")
        assert {name: copied[name] for name in CLIPS} == CLIPS
        assert list((drive.root / "A001" / "ascmhl").glob("0001_*.mhl"))
    assert {copy.drive for copy in outcome.verdict.copies if copy.counts} == {
        "shuttle-1",
        "shuttle-2",
    }


@pytest.mark.parametrize(
    "fault",
    [
        pytest.param(Fault("getattr", "hang", path=r"records.*"), id="looking for the roll"),
        pytest.param(Fault("create", "hang", path=r"\.offload.*"), id="marking the drive"),
        pytest.param(Fault("mkdir", "hang", path=r"records.*"), id="making the roll's folders"),
        pytest.param(Fault("write", "hang", path=r".*\.mov", nth=3), id="writing"),
        pytest.param(Fault("fsync", "hang", path=r".*C004\.mov"), id="syncing the last clip"),
        pytest.param(Fault("create", "hang", path=r".*ascmhl/.*"), id="the manifest"),
        pytest.param(Fault("rename", "hang", path=r"A001\.incomplete.*"), id="taking the name"),
    ],
)
def test_run_goes_on_without_it(scene: Scene, share: FaultFs, fault: Fault) -> None:
    joined = once_hanging(share, fault)
    outcome = offload(scene, share)
    joined()
    assert_others_went_on(scene, outcome)


@pytest.mark.parametrize("step", ["copying", "proving", "record", "last-look"])
def test_silent_from_a_step_on(scene: Scene, share: FaultFs, step: str) -> None:
    scene.events = Silencing(share, step)
    assert_others_went_on(scene, offload(scene, share))


def test_silent_while_its_copies_are_looked_at_is_told(scene: Scene, share: FaultFs) -> None:
    """It was there when the last look at it began; whoever waits hears why it counts no more."""

    class AtLastLook(list[Event]):
        def append(self, event: Event) -> None:
            super().append(event)
            if isinstance(event, StepStarted) and event.step == "last-look":
                once_hanging(share, Fault("getattr", "hang", path=r".*\.mov"))

    scene.events = AtLastLook()
    outcome = offload(scene, share)
    assert_others_went_on(scene, outcome)
    found = {event.finding.code for event in scene.events if isinstance(event, Found)}
    assert "not-withdrawn" not in found


def test_what_comes_back_late_writes_nothing_more(scene: Scene, share: FaultFs) -> None:
    joined = once_hanging(share, Fault("create", "hang", path=r".*ascmhl/.*"))
    offload(scene, share)
    joined()
    share.plan()
    share.release()
    # Only the call that hung is carried out, late; nothing after it.
    for thread in threading.enumerate():
        if thread.name.startswith("drive-step"):
            thread.join(AT_MOST_S)
    written = {call.op for call in share.written()}
    assert written <= {"create", "unlink"}
    assert not list(Path(share.root).glob("**/ascmhl_chain.xml"))
    assert not (share.root / "A001").exists()


def test_its_locks_are_given_back_also_under_a_name_that_was_another_cards(
    rack: Rack, scene: Scene, share: FaultFs
) -> None:
    """The run names its roll anew after the drive fell silent; a station goes on for weeks."""
    scene.offload()
    twin = rack.snapshot(scene.card, "twin")
    twin.mount()
    times = {name: (twin.root / name).stat() for name in CLIPS}
    write_card(twin, {name: os.urandom(len(content)) for name, content in CLIPS.items()})
    for name, facts in times.items():
        os.utime(twin.root / name, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    twin.sync()
    scene.card = twin
    joined = once_hanging(share, Fault("write", "hang", path=r".*\.mov", nth=3))
    outcome = offload(scene, share)
    joined()
    assert outcome.context.roll == "A001-2"
    share.plan()
    share.release("EIO")
    for thread in threading.enumerate():
        if thread.name.startswith("drive-"):
            thread.join(AT_MOST_S)
    records = os.open(share.root / "records" / "A001", os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(records, fcntl.LOCK_EX | fcntl.LOCK_NB)
    finally:
        os.close(records)


def test_it_is_taken_up_again_once_it_answers(scene: Scene, share: FaultFs) -> None:
    scene.events = Silencing(share, "record")
    offload(scene, share)
    share.plan()
    share.release("EIO")
    for thread in threading.enumerate():
        if thread.name.startswith("drive-"):
            thread.join(AT_MOST_S)
    scene.events = []
    outcome = offload(scene, share)
    assert not [event for event in scene.events if isinstance(event, DriveDropped)]
    assert {name: tree(share.root / "A001")[name] for name in CLIPS} == CLIPS
    assert "drive-away" not in codes(outcome)


def test_call_that_takes_long_is_no_silence(scene: Scene, share: FaultFs) -> None:
    """One sync lasts three times the limit, and all else is answered meanwhile."""
    share.plan(Fault("fsync", "hang", path=r".*C002\.mov"))

    def release() -> None:
        share.wait_hanging(AT_MOST_S)
        threading.Event().wait(3 * ANSWER_S)
        share.release()

    thread = threading.Thread(target=release)
    thread.start()
    offload(scene, share)
    thread.join()
    assert not [event for event in scene.events if isinstance(event, DriveDropped)]
    assert {name: tree(share.root / "A001")[name] for name in CLIPS} == CLIPS


def test_slow_drive_is_not_silent(scene: Scene) -> None:
    """At 1 MB/s each write and each sync lasts longer than the drive may take to answer."""
    scene.surroundings = replace(scene.surroundings, drive_answer_s=1.0)
    slow = scene.drives[1]
    with throttled(slow.device, write_bytes_s=10**6):
        outcome = scene.offload()
    assert not [event for event in scene.events if isinstance(event, DriveDropped)]
    assert codes(outcome) == []
    assert outcome.verdict.is_cleared
    assert {name: tree(slow.root / "A001")[name] for name in CLIPS} == CLIPS
