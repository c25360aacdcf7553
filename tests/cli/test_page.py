"""``offload page`` as its user meets it: which page, where it goes, what it never writes over."""

import csv
import os
from pathlib import Path

import pytest

from offload.ledger import cards
from offload.ledger.database import Ledger
from tests.lab.processes import Done, Station
from tests.report.scene import NOON, SECOND, RollMade, held_roll, hostile_roll


@pytest.fixture
def station(tmp_path: Path) -> Station:
    station = Station(tmp_path / "station", '[production]\nname = "Night Ferry"\n')
    with Ledger(os.fsencode(station.home)) as ledger:
        RollMade().write(ledger)
        held_roll().write(ledger)
        hostile_roll().write(ledger)
    return station


def run(station: Station, *words: str | Path) -> Done:
    done = station.run("page", *words)
    done.assert_no_traceback()
    return done


def test_page_and_table_are_written_here(station: Station) -> None:
    done = run(station, "A001")
    assert done.code == 0, done.err
    here = station.home.parent
    assert done.out.split() == [f"{here}/A001.html", f"{here}/A001.csv"]
    assert "Cleared on" in (here / "A001.html").read_text()
    with (here / "A001.csv").open(newline="") as table:
        assert len(list(csv.DictReader(table))) == 4
    assert sorted(path.name for path in here.glob("*A001*")) == ["A001.csv", "A001.html"]


def test_page_of_card_code_goes_where_it_is_told(station: Station, tmp_path: Path) -> None:
    done = run(station, "M3-9QXT", "--to", tmp_path / "out.html", "--json")
    assert done.result["clips"] == 4
    assert "Held on" in (tmp_path / "out.html").read_text()
    assert 'href="./out.csv"' in (tmp_path / "out.html").read_text()
    assert (tmp_path / "out.csv").exists()


def test_page_of_day_and_of_production(station: Station) -> None:
    assert run(station, "--day", "2026-11-24", "--json").result["rolls"] == 3
    assert run(station, "--production", "--json").result["rolls"] == 2
    here = station.home.parent
    assert "Totals of the day" in (here / "2026-11-24.html").read_text()
    assert "Days" in (here / "Night Ferry.html").read_text()


def test_own_page_is_made_anew_and_nothing_else_written_over(station: Station) -> None:
    assert run(station, "A001").code == 0
    assert run(station, "A001").code == 0
    here = station.home.parent
    (here / "notes.html").write_text("<p>mine</p>")
    done = run(station, "A001", "--to", here / "notes.html")
    assert done.code == 2
    assert "another file is there" in done.err
    assert (here / "notes.html").read_text() == "<p>mine</p>"
    (here / "B.csv").write_text("mine")
    assert run(station, "A001", "--to", here / "B.html").code == 2
    assert (here / "B.csv").read_text() == "mine"
    assert not (here / "B.html").exists()
    assert not (here / "notes.csv").exists()


def test_nothing_is_written_to_a_card(station: Station, tmp_path: Path) -> None:
    card = tmp_path / "card"
    (card / "A001").mkdir(parents=True)
    with Ledger(os.fsencode(station.home)) as ledger:
        number = cards.add(ledger, cards.CardHints("", "CARD", 0, ""), NOON)
        cards.arrived(ledger, number, "boot:99", os.fsencode(card), NOON)
    for target in (card / "a.html", card / "A001" / "a.html"):
        done = run(station, "A001", "--to", target)
        assert done.code == 2
        assert "nothing is ever written to a card" in done.err
    link = tmp_path / "link"
    link.symlink_to(card)
    assert run(station, "A001", "--to", link / "a.html").code == 2
    assert sorted(path.name for path in card.rglob("*")) == ["A001"]


def test_hostile_roll_name_makes_a_plain_file_name(station: Station) -> None:
    with Ledger(os.fsencode(station.home)) as ledger:
        RollMade("../../x\n; rm", "HH-1111", at_ns=NOON + SECOND).write(ledger)
    done = run(station, "HH-1111")
    assert done.code == 0
    assert [Path(line).parent for line in done.out.splitlines()] == [station.home.parent] * 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "a page is about one roll, one day or the production"),
        (("A001", "--production"), "a page is about one roll, one day or the production"),
        (("B009",), "the ledger knows no roll 'B009'"),
        (("\x1b[2J",), "the ledger knows no roll '\\x1b[2J'"),
        (("--day", "yesterday"), "this has to be a date"),
        (("--day", "2020-01-01"), "no roll of 2020-01-01 is in the ledger"),
        (("A001", "--to", "a.pdf"), "the page's name has to end in .html"),
        (("A001", "--to", "nowhere/a.html"), "it cannot be written: no such file"),
    ],
)
def test_wrong_word_is_said(station: Station, words: tuple[str, ...], said: str) -> None:
    done = run(station, *words)
    assert done.code == 2
    assert said in done.err


def test_name_of_several_rolls_lists_their_codes(station: Station) -> None:
    with Ledger(os.fsencode(station.home)) as ledger:
        RollMade("A001", "QQ-1111", at_ns=NOON + SECOND).write(ledger)
    done = run(station, "A001")
    assert done.code == 2
    assert "K7-4M2P of 2026-11-24" in done.err
    assert run(station, "QQ-1111").code == 0
