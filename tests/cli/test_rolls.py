"""``offload rolls`` as its user meets it: history from the ledger, and never a verdict."""

import json
import random
from datetime import datetime
from pathlib import Path

import pytest

from tests.cli.forked import forked
from tests.cli.stations import Bench
from tests.jobs.scene import write_card
from tests.lab.images import EXT4, Rack
from tests.lab.processes import Done

pytestmark = pytest.mark.lab

_source = random.Random(29)
CLIPS = {"CLIPS/A001C001.mov": _source.randbytes(50_000), "CLIPS/A001C002.mov": b"second"}


class Desk(Bench):
    """A card and two drives, and commands run warm."""

    def run(self, *words: str | bytes | Path) -> Done:
        with forked(words, self.station.environment, self.station.home.parent) as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def rolls(self, *words: str | bytes) -> list[dict[str, object]]:
        done = self.run("rolls", *words, "--json")
        assert done.code == 0, done.err
        return [json.loads(line) for line in done.out.splitlines()]


@pytest.fixture
def desk(rack: Rack, tmp_path: Path) -> Desk:
    made = Desk(rack, tmp_path)
    write_card(made.card, CLIPS)
    return made


def test_an_empty_ledger_says_how_to_begin(rack: Rack, tmp_path: Path) -> None:
    done = Desk(rack, tmp_path, drives=()).run("rolls")
    assert done.code == 0
    assert "offload copy" in done.out


def test_every_copy_is_there_with_how_it_was_read(desk: Desk) -> None:
    began = datetime.now().astimezone().replace(second=0, microsecond=0)
    code = desk.run(*desk.words("--json")).result["code"]
    (roll,) = desk.rolls()
    assert (roll["type"], roll["roll"], roll["code"]) == ("roll", "A001", code)
    assert (roll["answer"], roll["is_void"], roll["runs"]) == ("cleared", False, 1)
    safe_at = datetime.fromisoformat(str(roll["safe_at"])).astimezone()
    assert began <= safe_at <= datetime.now().astimezone()
    copies = roll["copies"]
    assert isinstance(copies, list)
    assert {copy["drive"] for copy in copies} == {"shuttle-1", "shuttle-2"}
    for copy in copies:
        assert (copy["read_back"], copy["proven"], copy["failure"]) == ("device", len(CLIPS), "")
        assert copy["path"]


def test_one_roll_is_found_by_name_and_by_code(desk: Desk) -> None:
    code = desk.run(*desk.words("--json")).result["code"]
    whole = desk.rolls("A001")
    assert whole == desk.rolls(code) == desk.rolls(code.lower())
    shown = desk.run("rolls", "A001").out
    assert "was safe at" in shown
    for drive in ("shuttle-1", "shuttle-2"):
        assert drive in shown
    assert "offload check" in shown


def test_history_is_never_the_words(desk: Desk) -> None:
    """Not even right after the copy: whether it may be erased now, only a look at it says."""
    assert desk.run(*desk.words()).code == 0
    for words in (("rolls",), ("rolls", "A001")):
        shown = desk.run(*words).out
        assert "SAFE TO ERASE" not in shown
        assert "was safe" in shown


def test_a_held_roll_says_so_and_an_earlier_clearance_does_not_help(desk: Desk) -> None:
    assert desk.run(*desk.words()).code == 0
    (desk.card.root / "CLIPS/A001C003.mov").write_bytes(b"a new clip")
    desk.card.sync()
    desk.drives[1].unmount()
    held = desk.run("copy", desk.card.root, "--to", desk.drives[0].root, "--roll", "A001")
    assert held.code == 1
    newest = desk.rolls()[0]
    assert newest["answer"] == "held"
    assert "was held at" in desk.run("rolls").out.splitlines()[0]


def test_an_unknown_roll_is_named_with_how_to_see_all(desk: Desk) -> None:
    done = desk.run("rolls", "Z999")
    assert (done.code, done.out) == (2, "")
    assert "Z999" in done.err and "offload rolls" in done.err


def test_hostile_names_are_harmless_on_the_screen(rack: Rack, tmp_path: Path) -> None:
    desk = Desk(rack, tmp_path, drives=(EXT4,))
    write_card(desk.card, CLIPS)
    place = desk.drives[0].root / "d\x1b[2J\n[bold]x"
    place.mkdir()
    desk.run("copy", desk.card.root, "--to", place, "--roll", "A001")
    for words in (("rolls",), ("rolls", "A001"), ("rolls", "A001", "--json")):
        out = desk.run(*words).out
        assert "\x1b" not in out
    assert len(desk.run("rolls").out.splitlines()) == 1


def test_the_newest_comes_first(rack: Rack, desk: Desk) -> None:
    assert desk.run(*desk.words()).code == 0
    other = rack.volume(name="other")
    write_card(other, {"CLIPS/A002C001.mov": b"other"})
    assert desk.run("copy", other.root, *desk.to, "--roll", "A002").code == 0
    assert [roll["roll"] for roll in desk.rolls()] == ["A002", "A001"]
    lines = desk.run("rolls").out.splitlines()
    assert [line.split()[0] for line in lines] == ["A002", "A001"]
