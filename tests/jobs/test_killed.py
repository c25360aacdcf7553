"""``kill -9`` at any moment, then the same command: nothing is lost, nothing is written twice.

The kill leaves what the system has been given, so every file that was whole on a drive at that
moment has to be there, the same file, at the end. Power cuts are another matter and tried by the
laboratory's own runner.
"""

import json
import os
import random
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from tests.cli.forked import forked
from tests.cli.stations import Bench, DiskStation
from tests.lab import oracle
from tests.lab.cards import FOLDER, SHOT_AT_NS, Item, plain_roll, write_tree
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import EXT4, Rack
from tests.lab.processes import Child, Done

pytestmark = pytest.mark.lab

ROLL = b"A001"
SEED = 20261124
# Some files are written directly and synced one by one, the many small ones in batches.
CARD = (
    *plain_roll(files=16, size_bytes=90_000, seed=5),
    *(
        Item(b"LARGE/A001C1%02d.mov" % number, content=random.Random(number).randbytes(3_000_011))
        for number in range(5)
    ),
)
Facts = dict[bytes, tuple[int, int]]


@dataclass
class Desk:
    """One card and its drives over many kills, with what has to be kept."""

    station: DiskStation
    card: Path
    drives: list[Path]
    backings: list[Path] = field(default_factory=list)

    @classmethod
    def of(cls, bench: Bench) -> "Desk":
        return cls(bench.station, bench.card.root, [drive.root for drive in bench.drives])

    def __post_init__(self) -> None:
        self.backings = self.backings or self.drives
        self.truth = oracle.content_of(self.card)

    def begin(self, *, is_held: bool = False, is_warm: bool = True) -> Child:
        to = [word for drive in self.drives for word in ("--to", str(drive))]
        words = ("copy", str(self.card), *to, "--roll", "A001", "--json")
        if is_warm:
            folder = self.station.home.parent
            return forked(words, self.station.environment, folder, is_held=is_held)
        return self.station.start(*words, is_held=is_held)

    def end(self) -> Done:
        with self.begin() as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def whole_files(self) -> Facts:
        """Inode and change time of every file that is whole on a drive, under whatever name."""
        found: Facts = {}
        for backing in self.backings:
            seen = oracle.content_of(backing)
            for path, value in seen.files.items():
                inner = _inside_roll(path)
                if value == self.truth.files.get(inner):
                    facts = os.stat(os.path.join(os.fsencode(backing), path))
                    if facts.st_mtime_ns == SHOT_AT_NS:
                        key = os.fsencode(backing) + b"|" + inner
                        found[key] = (facts.st_ino, facts.st_ctime_ns)
        return found

    def assert_nothing_half_done(self) -> None:
        """What bears a final name is whole, records among it."""
        for backing in self.backings:
            seen = oracle.content_of(backing)
            assert oracle.half_done_under_final_name(seen, self.truth, ROLL) == []
            for path in seen.files:
                _assert_record_is_whole(backing / os.fsdecode(path))

    def assert_kept(self, before: Facts, *, but_moved: bool = False) -> None:
        """Files that were whole are the same files, untouched.

        Args:
            but_moved: a rename into the roll moves a file's change time, and nothing else of it.
        """
        after = self.whole_files()
        for key, facts in before.items():
            assert key in after, f"{key!r} was whole and is not there any more"
            count = 1 if but_moved else 2
            assert after[key][:count] == facts[:count], f"{key!r} was written again"

    def assert_cleared(self, done: Done) -> None:
        """The answer is the good one, and true."""
        assert done.code == 0, done.out + done.err
        assert done.result["verdict"] == "cleared"
        for backing in self.backings:
            seen = oracle.content_of(backing)
            assert oracle.copies_in(seen, self.truth) == [ROLL]
            assert not [path for path in seen.files if b".new-" in path]
            manifests = [path for path in seen.files if path.endswith(b".mhl")]
            chain = (backing / "A001/ascmhl/ascmhl_chain.xml").read_bytes()
            assert all(b"<path>%s<" % path.rpartition(b"/")[2] in chain for path in manifests)
            for path in self.truth.files:
                facts = os.stat(os.path.join(os.fsencode(backing), ROLL, path))
                assert facts.st_mtime_ns == SHOT_AT_NS, f"{path!r} has lost its time"
        assert oracle.ledger_faults(self.station.home) == []


def _inside_roll(path: bytes) -> bytes:
    for head in (ROLL + b".incomplete/", ROLL + b"/"):
        if path.startswith(head):
            return path[len(head) :]
    return path


def _assert_record_is_whole(path: Path) -> None:
    if path.name.startswith(".new-") or ".incomplete" in str(path):
        return
    if path.suffix in (".mhl", ".xml"):
        subprocess.run(["xmllint", "--noout", path], check=True, capture_output=True)
    elif path.suffix == ".json" or path.name == ".offload-drive":
        json.loads(path.read_bytes())
    elif path.suffix == ".sig":
        assert path.read_bytes().endswith(b"-----END SSH SIGNATURE-----\n"), path
    elif path.parent.parent.name == "records" and path.suffix in (".xxh128", ".sha512"):
        assert path.read_bytes().endswith(b"\n"), path


@pytest.fixture
def desk(rack: Rack, tmp_path: Path) -> Desk:
    bench = Bench(rack, tmp_path)
    write_tree(bench.card.root, CARD)
    bench.card.sync()
    return Desk.of(bench)


LINES = (
    r'"step-started", "step": "inventory"',
    r'"card-listed"',
    r'"step-started", "step": "preflight"',
    r'"roll-named"',
    r'"step-started", "step": "copying"',
    r'"card-coded"',
    r'"step-started", "step": "proving"',
    r'"step-finished", "step": "proving"',
    r'"step-started", "step": "record"',
    r'"step-finished", "step": "record"',
)


def test_killed_at_every_line_it_says(desk: Desk) -> None:
    """One run after the other, each killed a line later than the one before."""
    for line in LINES:
        before = desk.whole_files()
        with desk.begin(is_warm=False) as child:
            done = child.kill_when(line)
        assert done.code == -9 or done.code == 0
        done.assert_no_traceback()
        desk.assert_nothing_half_done()
        desk.assert_kept(before)
    before = desk.whole_files()
    assert len(before) == 2 * len(desk.truth.files)
    desk.assert_cleared(desk.end())
    desk.assert_kept(before)


@pytest.mark.parametrize("seed", range(3))
def test_killed_at_random_moments(desk: Desk, seed: int) -> None:
    """Delays after the first line, drawn from what is left of an undisturbed run's time."""
    source = random.Random(SEED + seed)
    for _ in range(4):
        before = desk.whole_files()
        with desk.begin() as child:
            assert child.process.stdout is not None
            child.process.stdout.readline()
            time.sleep(source.uniform(0.0, 0.5))
            child.kill()
        desk.assert_nothing_half_done()
        desk.assert_kept(before)
    before = desk.whole_files()
    desk.assert_cleared(desk.end())
    desk.assert_kept(before)


# --- at a chosen operation of the drive

SMALL_CARD = plain_roll(files=3, size_bytes=40_000, seed=9)


@dataclass
class FaultyDesk(Desk):
    """A desk whose first drive says when its user is to be killed."""

    faulty: FaultFs | None = None

    @property
    def drive(self) -> FaultFs:
        """The drive that does it."""
        assert self.faulty is not None
        return self.faulty

    def kill_at(self, fault: Fault) -> Done:
        """Run until the operation that the fault names; or to the end where it never comes."""
        with self.begin(is_held=True) as child:
            self.drive.plan(replace(fault, victim=child.number))
            child.go()
            done = child.finish()
        self.drive.plan()
        done.assert_no_traceback()
        return done


@pytest.fixture
def faulty_desk(
    rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs]
) -> Callable[..., FaultyDesk]:
    def make(quirks: Quirks | None = None) -> FaultyDesk:
        bench = Bench(rack, tmp_path, drives=(EXT4,))
        write_tree(bench.card.root, SMALL_CARD)
        bench.card.sync()
        drive = faulty_disk("shuttle-9", quirks)
        other = bench.drives[0].root
        return FaultyDesk(
            bench.station, bench.card.root, [drive.root, other], [drive.backing, other], drive
        )

    return make


# A process number that is never used: the real one is filled in when the child is there.
_NOBODY = 2**22


def test_killed_after_every_rename(faulty_desk: Callable[..., FaultyDesk]) -> None:
    """Record, name of the roll, clearance: each takes its name in a rename, in that order.

    The run is killed after its first rename, the next one after its second, and so on, until one
    ends by itself; so later runs meet what earlier ones left in every stage.
    """
    desk = faulty_desk()
    for nth in range(1, 60):
        before = desk.whole_files()
        fault = Fault("rename", "kill_after", nth=nth, victim=_NOBODY)
        done = desk.kill_at(fault)
        desk.assert_nothing_half_done()
        desk.assert_kept(before, but_moved=True)
        if done.code != -9:
            break
    assert nth > 8, f"so few renames make no record and clearance: {done.out}"
    desk.assert_cleared(done)


_CLIPS = r"A001\.incomplete/CLIPS.*"


@pytest.mark.parametrize(
    ("op", "path"),
    [
        ("write", _CLIPS),
        ("utimens", _CLIPS),
        ("flush", _CLIPS),
        ("fsync", _CLIPS),
        ("mkdir", _CLIPS),
        ("fsyncdir", r"A001\.incomplete/ascmhl"),
        ("write", r".*ascmhl/\.new-0001.*"),
        ("rename", r".*ascmhl/\.new-0001.*"),
        ("fsync", r"records/A001/\.new-.*xxh128-.*"),
        ("fsync", r"records/A001/\.new-clearance.*json-.*"),
        ("rename", r"records/A001/\.new-clearance.*sig.*"),
        ("rename", r"A001\.incomplete -> A001"),
    ],
)
def test_killed_after_one_operation(
    faulty_desk: Callable[..., FaultyDesk], op: str, path: str
) -> None:
    desk = faulty_desk()
    done = desk.kill_at(Fault(op, "kill_after", path=path, victim=_NOBODY))
    assert done.code == -9
    desk.assert_nothing_half_done()
    before = desk.whole_files()
    desk.assert_cleared(desk.end())
    desk.assert_kept(before)


def test_file_killed_before_it_had_its_time_gets_it(
    faulty_desk: Callable[..., FaultyDesk],
) -> None:
    """All bytes were down: it is not written again, and its time is the card's all the same."""
    desk = faulty_desk()
    path = r"A001\.incomplete/CLIPS/A001C001\.mov"
    assert desk.kill_at(Fault("utimens", "kill", path=path, victim=_NOBODY)).code == -9
    inode = os.stat(desk.drive.backing / "A001.incomplete/CLIPS/A001C001.mov").st_ino
    desk.assert_cleared(desk.end())
    assert os.stat(desk.drive.backing / "A001/CLIPS/A001C001.mov").st_ino == inode


def test_killed_while_claiming_the_name(faulty_desk: Callable[..., FaultyDesk]) -> None:
    """Without an exclusive rename an empty folder claims the name; it is nothing else."""
    desk = faulty_desk(Quirks(rename_flags="refused"))
    done = desk.kill_at(Fault("mkdir", "kill_after", path="A001", victim=_NOBODY))
    assert done.code == -9
    assert (desk.drive.backing / "A001").is_dir()
    assert list((desk.drive.backing / "A001").iterdir()) == []
    desk.assert_cleared(desk.end())


def test_killed_while_additions_join_their_roll(faulty_desk: Callable[..., FaultyDesk]) -> None:
    desk = faulty_desk()
    desk.assert_cleared(desk.end())
    added = [
        Item(b"CLIPS/A001C1%02d.mov" % number, content=random.Random(number).randbytes(50_000))
        for number in range(3)
    ]
    write_tree(desk.card, (*added, Item(b"LATER", FOLDER)))
    desk.truth = oracle.content_of(desk.card)
    roll = rb"A001"
    for nth in (1, 2, 3):
        before = desk.whole_files()
        fault = Fault("rename", "kill_after", path=r".*A001/CLIPS/.*", nth=1, victim=_NOBODY)
        done = desk.kill_at(fault)
        assert done.code == -9, f"run {nth} joined nothing: {done.out} {done.err}"
        desk.assert_kept(before, but_moved=True)
    done = desk.end()
    assert done.result["verdict"] == "cleared", done.out
    for backing in desk.backings:
        seen = oracle.content_of(backing)
        assert oracle.copies_in(seen, desk.truth) == [roll]
        assert not (backing / "A001.incomplete").exists()
