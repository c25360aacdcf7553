"""What pages get from copies and put beside records, on real files with real clips."""

import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from offload.jobs.opening import HeldDrive, open_drive
from offload.jobs.paging import CopyPictures, last_timecode, write_into_records
from offload.jobs.placing import Place
from offload.jobs.surroundings import Surroundings
from offload.jobs.wishes import DriveWish
from offload.ledger import clips, copies, offloads, rolls
from offload.ledger.database import Ledger
from offload.transfer.preflight.names import LINUX
from offload.values.clips import ClipFacts, ClipKind, Container, StartTimecode
from offload.values.facts import CopyState
from offload.values.probed import Probed
from tests.lab.clips import write_prores
from tests.report.scene import RollMade, jpeg_size

PATH = b"A001/A001C001.mov"
MARKS = {b".html": b"<!doctype html>\n<!-- a page", b".csv": b"roll,"}


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(bytes(tmp_path / "home"), wait_s=1) as opened:
        yield opened


@pytest.fixture
def copy_of_clip(tmp_path: Path) -> Path:
    """A copy that holds one clip of 24 pictures."""
    folder = tmp_path / "shuttle-1" / "A001"
    (folder / "A001").mkdir(parents=True)
    write_prores(folder / os.fsdecode(PATH))
    return folder


def roll_of(ledger: Ledger, folder: Path) -> rolls.Roll:
    """A roll whose one clip has no picture in the ledger, and whose copy lies in ``folder``."""
    file = (folder / os.fsdecode(PATH)).stat()
    facts = ClipFacts(Container.MOV, "prores", "apch", width=320, height=180)
    clip = clips.KeptClip(PATH, ClipKind.FILE, 1, file.st_size, probed=Probed(facts))
    number = RollMade(clips=[clip], drives=("shuttle-1",)).write(ledger)
    run = offloads.of_roll(ledger, number)[0]
    copy = copies.of_offload(ledger, run.offload)[0]
    known = (file.st_dev, file.st_ino, file.st_size, file.st_mtime_ns, file.st_ctime_ns)
    copies.add_files(ledger, copy.copy, [0], bytes([CopyState.PROVEN_DEVICE]), [known])
    copies.tell(ledger, copy.copy, copies.CopyResult(copies.Stage.PROVEN, bytes(folder)), 1)
    return rolls.get(ledger, number)


def test_picture_comes_from_copy_and_is_kept(ledger: Ledger, copy_of_clip: Path) -> None:
    roll = roll_of(ledger, copy_of_clip)
    clip = clips.of_roll(ledger, roll.roll)[0]
    with CopyPictures(ledger) as pictures:
        found = pictures.find(roll, clip)
    assert found is not None
    # An independent decoder reads the size that is written down.
    assert jpeg_size(found.jpeg) == (found.width, found.height) == (320, 180)
    assert clips.picture(ledger, roll.roll, PATH) == found
    assert clips.of_roll(ledger, roll.roll) == (clip,)


def test_changed_copy_gives_no_picture(ledger: Ledger, copy_of_clip: Path) -> None:
    roll = roll_of(ledger, copy_of_clip)
    os.utime(copy_of_clip / os.fsdecode(PATH), ns=(5, 5))
    with CopyPictures(ledger) as pictures:
        assert pictures.find(roll, clips.of_roll(ledger, roll.roll)[0]) is None


def test_link_in_place_of_clip_gives_no_picture(ledger: Ledger, copy_of_clip: Path) -> None:
    roll = roll_of(ledger, copy_of_clip)
    clip = copy_of_clip / os.fsdecode(PATH)
    clip.rename(copy_of_clip / "elsewhere.mov")
    clip.symlink_to(copy_of_clip / "elsewhere.mov")
    with CopyPictures(ledger) as pictures:
        assert pictures.find(roll, clips.of_roll(ledger, roll.roll)[0]) is None


def test_drive_that_is_away_gives_no_picture(ledger: Ledger, copy_of_clip: Path) -> None:
    roll = roll_of(ledger, copy_of_clip)
    copy_of_clip.parent.rename(copy_of_clip.parent.with_name("away"))
    with CopyPictures(ledger) as pictures:
        assert pictures.find(roll, clips.of_roll(ledger, roll.roll)[0]) is None


@pytest.mark.parametrize(
    ("facts", "last"),
    [
        # SMPTE ST 12-1: drop-frame leaves out ;00 and ;01 of the minute after 00:00:59;29.
        (("00:00:59;29", True, Fraction(30000, 1001), 2), "00:01:00;02"),
        (("01:00:00:00", False, Fraction(24000, 1001), 24), "01:00:00:23"),
        (("23:59:59:24", False, Fraction(25), 2), "00:00:00:00"),
        (("01:00:00:00", False, Fraction(25), 0), ""),
        (("01:00:00:99", False, Fraction(25), 10), ""),
    ],
)
def test_last_timecode(facts: tuple[str, bool, Fraction, int], last: str) -> None:
    text, is_drop, rate, frames = facts
    start = StartTimecode(text, is_drop)
    assert last_timecode(ClipFacts(rate=rate, frames=frames, timecode=start)) == last


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    folder = tmp_path / "shuttle-1"
    (folder / "records" / "A001").mkdir(parents=True)
    held: HeldDrive = open_drive(DriveWish("shuttle-1", bytes(folder)), Surroundings())
    yield Place(held, 1, b"", b"A001", LINUX, bytearray())
    held.root.close()


def test_page_goes_into_records_and_is_made_anew(place: Place) -> None:
    for text in (b"one", b"two"):
        made = {suffix: mark + text for suffix, mark in MARKS.items()}
        assert write_into_records([place], made, MARKS) == []
    folder = Path(os.fsdecode(place.drive.root.path)) / "records" / "A001"
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
        "A001.html": MARKS[b".html"] + b"two",
        "A001.csv": MARKS[b".csv"] + b"two",
    }


def test_foreign_file_of_that_name_is_left_and_said(place: Place) -> None:
    folder = Path(os.fsdecode(place.drive.root.path)) / "records" / "A001"
    (folder / "A001.html").write_bytes(b"mine")
    made = dict(MARKS)
    notices = write_into_records([place], made, MARKS)
    assert [(each.code, each.drive) for each in notices] == [("page-not-written", "shuttle-1")]
    assert (folder / "A001.html").read_bytes() == b"mine"


def test_drive_without_records_is_said_and_nothing_made(place: Place) -> None:
    folder = Path(os.fsdecode(place.drive.root.path)) / "records"
    (folder / "A001").rmdir()
    assert len(write_into_records([place], {b".csv": b"roll,x"}, MARKS)) == 1
    assert list(folder.iterdir()) == []
