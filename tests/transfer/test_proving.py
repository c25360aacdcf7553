"""The proving pass against drives that lie, fail or were touched since they were written.

Drives that accept everything and keep something else are the reason for it; what they did wrong is
known here, and the pass has to name exactly those files.
"""

import os
import random
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from offload.transfer.pump import BUFFER_BYTES
from offload.values.facts import ReadBack
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import Rack
from tests.transfer.passes import Medium, Outcome, Passes, Target, medium_of

pytestmark = pytest.mark.lab

FIRST, LARGE, LAST = "A001C001.mov", "A001C002.mov", "A001C003.mov"
LARGE_BYTES = BUFFER_BYTES + 12_345
_source = random.Random(6)
TRUTH = {
    FIRST: _source.randbytes(70_001),
    LARGE: _source.randbytes(LARGE_BYTES),
    LAST: _source.randbytes(300_000),
}
EMPTY = "TRASHED"
OTHER_EFFECTS = ("drop", "torn", "flip_in", "swap")


@dataclass
class Proof:
    """A card, a drive with its own device, and what proving says of it."""

    card: Path
    drive: FaultFs
    device: str
    passes: Passes = field(init=False)

    def __post_init__(self) -> None:
        self.card.mkdir(exist_ok=True)
        for name, content in TRUTH.items():
            (self.card / name).write_bytes(content)
        (self.card / EMPTY).mkdir()
        medium = medium_of(self.device, is_fuse=True)
        target = Target("shuttle-1", b"A001", medium, "fuseblk")
        self.passes = Passes.of(self.card, [(self.drive.root, target)])

    @property
    def copy(self) -> Path:
        """Where the copy lies, behind the faults."""
        return self.drive.backing / "A001"

    def outcomes(self) -> dict[str, int]:
        """Prove the drive; what is said of each entry."""
        result = self.passes.prove()["shuttle-1"]
        self.read_back = result.read_back
        self.found = [(each.code, os.fsdecode(each.path)) for each in result.findings]
        return {
            name: result.outcomes[self.passes.number(os.fsencode(name))] for name in (*TRUTH, EMPTY)
        }


@pytest.fixture
def proof(tmp_path: Path, rack: Rack, faulty_disk: Callable[..., FaultFs]) -> Iterator[Proof]:
    drive = faulty_disk("shuttle-1", keeps_pages=True)
    made = Proof(tmp_path / "card", drive, rack._volumes[-1].device)
    try:
        yield made
    finally:
        made.passes.close()


ALL_EQUAL = dict.fromkeys((*TRUTH, EMPTY), Outcome.EQUAL)


def but(**changes: int) -> dict[str, int]:
    names = {"first": FIRST, "large": LARGE, "last": LAST, "empty": EMPTY}
    return {**ALL_EQUAL, **{names[key]: value for key, value in changes.items()}}


def test_what_was_copied_is_proven_from_the_device(proof: Proof) -> None:
    proof.passes.copy()
    assert proof.outcomes() == ALL_EQUAL
    assert proof.read_back is ReadBack.DEVICE
    assert proof.found == []


@pytest.mark.parametrize("effect", OTHER_EFFECTS)
@pytest.mark.parametrize("name", [FIRST, LARGE], ids=["small", "large"])
def test_write_that_was_acknowledged_and_not_kept_is_found(
    proof: Proof, effect: str, name: str
) -> None:
    proof.drive.plan(Fault("write", effect, path=rf".*{name}"))
    proof.passes.copy()
    assert proof.drive.struck == 1
    expected = but(**{"first" if name == FIRST else "large": Outcome.DIFFERS})
    assert proof.outcomes() == expected
    assert proof.found == [("differs", f"A001/{name}")]


def test_file_cut_at_its_closing_is_found(proof: Proof) -> None:
    proof.drive.plan(Fault("flush", "cut", path=rf".*{LARGE}", length=1))
    proof.passes.copy()
    assert proof.outcomes() == but(large=Outcome.DIFFERS)


@pytest.mark.parametrize(("past_end", "wrong"), [("drop", LAST), ("wrap", FIRST)])
def test_drive_smaller_than_it_claims_is_found(
    tmp_path: Path, rack: Rack, faulty_disk: Callable[..., FaultFs], past_end: str, wrong: str
) -> None:
    """What lands beyond the end is lost, or lies over what was right a minute before."""
    total = sum(len(content) for content in TRUTH.values())
    drive = faulty_disk("small", Quirks(real_bytes=total - 250_000, past_end=past_end))
    made = Proof(tmp_path / "card", drive, rack._volumes[-1].device)
    try:
        made.passes.copy()
        outcomes = made.outcomes()
        assert outcomes[wrong] == Outcome.DIFFERS
        assert Outcome.EQUAL in outcomes.values()
    finally:
        made.passes.close()


@pytest.mark.parametrize("effect", ["flip_out", "zero_out"])
def test_bytes_handed_out_wrong_are_no_proof(proof: Proof, effect: str) -> None:
    """Once: the next reading is good again, and this one still says no."""
    proof.passes.copy()
    proof.drive.plan(Fault("read", effect, path=rf".*{LARGE}", at=1000))
    assert proof.outcomes() == but(large=Outcome.DIFFERS)
    assert proof.outcomes() == ALL_EQUAL


@pytest.mark.parametrize("op", ["open", "read", "getattr"])
@pytest.mark.parametrize("error", ["EIO", "EACCES", "ESTALE"])
def test_copy_that_cannot_be_read_is_named(proof: Proof, op: str, error: str) -> None:
    proof.passes.copy()
    proof.drive.plan(Fault(op, path=rf".*{FIRST}", errno=error, count=0))
    assert proof.outcomes() == but(first=Outcome.UNREADABLE)
    assert proof.found == [("unreadable", f"A001/{FIRST}")]


def test_short_reads_are_made_whole(proof: Proof) -> None:
    proof.passes.copy()
    proof.drive.plan(Fault("read", "short", path=rf".*{LARGE}", count=2))
    assert proof.outcomes() == ALL_EQUAL


# --- touched since


def _gone(path: Path) -> None:
    path.unlink()


def _longer(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"\0")


def _one_bit(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    facts = path.stat()
    path.write_bytes(content)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def _link(path: Path) -> None:
    path.rename(path.with_name("aside"))
    path.symlink_to("aside")


def _pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def _second_name(path: Path) -> None:
    os.link(path, path.with_name("second"))


@pytest.mark.parametrize(
    ("touch", "outcome"),
    [
        (_gone, Outcome.MISSING),
        (_longer, Outcome.DIFFERS),
        (_one_bit, Outcome.DIFFERS),
        (_link, Outcome.UNREADABLE),
        (_pipe, Outcome.UNREADABLE),
        (_folder, Outcome.UNREADABLE),
        (_second_name, Outcome.SHARED),
    ],
)
def test_copy_touched_since_it_was_written(
    proof: Proof, touch: Callable[[Path], None], outcome: int
) -> None:
    proof.passes.copy()
    touch(proof.copy / FIRST)
    assert proof.outcomes() == but(first=outcome)


def _file_in_its_place(path: Path) -> None:
    path.rmdir()
    path.write_bytes(b"")


@pytest.mark.parametrize(
    ("touch", "outcome"), [(Path.rmdir, Outcome.MISSING), (_file_in_its_place, Outcome.DIFFERS)]
)
def test_empty_folder_touched_since(
    proof: Proof, touch: Callable[[Path], None], outcome: int
) -> None:
    proof.passes.copy()
    touch(proof.copy / EMPTY)
    assert proof.outcomes() == but(empty=outcome)


def test_copy_that_changes_while_it_is_proven_is_no_proof(proof: Proof) -> None:
    """Behind the reader's position, its time put back: only the change time tells."""
    proof.passes.copy()
    path = proof.copy / LARGE
    proof.drive.plan(Fault("read", "hang", path=rf".*{LARGE}", at=LARGE_BYTES - 1))
    box: list[dict[str, int]] = []
    thread = threading.Thread(target=lambda: box.append(proof.outcomes()))
    thread.start()
    try:
        proof.drive.wait_hanging()
        facts = path.stat()
        with path.open("r+b") as file:
            file.write(b"four")
        os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    finally:
        proof.drive.release()
        thread.join()
    assert box == [but(large=Outcome.CHANGED)]


def test_drive_that_dies_while_it_is_proven_proves_nothing_more(proof: Proof) -> None:
    proof.passes.copy()
    proof.drive.plan(Fault("read", "hang", path=rf".*{LARGE}", at=LARGE_BYTES - 1))
    box: list[dict[str, int]] = []
    thread = threading.Thread(target=lambda: box.append(proof.outcomes()))
    thread.start()
    proof.drive.wait_hanging()
    proof.drive.vanish()
    thread.join(60)
    assert not thread.is_alive()
    (outcomes,) = box
    assert outcomes[LARGE] == outcomes[LAST] == Outcome.UNREADABLE


# --- the card's second reading


def test_cards_second_reading_is_patient(
    tmp_path: Path, rack: Rack, faulty_disk: Callable[..., FaultFs]
) -> None:
    card, device, passes = _card_passes(tmp_path, rack, faulty_disk)
    try:
        passes.copy()
        card.plan(Fault("read", path=rf".*{LARGE}", at=LARGE_BYTES - 1))
        medium = medium_of(device, is_fuse=True)
        result = passes.prove(card_medium=medium, drive_names=())["card"]
        assert card.struck == 1
        assert set(result.outcomes) == {Outcome.EQUAL}
        assert result.read_back is ReadBack.DEVICE
    finally:
        passes.close()


@pytest.mark.parametrize("effect", ["flip_out", "zero_out"])
def test_card_that_reads_differently_the_second_time_is_named(
    tmp_path: Path, rack: Rack, faulty_disk: Callable[..., FaultFs], effect: str
) -> None:
    card, device, passes = _card_passes(tmp_path, rack, faulty_disk)
    try:
        passes.copy()
        card.plan(Fault("read", effect, path=rf".*{LARGE}", at=500))
        medium = medium_of(device, is_fuse=True)
        result = passes.prove(card_medium=medium, drive_names=())["card"]
        assert result.outcomes[passes.number(LARGE.encode())] == Outcome.DIFFERS
        assert result.outcomes[passes.number(FIRST.encode())] == Outcome.EQUAL
    finally:
        passes.close()


def _card_passes(
    tmp_path: Path, rack: Rack, faulty_disk: Callable[..., FaultFs]
) -> tuple[FaultFs, str, Passes]:
    card = faulty_disk("card", keeps_pages=True)
    for name, content in TRUTH.items():
        (card.backing / name).write_bytes(content)
    (tmp_path / "drive").mkdir()
    target = Target("shuttle-1", b"A001", Medium(), "ext4")
    passes = Passes.of(card.root, [(tmp_path / "drive", target)])
    return card, rack._volumes[-1].device, passes
