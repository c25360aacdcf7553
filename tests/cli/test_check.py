"""``offload check`` as its user meets it: the answer first, what it rests on, and the exit code."""

import json
import os
import random
from pathlib import Path

import pytest

from tests.cli.forked import forked
from tests.cli.stations import Bench
from tests.jobs.scene import tree, write_card
from tests.lab.images import Rack
from tests.lab.processes import Done

pytestmark = pytest.mark.lab

_source = random.Random(23)
CLIPS = {
    "CLIPS/A001C001.mov": _source.randbytes(200_000),
    "CLIPS/A001C002.mov": _source.randbytes(70_000),
}
SAFE, KEEP = "SAFE TO ERASE IN CAMERA", "KEEP THE CARD"


class Desk(Bench):
    """A card and two drives, and commands run warm."""

    def run(self, *words: str | bytes | Path) -> Done:
        with forked(words, self.station.environment, self.station.home.parent) as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def check(self, *more: str) -> Done:
        return self.run("check", self.card.root, *more)

    def dragged(self, *drives: int) -> list[str]:
        """Copies by hand on some of the drives; the words that name their folders."""
        words: list[str] = []
        for at in drives:
            write_card(self.drives[at], {f"FROM CARD/{name}": data for name, data in CLIPS.items()})
            words += ["--in", str(self.drives[at].root)]
        return words


@pytest.fixture
def desk(rack: Rack, tmp_path: Path) -> Desk:
    made = Desk(rack, tmp_path)
    write_card(made.card, CLIPS)
    return made


def first_line(done: Done) -> str:
    """Of the answer; what was told on the way stands before it."""
    return next(line for line in done.out.splitlines() if "ERASE" in line or KEEP in line)


def test_yes_and_no_are_the_first_words_and_the_exit_code(desk: Desk) -> None:
    folders = desk.dragged(0)
    no = desk.check(*folders)
    assert (no.code, KEEP in first_line(no), SAFE in no.out) == (1, True, False)
    yes = desk.check(*folders, *desk.dragged(1))
    assert (yes.code, SAFE in first_line(yes), KEEP in yes.out) == (0, True, False)


def test_json_is_one_object_a_line_and_the_last_is_the_result(desk: Desk) -> None:
    for folders, verdict, code in (
        (desk.dragged(0), "held", 1),
        (desk.dragged(0, 1), "cleared", 0),
    ):
        done = desk.check(*folders, "--json")
        lines = [json.loads(line) for line in done.out.splitlines()]
        assert [line["type"] for line in lines].count("result") == 1
        assert (lines[-1]["type"], lines[-1]["verdict"], done.code) == ("result", verdict, code)
        assert bool(lines[-1]["holds"]) == bool(code)
        assert done.err == ""


def test_a_missing_file_is_named_with_the_command_that_brings_it(desk: Desk) -> None:
    folders = desk.dragged(0, 1)
    for drive in desk.drives:
        (drive.root / "FROM CARD/CLIPS/A001C002.mov").unlink()
    done = desk.check(*folders)
    assert done.code == 1
    (short,) = (line for line in done.out.splitlines() if "too-few-copies" in line)
    assert "A001C002.mov" in short and "A001C001.mov" not in short
    assert "offload copy" in done.out and "--missing" in done.out


def test_neither_card_nor_copies_are_changed_by_asking(desk: Desk) -> None:
    folders = desk.dragged(0, 1)
    volumes = (desk.card, *desk.drives)

    def state() -> list[object]:
        found: list[object] = []
        for volume in volumes:
            stats = [p.lstat() for p in sorted(volume.root.rglob("*"))]
            found.append([(s.st_mtime_ns, s.st_ctime_ns, s.st_size, s.st_mode) for s in stats])
            found.append(tree(volume.root))
        return found

    before = state()
    for more in (folders, [*folders, "--read"], []):
        desk.check(*more)
    assert state() == before


def test_without_a_folder_every_other_volume_is_searched(desk: Desk) -> None:
    """The machine's own disks are left out; on the laboratory's all loop devices are volumes."""
    desk.dragged(0, 1)
    done = desk.check("--json")
    assert done.result["verdict"] == "cleared", done.out
    assert {Path(copy["path"]).name for copy in done.result["copies"]} >= {"shuttle-1", "shuttle-2"}


def test_a_folder_given_twice_is_one_folder(desk: Desk) -> None:
    folders = desk.dragged(0, 1)
    again = [folders[0], f"{folders[1]}/", *folders]
    done = desk.check(*again, "--json")
    assert done.result["verdict"] == "cleared", done.out
    held = desk.check(*folders[:2], *folders[:2], "--json").result["holds"]
    assert [hold["code"] for hold in held] == ["card-not-read", "too-few-copies"]


def test_a_relative_folder_is_the_one_below_here(desk: Desk) -> None:
    desk.dragged(0, 1)
    here = desk.station.home.parent
    words = []
    for drive in desk.drives:
        words += ["--in", os.path.relpath(drive.root, here)]
    assert desk.check(*words).code == 0


@pytest.mark.parametrize("what", ["missing", "a-file"])
def test_a_card_that_is_none_is_an_answer_in_words(desk: Desk, tmp_path: Path, what: str) -> None:
    place = tmp_path / "place"
    if what == "a-file":
        place.write_bytes(b"no card")
    done = desk.run("check", place)
    assert done.code in (2, 3)
    assert SAFE not in done.out + done.err
    assert str(place) in done.err


def test_an_empty_card_is_held(rack: Rack, tmp_path: Path) -> None:
    desk = Desk(rack, tmp_path)
    done = desk.check(*desk.dragged(0, 1))
    assert (done.code, SAFE in done.out) == (1, False)


def test_a_card_that_was_offloaded_needs_no_folder(desk: Desk) -> None:
    assert desk.run(*desk.words()).code == 0
    for word in (str(desk.card.root), "A001"):
        done = desk.run("check", word)
        assert (done.code, SAFE in first_line(done)) == (0, True), done.out + done.err
        assert "shuttle-1" in done.out and "shuttle-2" in done.out
    desk.card.remount()
    done = desk.check()
    assert (done.code, SAFE in first_line(done)) == (1, False)
    assert "offload check" in done.out and "--read" in done.out
    done = desk.check("--read")
    assert (done.code, SAFE in first_line(done)) == (0, True), done.out


def test_two_cards_of_one_name_are_told_apart(rack: Rack, desk: Desk) -> None:
    """The name means the card that has it; the other has another name or is asked by its code."""
    first = desk.run(*desk.words("--json")).result
    other = rack.volume(name="other")
    write_card(other, {"CLIPS/A001C001.mov": b"other"})
    second = desk.run("copy", other.root, *desk.to, "--roll", "A001", "--json").result
    for made, card in ((first, desk.card), (second, other)):
        done = desk.run("check", made["code"], "--json")
        assert done.result["card"] == str(card.root)
        assert done.result["code"] == made["code"]
    done = desk.run("check", "A001", "--json")
    if done.code in (0, 1):
        assert done.result["code"] == first["code"]
    else:
        assert str(desk.card.root) in done.err and str(other.root) in done.err
