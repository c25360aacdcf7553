"""A layout of the user's own counts wherever a card is told from something else.

Nothing that is built in knows this one: a camera whose clips have a suffix of its maker's.
"""

import subprocess
from pathlib import Path

import pytest

from offload.card.layout import rules
from offload.jobs.opening import open_card
from offload.settings import Given, load
from tests.cli.stations import SETTINGS, Bench
from tests.lab.images import EXT4, Rack
from tests.lab.machine import loops_as_disks

pytestmark = pytest.mark.lab

OWN = """
[[card_layout]]
name = "takes-in-reels"
title = "takes in reels"
signs = [["REELS/TAKES/"]]
clips = ["REELS/TAKES/*.rec"]
"""


@pytest.fixture
def bench(rack: Rack, tmp_path: Path) -> Bench:
    made = Bench(rack, tmp_path)
    made.station.settings.write_text(SETTINGS + OWN)
    (made.card.root / "REELS" / "TAKES").mkdir(parents=True)
    (made.card.root / "STATUS.BIN").write_bytes(bytes(range(256)) * 300)
    return made


def by_hand(bench: Bench) -> list[str]:
    """Copies as dragging makes them; ``--in`` for each."""
    words = []
    for drive in bench.drives:
        subprocess.run(["cp", "-a", bench.card.root, drive.root / "hand"], check=True)
        drive.sync()
        words += ["--in", str(drive.root / "hand")]
    bench.card.sync()
    return words


def test_card_without_a_clip_is_not_cleared_by_its_other_files(bench: Bench) -> None:
    words = by_hand(bench)
    done = bench.station.run("check", str(bench.card.root), *words, "--read", "--json")
    assert done.result["verdict"] == "held", done.out
    assert [hold["code"] for hold in done.result["holds"]] == ["nothing-to-prove"]


def test_clip_of_a_suffix_that_nobody_knows_is_looked_for(bench: Bench) -> None:
    (bench.card.root / "REELS" / "TAKES" / "A001T001.rec").write_bytes(b"")
    done = bench.station.run("clips", str(bench.card.root), "--json")
    assert "A001T001.rec" in done.out, done.out + done.err
    bench.station.settings.write_text(SETTINGS.replace("look = false", "look = true") + OWN)
    words = by_hand(bench)
    done = bench.station.run("check", str(bench.card.root), *words, "--read", "--json")
    assert "clip-empty" in [hold["code"] for hold in done.result["holds"]], done.out


def test_card_becomes_no_drive_and_gets_no_page(bench: Bench, rack: Rack) -> None:
    other = rack.volume(EXT4, name="other")
    (other.root / "REELS" / "TAKES").mkdir(parents=True)
    (other.root / "REELS" / "TAKES" / "A002T001.rec").write_bytes(b"a take")
    before = sorted(other.root.rglob("*"))
    run = bench.station.run
    added = run("drive", "add", "shuttle-3", other.root)
    assert (added.code, "is, or was, a card" in added.err) == (2, True), added.err
    (bench.card.root / "REELS" / "TAKES" / "A001T001.rec").write_bytes(b"the first take")
    bench.card.sync()
    target = ("--to", str(bench.drives[0].root), "--to", str(other.root))
    done = run("copy", str(bench.card.root), *target, "--roll", "A001", "--json")
    assert done.result["verdict"] == "held", done.out
    # The other one is named in the settings as a card's layout and copied to by nobody.
    assert run(*bench.words("--json")).result["verdict"] == "cleared"
    page = run("page", "A001", "--to", other.root / "A001.html")
    assert (page.code, "nothing is ever written to a card" in page.err) == (2, True), page.err
    assert sorted(other.root.rglob("*")) == before


def test_folder_of_such_a_card_is_no_folder_of_a_drive(bench: Bench, tmp_path: Path) -> None:
    """What lies beside it goes when the card is formatted, and is no copy."""
    place = bytes(tmp_path)
    option = bytes(bench.station.settings)
    found = load(Given(place, place, place, settings_option=option))
    folder = bytes(bench.card.root / "REELS")
    for layouts, is_on_drive in ((rules(found.card_layouts), False), (None, True)):
        card = open_card(folder, loops_as_disks(), layouts)
        card.root.close()
        assert card.is_folder_on_drive == is_on_drive
