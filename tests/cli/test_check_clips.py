"""Clips of a card that was copied by hand are looked into before it may be erased."""

from pathlib import Path

import pytest

from tests.cli.forked import forked
from tests.cli.stations import Bench, DiskStation
from tests.jobs.scene import tree, write_card
from tests.lab.images import Rack
from tests.lab.processes import Done, nothing_left
from tests.media.made_clips import clip, unfinished

pytestmark = pytest.mark.lab

LOOKING = '[copies]\nreserve = "0 B"\n'
SAFE, KEEP = "SAFE TO ERASE IN CAMERA", "KEEP THE CARD"
GOOD = "CLIPS/A001C001_261125_NF.mov"
SECOND = "CLIPS/A001C002_261125_NF.mov"


class Desk(Bench):
    """A card, two drives onto which it was dragged, and commands run warm."""

    def run(self, *words: str | Path) -> Done:
        with forked(words, self.station.environment, self.station.home.parent) as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def drag(self, files: dict[str, bytes], *, but: str = "") -> None:
        write_card(self.card, files)
        for at, drive in enumerate(self.drives):
            brought = files if at else {n: data for n, data in files.items() if n != but}
            # Renamed: what a clip is called on the card counts, wherever its bytes lie.
            copies = {f"DAY {at}/{n.replace('A001', 'x')}": d for n, d in brought.items()}
            write_card(drive, copies)

    def check(self) -> Done:
        places = [word for drive in self.drives for word in ("--in", str(drive.root))]
        return self.run("check", self.card.root, *places)


@pytest.fixture
def desk(rack: Rack, tmp_path: Path) -> Desk:
    made = Desk(rack, tmp_path)
    made.station = DiskStation(tmp_path / "looking", LOOKING)
    return made


def test_whole_clips_clear_a_card_that_was_dragged(desk: Desk) -> None:
    desk.drag({GOOD: clip("mov"), SECOND: clip("mov", timecode="01:00:10:00")})
    before = tree(desk.card.root)
    with nothing_left(below=[desk.card.root]):
        done = desk.check()
    assert done.code == 0
    assert SAFE in done.out
    assert "nobody looked" not in done.out
    assert tree(desk.card.root) == before


@pytest.mark.parametrize(
    ("content", "code"),
    [(unfinished("mov"), "clip-unfinished"), (clip("mov")[:-2000], "clip-"), (b"", "clip-empty")],
    ids=["unfinished", "cut", "empty"],
)
def test_broken_clip_keeps_a_card_that_was_dragged(desk: Desk, content: bytes, code: str) -> None:
    desk.drag({GOOD: clip("mov"), SECOND: content})
    done = desk.check()
    assert done.code == 1
    assert KEEP in done.out and code in done.out and Path(SECOND).name in done.out
    assert "too-few-copies" not in done.out


def test_zeros_met_while_the_card_is_read_keep_it(desk: Desk) -> None:
    # Inside one large compressed picture that nobody decodes: only the zeros themselves show it.
    content = bytearray(clip("mov", codec="mjpeg", frames=9, size=(3840, 2160)))
    second = content.index(b"\xff\xd8\xff", content.index(b"\xff\xd8\xff") + 3)
    start = -(-(second + 65_536) // 65_536) * 65_536
    content[start : start + 65_536] = bytes(65_536)
    desk.drag({GOOD: clip("mov"), SECOND: bytes(content)})
    done = desk.check()
    assert done.code == 1
    assert "clip-zeros" in done.out


def test_doubt_is_settled_by_the_command_that_is_shown(desk: Desk) -> None:
    desk.drag({GOOD: clip("mov"), SECOND: unfinished("mov")})
    shown = " ".join(desk.check().out.split())
    settle = f"offload settle {desk.card.root} clip-unfinished {SECOND}"
    assert f"{settle} --by NAME --because TEXT" in shown
    word = ("--by", "the wrangler", "--because", "battery died, no take")
    done = desk.run(*settle.split()[1:], *word)
    assert done.code == 0, done.out + done.err
    assert f"offload check {desk.card.root} --in FOLDER" in done.out
    cleared = desk.check()
    assert cleared.code == 0
    assert SAFE in cleared.out and "settled by the wrangler" in " ".join(cleared.out.split())


def test_decision_lapses_with_another_content(desk: Desk) -> None:
    desk.drag({GOOD: clip("mov"), SECOND: unfinished("mov")})
    settle = ["settle", str(desk.card.root), "clip-unfinished", Path(SECOND).name]
    assert desk.run(*settle, "--by", "A", "--because", "no take").code == 0
    desk.drag({SECOND: unfinished("mov", "prores_ks/lt")})
    assert desk.check().code == 1


@pytest.mark.parametrize(
    "words",
    [
        ["too-few-copies", SECOND, "--by", "A", "--because", "B"],
        ["clip-unfinished", "nothing.mov", "--by", "A", "--because", "B"],
        ["clip-unfinished", SECOND, "--by", " ", "--because", "B"],
    ],
    ids=["about bytes", "no such clip", "by nobody"],
)
def test_nothing_is_decided_without_a_doubt_a_clip_and_a_name(desk: Desk, words: list[str]) -> None:
    desk.drag({GOOD: clip("mov"), SECOND: unfinished("mov")})
    done = desk.run("settle", str(desk.card.root), *words)
    assert done.code == 2
    assert desk.check().code == 1


def test_what_is_brought_is_looked_into(desk: Desk) -> None:
    desk.drag({GOOD: clip("mov"), SECOND: unfinished("mov")}, but=SECOND)
    words = [word for drive in desk.drives for word in ("--to", str(drive.root))]
    done = desk.run("copy", str(desk.card.root), *words, "--missing")
    assert done.code == 1
    # What was brought is told on the way; the answer comes last.
    answer = done.out[done.out.index(KEEP) :]
    assert "clip-unfinished" in answer and "too-few-copies" not in answer
