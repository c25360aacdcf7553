"""``offload verify --names-only``: the operation "diff", ASC MHL 1.0, section 5.6.

What must happen: files that are recorded and missing, and files that are unknown, are listed,
through nested histories. What must not: a file is hashed, or a generation is written.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.stations import receiver
from tests.jobs.verify_scene import CLIPS, STATION, Copies, flip
from tests.lab.opened import opened_below
from tests.lab.processes import Done, Station
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder

CLIP = "A001/Clips/A001C001.mov"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return receiver(tmp_path / "station", STATION.public.line())


def compare(station: Station, *words: str | Path) -> Done:
    done = station.run("verify", *words, "--names-only")
    done.assert_no_traceback()
    return done


def states(done: Done) -> dict[str, str]:
    return {line["path"]: line["state"] for line in done.lines if line["type"] == "file"}


def everything(folder: Path) -> dict[Path, tuple[bytes, int]]:
    return {
        path: (path.read_bytes(), path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_whole_copy_is_there_by_name_and_nothing_is_called_verified(
    copies: Copies, station: Station
) -> None:
    done = compare(station, copies.drive)
    assert done.code == 0
    said = done.out[done.out.index("shuttle-1  ") :]
    assert said.startswith("shuttle-1  NAMES COMPARED, NOTHING READ")
    assert f"{len(CLIPS)} of {len(CLIPS)} recorded files are there by name." in said
    assert "this says nothing of what is in them" in said
    assert f"offload verify {copies.drive}" in said
    for word in ("AS RECORDED", "as recorded", "verified", "safe", "erase"):
        assert word not in said.replace("allowed", "")


def test_missing_and_unknown_files_are_listed(copies: Copies, station: Station) -> None:
    (copies.drive / CLIP).unlink()
    (copies.roll / "Clips/report.txt").write_bytes(b"take 2 is good")
    done = compare(station, copies.drive)
    assert done.code == 1
    assert f"missing: 1 file is recorded and not there.\n      {CLIP}" in done.out
    assert "1 file recorded by nobody: A001/Clips/report.txt" in done.out
    told = compare(station, copies.drive, "--json")
    found = states(told)
    assert found[CLIP] == "missing"
    assert found["A001/Clips/report.txt"] == "not-recorded"
    assert found["A001/Clips/A001C002.mov"] == "not-read"
    result = told.result
    assert (result["answer"], result["exit"], result["bytes_read"]) == ("names-only", 1, 0)
    assert (result["there"], result["missing"], result["unknown"]) == (len(CLIPS) - 1, 1, 1)
    assert result["reasons"] == ["missing"]


def test_renamed_file_is_missing_and_unknown(copies: Copies, station: Station) -> None:
    """Section 5.6 and guidelines 2.8: only its content could tell that it is one file."""
    (copies.drive / CLIP).rename(copies.roll / "Clips/take-1.mov")
    found = states(compare(station, copies.drive, "--json"))
    assert (found[CLIP], found["A001/Clips/take-1.mov"]) == ("missing", "not-recorded")


def test_unknown_file_alone_is_no_error(copies: Copies, station: Station) -> None:
    """Guidelines, section 2.7: additional files are listed."""
    (copies.roll / "late.wav").write_bytes(b"sound")
    done = compare(station, copies.drive)
    assert done.code == 0
    assert "1 file recorded by nobody: A001/late.wav" in done.out


def test_ignored_file_is_neither(copies: Copies, station: Station) -> None:
    """Section 5.6.1.2: matching items are skipped by diff."""
    (copies.roll / "Clips/.DS_Store").write_bytes(b"x")
    done = compare(station, copies.drive, "--json")
    assert done.result["unknown"] == 0
    assert states(done)["A001/Clips/.DS_Store"] == "left-out"


def test_no_file_is_read_and_nothing_is_written(copies: Copies, station: Station) -> None:
    before = everything(copies.drive)
    with opened_below(copies.roll / "Clips") as opened:
        assert compare(station, copies.drive).code == 0
    assert opened == []
    assert everything(copies.drive) == before
    # That opening would have been seen is shown by the command that reads.
    with opened_below(copies.roll / "Clips") as opened:
        assert station.run("verify", copies.drive).code == 0
    assert {Path(path).name for path in opened} >= {"A001C001.mov", "A001C002.mov"}


def test_damage_in_a_file_is_not_seen_and_not_denied(copies: Copies, station: Station) -> None:
    flip(copies.drive / CLIP)
    done = compare(station, copies.drive)
    assert done.code == 0
    assert "No file was read" in done.out
    assert station.run("verify", copies.drive).code == 1


def test_nested_histories_are_followed(station: Station, tmp_path: Path) -> None:
    """Section 5.3.3: the nested chain is opened and its whole history read."""
    day = tmp_path / "Day1"
    desk = Desk(PlainFolder(day))
    desk.put({b"A001/a.mov": b"1", b"A001/b.mov": b"2", b"report.txt": b"ok"})
    desk.hash({b"A001": [b"a.mov"]})
    desk.hash({b"A001": [b"b.mov"]}, custody=desk.custody(b"A001"))
    desk.hash({b"": [b"report.txt"]}, custody=desk.custody())
    (day / "A001/a.mov").unlink()
    (day / "A001/c.mov").write_bytes(b"3")
    done = compare(station, day, "--json")
    assert done.code == 1
    assert {path: state for path, state in states(done).items() if "ascmhl" not in path} == {
        "Day1/A001/a.mov": "missing",
        "Day1/A001/b.mov": "not-read",
        "Day1/A001/c.mov": "not-recorded",
        "Day1/report.txt": "not-read",
    }


def test_card_that_is_gone_is_told(station: Station, tmp_path: Path) -> None:
    day = tmp_path / "Day1"
    desk = Desk(PlainFolder(day))
    desk.put({b"A001/a.mov": b"1", b"report.txt": b"ok"})
    desk.hash({b"A001": [b"a.mov"], b"": [b"report.txt"]})
    (day / "A001").rename(tmp_path / "gone")
    done = compare(station, day)
    assert done.code == 1
    assert "nested-missing: Day1/A001" in done.out


def test_stand_alone_manifest_is_compared_too(
    copies: Copies, station: Station, tmp_path: Path
) -> None:
    """Section 5.6.2: the manifest itself lies in the folder and is left out."""
    (manifest,) = (copies.roll / "ascmhl").glob("*.mhl")
    folder = tmp_path / "A001"
    (folder / "Clips").mkdir(parents=True)
    for path in CLIPS:
        (folder / path).write_bytes(b"")
    (folder / manifest.name).write_bytes(manifest.read_bytes())
    (folder / "empty.txt").unlink()
    done = compare(station, folder, "--json")
    found = states(done)
    assert found.pop(manifest.name) == "record"
    assert found == {path: "missing" if path == "empty.txt" else "not-read" for path in CLIPS}


def rewritten(copies: Copies) -> None:
    """A manifest that leaves a file out, so that nobody misses it."""
    text = copies.manifest.read_bytes()
    start = text.index(b"<hash>")
    copies.manifest.write_bytes(text[:start] + text[text.index(b"</hash>") + 7 :])


def chain_unsigned(copies: Copies) -> None:
    copies.chain.write_bytes(copies.chain.read_bytes() + b"\n")


@pytest.mark.parametrize(
    ("harm", "reason"),
    [(rewritten, "manifest-changed"), (chain_unsigned, "signature-changed")],
    ids=["manifest", "chain"],
)
def test_record_that_was_changed_is_no_measure(
    copies: Copies, station: Station, harm: Callable[[Copies], None], reason: str
) -> None:
    """Section 5.4: each manifest is checked against its chain while it is loaded."""
    harm(copies)
    done = compare(station, copies.drive)
    assert done.code == 1
    assert f"{reason}: " in done.out
    assert reason in compare(station, copies.drive, "--json").result["reasons"]


def test_folder_without_record_ends_with_three(station: Station, tmp_path: Path) -> None:
    (tmp_path / "plain").mkdir()
    (tmp_path / "plain/clip.mov").write_bytes(b"x")
    done = compare(station, tmp_path / "plain")
    assert done.code == 3
    assert "Nothing is recorded here" in done.out


@pytest.mark.parametrize(
    "words",
    [
        ("--append",),
        ("--receipt",),
        ("--expect", "lists/ascmhl_collection.xml"),
        ("--against-receipt", "1234 5678"),
    ],
    ids=lambda words: words[0],
)
def test_what_rests_on_reading_is_refused_beside_it(
    copies: Copies, station: Station, words: tuple[str, ...]
) -> None:
    before = everything(copies.drive)
    done = compare(station, copies.drive, *words)
    assert done.code == 2
    assert f"--names-only reads no file, and {words[0]} rests on what was read" in done.err
    assert everything(copies.drive) == before


def test_hostile_names_move_no_cursor(station: Station, tmp_path: Path) -> None:
    folder = tmp_path / "drive"
    folder.mkdir()
    gone, extra = "a\x1b]0;X\x07b[red]\u202e", "c\x1b[2J\x85"
    (folder / "l.md5").write_bytes(bytes(16).hex().encode() + b"  " + gone.encode() + b"\n")
    (folder / extra).write_bytes(b"x")
    for more in ((), ("--json",)):
        done = compare(station, folder, *more)
        assert done.code == 1
        assert not set(done.out + done.err) & set("\x1b\x07\u202e\x85")
        assert "[red]" in done.out
