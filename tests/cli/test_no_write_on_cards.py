"""Whatever is asked for: a history that somebody made on a card is not gone on with there.

The program never writes to a card; whoever verifies or mends gets the generation in a copy.
"""

import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.cli.stations import DiskStation
from tests.cli.test_begin import assert_refused, everything
from tests.jobs.verify_scene import flip
from tests.lab.images import EXT4, Rack, Volume

pytestmark = pytest.mark.lab

CLIP = "DCIM/100ABCDE/ABCD0001.MOV"


def roll_with_history(drive: Volume, station: DiskStation, clip: str = CLIP) -> Path:
    """A folder with a first generation, as a recorder makes one on its card."""
    roll = drive.root / "A001"
    (roll / clip).parent.mkdir(parents=True)
    (roll / clip).write_bytes(b"footage" * 1000)
    drive.sync()
    assert station.run("verify", roll, "--begin").code == 0
    return roll


def card_of(rack: Rack, roll: Path) -> Volume:
    card = rack.volume(EXT4, name="card")
    (card.root / "lost+found").rmdir()
    shutil.copytree(roll, card.root, dirs_exist_ok=True)
    card.sync()
    return card


@pytest.mark.parametrize(
    "asked", [["--append"], ["--append", "--only", CLIP]], ids=["append", "append-part"]
)
def test_no_generation_is_appended_on_a_card(
    rack: Rack, tmp_path: Path, asked: Sequence[str]
) -> None:
    station = DiskStation(tmp_path / "station")
    card = card_of(rack, roll_with_history(rack.volume(EXT4, name="shuttle-1"), station))
    before = everything(card.root)
    done = station.run("verify", card.root, *asked)
    assert_refused(done, before, card.root, "nothing is ever written on a card", "offload copy")
    # What only reads is as free as anywhere.
    assert station.run("verify", card.root).code == 0
    assert everything(card.root) == before


def test_nothing_is_put_back_on_a_card(rack: Rack, tmp_path: Path) -> None:
    station = DiskStation(tmp_path / "station")
    roll = roll_with_history(rack.volume(EXT4, name="shuttle-1"), station)
    card = card_of(rack, roll)
    flip(card.root / CLIP)
    card.sync()
    before = everything(card.root)
    done = station.run("mend", card.root, "--from", roll)
    assert_refused(done, before, card.root, "nothing is ever written on a card")


def test_card_that_only_the_ledger_knows_is_one(rack: Rack, tmp_path: Path) -> None:
    station = DiskStation(tmp_path / "station")
    drive = rack.volume(EXT4, name="shuttle-1")
    card = card_of(rack, roll_with_history(drive, station, "sound.wav"))
    station.run("copy", card.root, "--to", drive.root, "--roll", "A002")
    before = everything(card.root)
    done = station.run("verify", card.root, "--append")
    assert_refused(done, before, card.root, "nothing is ever written on a card")


def test_drive_that_came_with_records_is_no_card_whatever_else_lies_on_it(
    rack: Rack, tmp_path: Path
) -> None:
    """Somebody has put a card's folders beside the rolls, by hand."""
    sender, station = DiskStation(tmp_path / "sender"), DiskStation(tmp_path / "station")
    card, shuttle = rack.volume(EXT4, name="card"), rack.volume(EXT4, name="shuttle")
    (card.root / "sound.wav").write_bytes(b"footage" * 1000)
    card.sync()
    sender.run("copy", card.root, "--to", shuttle.root, "--roll", "A001")
    (shuttle.root / ".offload-drive").unlink()
    (shuttle.root / CLIP).parent.mkdir(parents=True)
    (shuttle.root / CLIP).write_bytes(b"footage")
    shuttle.sync()
    (roll,) = {path.parent for path in shuttle.root.rglob("sound.wav")}
    done = station.run("verify", roll, "--append")
    assert len(list((roll / "ascmhl").glob("0002_*.mhl"))) == 1, done.err + done.out
