"""The runner finds a copier out that leaves a safeguard away, and lets a careful one pass.

Without this, "false clearances 0" could be the runner's blindness.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab import cards, oracle, powercuts
from tests.lab.cases import USUAL, exhaustive, kinds_of, made, random_case, short
from tests.lab.faultfs import Call, Fault
from tests.lab.images import EXT4, Rack
from tests.lab.reference import SAFEGUARDS, Reference
from tests.lab.runner import Answer, Runner, Table
from tests.lab.stage import CARD, Case, Stage

pytestmark = pytest.mark.lab

FINDS_OUT = {
    "read-back": Case("torn", (("drive-1", Fault("write", "torn")),), "drive-1", "torn"),
    # The kernel keeps whole pages that were written: only a reading past them sees what is stored.
    "cache drop": Case(
        "flip in", (("drive-1", Fault("write", "flip_in", at=1000)),), "drive-1", "flip_in"
    ),
    "second listing": Case(
        "left out",
        ((CARD, Fault("readdir", "leave_out", path="CLIPS", name="A001C001.mov")),),
        CARD,
        "leave_out",
    ),
    "second card reading": Case(
        "lies once, and both drives get it from the cache",
        ((CARD, Fault("read", "flip_out", path=r".*C001\.mov")),),
        CARD,
        "flip_out",
    ),
    "growing name": Case(
        "no room",
        (("drive-1", Fault("write", errno="ENOSPC", nth=2, count=0)),),
        "drive-1",
        "ENOSPC",
    ),
}


@pytest.fixture
def stage(rack: Rack, tmp_path: Path) -> Iterator[Stage]:
    made = Stage(rack, tmp_path / "stage")
    yield made
    made.close()


def test_careful_copier_passes(stage: Stage) -> None:
    runner = Runner(stage, Reference())
    runner.baseline()
    for case in FINDS_OUT.values():
        result = runner.run(case)
        assert result.struck, case.name
        assert result.broken == ()
        assert not result.answer.is_cleared


@pytest.mark.parametrize("safeguard", sorted(FINDS_OUT))
def test_missing_safeguard_is_found_out(stage: Stage, safeguard: str) -> None:
    runner = Runner(stage, Reference(frozenset({safeguard})))
    runner.baseline()
    result = runner.run(FINDS_OUT[safeguard])
    assert result.broken
    if safeguard != "growing name":
        assert any("FALSE CLEARANCE" in sentence for sentence in result.broken)


def test_missing_sync_is_found_out_by_a_power_cut(rack: Rack, tmp_path: Path) -> None:
    assert set(SAFEGUARDS) - set(FINDS_OUT) == {"sync"}
    card = tmp_path / "card"
    cards.write_tree(card, USUAL)
    truth = oracle.content_of(card)
    for without, is_there in ((frozenset[str](), True), (frozenset({"sync", "cache drop"}), False)):
        name = f"drive-{len(without)}"
        with powercuts.recorded(rack, name, EXT4) as drive:
            other = tmp_path / f"other-{len(without)}"
            other.mkdir()
            answer = Reference(without).copy(card, [drive.volume.root, other])
            assert answer.is_cleared
            cut = drive.at(drive.moment(), cache_seed=1)
            cut.mount()
            assert bool(oracle.copies_in(oracle.content_of(cut.root), truth)) is is_there
            cut.close()


def test_write_to_the_card_is_found_out(stage: Stage) -> None:
    class Writes(Reference):
        def offload(self, stage: Stage, *, card_reads: int) -> Answer:
            (stage.root(CARD) / "CLIPS/A001C001.xml").touch()
            return super().offload(stage, card_reads=card_reads)

    result = Runner(stage, Writes()).run(Case("none", (), CARD, "none"))
    assert any("a write reached the card" in sentence for sentence in result.broken)


def test_changed_earlier_material_is_found_out(stage: Stage) -> None:
    class Overwrites(Reference):
        def offload(self, stage: Stage, *, card_reads: int) -> Answer:
            (stage.root("drive-2") / "notes.txt").write_bytes(b"ours now")
            return super().offload(stage, card_reads=card_reads)

    result = Runner(stage, Overwrites()).run(Case("none", (), CARD, "none"))
    assert any("earlier material changed" in sentence for sentence in result.broken)


def test_escaping_error_is_found_out(stage: Stage) -> None:
    class Breaks(Reference):
        def offload(self, stage: Stage, *, card_reads: int) -> Answer:
            raise ZeroDivisionError

    result = Runner(stage, Breaks()).run(Case("none", (), CARD, "none"))
    assert any("ZeroDivisionError" in sentence for sentence in result.broken)
    assert any("stuck" in sentence for sentence in result.broken)


def test_left_descriptor_is_found_out(stage: Stage) -> None:
    held = []

    class Leaks(Reference):
        def offload(self, stage: Stage, *, card_reads: int) -> Answer:
            held.append((stage.root("drive-1") / "notes.txt").open("rb"))
            return super().offload(stage, card_reads=card_reads)

    result = Runner(stage, Leaks()).run(Case("none", (), CARD, "none"))
    for file in held:
        file.close()
    assert any("left behind: descriptor" in sentence for sentence in result.broken)


def test_every_operation_has_its_turn() -> None:
    calls = [Call(1, "open", "a"), *(Call(number, "read", "a") for number in range(2, 9))]
    names = [case.name for case in exhaustive("drive-1", calls)]
    assert "drive-1 open 1 EIO once" in names
    for kind in kinds_of("read", "drive-1"):
        assert f"drive-1 read 1 {kind} once" in names
    # Of the same site: struck as well, and the kinds take turns.
    assert {name.split()[2] for name in names if " read " in name} == set("1234567")
    assert "drive-1 read 2 EIO once" in names and "drive-1 read 3 EIO for good" in names
    assert "drive-1 any 1008 EIO once" in names, "the run that must meet no fault"


def test_short_form_meets_every_site_and_kind() -> None:
    calls = [Call(1, "flush", "a.mov"), Call(2, "flush", "b.mov"), Call(3, "flush", "c/d.xml")]
    names = [case.name for case in short("drive-1", calls)]
    kinds = ("EIO once", "EIO for good", "EDQUOT once", "EDQUOT for good", "cut once")
    for number, kind in zip((1, 3, 1, 3, 1), kinds, strict=True):
        assert f"drive-1 flush {number} {kind}" in names
    assert not any("flush 2" in name for name in names)


def test_card_that_always_lies_is_not_asked() -> None:
    """No tool can see it; it is listed as such and not counted as a fault."""
    assert made(CARD, "read", 1, "flip_out", for_good=True) is None
    assert made(CARD, "readdir", 1, "leave_out", for_good=True) is None


def test_random_case_repeats_with_its_seed() -> None:
    counts = {place: {"read": 8, "getattr": 50} for place in (CARD, "drive-1", "drive-2")}
    assert random_case(5, counts) == random_case(5, counts)
    assert random_case(5, counts) != random_case(6, counts)


def test_table_adds_up_over_invocations(stage: Stage) -> None:
    runner = Runner(stage, Reference())
    table = Table()
    table.add(runner.run(FINDS_OUT["read-back"]))
    again = Table.from_dict(table.to_dict())
    again.add(runner.run(FINDS_OUT["growing name"]))
    assert again.runs == 2
    assert again.false_clearances == 0
    assert any("torn | 1 |" in line for line in again.lines())
