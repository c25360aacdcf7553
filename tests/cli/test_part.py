"""``offload verify --only``: a subset, ASC MHL 1.0, section 5.6.

What must happen: each chosen file is hashed and compared; with a history, the generation holds the
files that were verified or added, and no other. What must not: hashing files not concerned.
"""

import re
from pathlib import Path

import pytest

from tests.cli.stations import receiver
from tests.jobs.verify_scene import CLIPS, STATION, Copies, flip
from tests.lab.opened import opened_below
from tests.lab.processes import Done, Station

CLIP = "Clips/A001C001.mov"
OTHER = "Clips/A001C002.mov"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return receiver(tmp_path / "station", STATION.public.line())


def verify(station: Station, folder: Path, *only: str | Path, more: tuple[str, ...] = ()) -> Done:
    words = [word for path in only for word in ("--only", path)]
    done = station.run("verify", folder, *words, *more)
    done.assert_no_traceback()
    return done


def second(copies: Copies) -> str:
    return next((copies.roll / "ascmhl").glob("0002_*")).read_text()


def test_chosen_file_alone_is_read(copies: Copies, station: Station) -> None:
    with opened_below(copies.roll / "Clips") as opened:
        done = verify(station, copies.roll, CLIP)
    assert done.code == 0
    assert {Path(path).name for path in opened} == {"A001C001.mov"}
    said = done.out[done.out.index("A001  ") :]
    assert said.startswith("A001  THE CHOSEN FILES ARE AS RECORDED")
    assert "1 of 1 chosen file was read from the drive and as recorded." in said
    assert f"{len(CLIPS) - 1} other recorded files are not read" in said
    assert "nothing is said of the copy as a whole" in said
    # What is about a whole copy is not judged by a part of it.
    assert "clearance" not in said
    assert "proves" not in said


def test_damage_in_the_chosen_file_is_found(copies: Copies, station: Station) -> None:
    flip(copies.roll / CLIP)
    done = verify(station, copies.roll, CLIP)
    assert done.code == 1
    assert "A001  NOT AS RECORDED" in done.out
    assert f"differs: 1 file is not what was recorded.\n      A001/{CLIP}" in done.out
    # And in another one not: nothing was said of it.
    assert verify(station, copies.roll, OTHER).code == 0


def test_chosen_file_that_is_gone_is_missing(copies: Copies, station: Station) -> None:
    (copies.roll / CLIP).unlink()
    done = verify(station, copies.roll, CLIP)
    assert done.code == 1
    assert "missing: 1 file is recorded and not there." in done.out
    assert verify(station, copies.roll, OTHER).code == 0


def test_folder_and_file_may_be_chosen_together(copies: Copies, station: Station) -> None:
    done = verify(station, copies.drive, "A001/Clips", "A001/empty.txt", more=("--json",))
    assert done.code == 0
    found = {line["path"] for line in done.lines if line["type"] == "file"}
    assert {path for path in found if "records/" not in path and "ascmhl/" not in path} >= {
        f"A001/{path}" for path in CLIPS
    }
    result = done.result
    assert (result["answer"], result["exit"]) == ("part-as-recorded", 0)
    assert (result["recorded"], result["good"], result["others"]) == (len(CLIPS), len(CLIPS), 0)
    assert (result["clearances"], result["receipts"]) == ([], [])


def test_only_the_verified_file_is_in_the_new_generation(copies: Copies, station: Station) -> None:
    done = verify(station, copies.roll, copies.roll / CLIP, more=("--append",))
    assert done.code == 0
    text = second(copies)
    assert re.findall(r"<path[^>]*>(.*?)</path>", text) == [CLIP]
    assert set(re.findall(r'action="(\w+)"', text)) == {"verified"}
    # Guidelines 2.5.3: no folder is whole, so none has a hash.
    assert "<directoryhash>" not in text and "<roothash>" not in text
    whole = station.run("verify", copies.drive, "--json")
    assert (whole.code, whole.result["good"]) == (0, len(CLIPS))


def test_failed_file_is_recorded_and_no_other(copies: Copies, station: Station) -> None:
    flip(copies.roll / CLIP)
    assert verify(station, copies.roll, CLIP, more=("--append",)).code == 1
    assert re.findall(r"<path[^>]*>(.*?)</path>", second(copies)) == [CLIP]
    assert set(re.findall(r'action="(\w+)"', second(copies))) == {"failed"}


def test_late_file_is_added_and_no_other_is_touched(copies: Copies, station: Station) -> None:
    """Guidelines 2.1: a report comes later; existing files are neither missed nor read."""
    (copies.roll / "report.txt").write_bytes(b"scene 12")
    (copies.roll / OTHER).unlink()
    flip(copies.roll / CLIP)
    with opened_below(copies.roll / "Clips") as opened:
        done = verify(station, copies.roll, "report.txt", more=("--append",))
    assert (done.code, opened) == (0, [])
    assert "A001  THE CHOSEN FILES ARE NOW RECORDED" in done.out
    assert re.findall(r"<path[^>]*>(.*?)</path>", second(copies)) == ["report.txt"]
    assert set(re.findall(r'action="(\w+)"', second(copies))) == {"original"}
    assert verify(station, copies.roll, "report.txt").code == 0


def test_text_on_checking_by_hand_still_counts_every_file(copies: Copies, station: Station) -> None:
    """It says how many files a list leaves out, of all and not of the chosen ones."""
    for name in ("a", "b"):
        (copies.roll / f"late-{name}.txt").write_bytes(b"x")
    assert station.run("verify", copies.roll, "--append").code == 0
    text = copies.records / "check-by-hand.txt"
    before = text.read_text()
    assert verify(station, copies.roll, CLIP, more=("--append",)).code == 0
    assert "0003_A001_" in text.read_text()
    counts = [re.findall(r"\d+ files?", each) for each in (before, text.read_text())]
    assert counts == [["2 files"], ["2 files"]]


def test_changed_record_is_told_with_a_part_too(copies: Copies, station: Station) -> None:
    copies.chain.write_bytes(copies.chain.read_bytes() + b"\n")
    done = verify(station, copies.roll, CLIP)
    assert done.code == 1
    assert "signature-changed" in done.out


@pytest.mark.parametrize("path", ["no/such.mov", "Clips/A001C00", "../A001", "/etc/passwd", ""])
def test_path_that_leads_to_nothing_is_wrong_usage(
    copies: Copies, station: Station, path: str
) -> None:
    done = verify(station, copies.roll, CLIP, path)
    assert done.code == 2
    assert "Nothing was read." in done.err


@pytest.mark.parametrize(
    "words",
    [
        ("--receipt",),
        ("--expect", "lists/ascmhl_collection.xml"),
        ("--against-receipt", "1234 5678"),
        ("--names-only",),
    ],
    ids=lambda words: words[0],
)
def test_what_is_about_the_whole_is_refused_beside_it(
    copies: Copies, station: Station, words: tuple[str, ...]
) -> None:
    done = verify(station, copies.roll, CLIP, more=words)
    assert done.code == 2
    assert "rests on what was read" in done.err
