"""The page that goes into the record: made by whoever may know the report, harmless if it fails."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from offload.cli.page_maker import RecordPages
from offload.jobs.opening import open_drive
from offload.jobs.placing import Place
from offload.jobs.surroundings import Surroundings
from offload.jobs.wishes import DriveWish
from offload.ledger.database import Ledger
from offload.transfer.preflight.names import LINUX
from tests.report.scene import NOON, RollMade


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(bytes(tmp_path / "home"), wait_s=1) as opened:
        yield opened


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    folder = tmp_path / "shuttle-1"
    (folder / "records" / "A001").mkdir(parents=True)
    held = open_drive(DriveWish("shuttle-1", bytes(folder)), Surroundings())
    yield Place(held, 1, b"", b"A001", LINUX, bytearray())
    held.root.close()


def test_record_has_page_and_table(ledger: Ledger, place: Place) -> None:
    roll = RollMade().write(ledger)
    assert RecordPages(ledger)(roll, [place], NOON) == []
    folder = Path(os.fsdecode(place.drive.root.path)) / "records" / "A001"
    assert "Cleared on" in (folder / "A001.html").read_text()
    assert 'href="./A001.csv"' in (folder / "A001.html").read_text()
    assert len((folder / "A001.csv").read_text().splitlines()) == 5


def test_damaged_ledger_is_a_notice_and_no_error(ledger: Ledger, place: Place) -> None:
    roll = RollMade().write(ledger)
    ledger.change("UPDATE clips SET about = ? WHERE roll = ?", ("{", roll))
    notices = RecordPages(ledger)(roll, [place], NOON)
    assert [each.code for each in notices] == ["page-not-written"]
    assert "the page could not be made" in notices[0].text
