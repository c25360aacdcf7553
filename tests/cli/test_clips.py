"""``offload clips``, ``--expect`` and the look at clips, as their user meets them."""

import contextlib
import json
import os
import subprocess
from fractions import Fraction
from pathlib import Path

import psutil
import pytest

from offload.cli.clips_view import length_text, lines
from offload.jobs.look_table import ClipTable
from offload.ledger.clips import KeptClip
from offload.values.clips import Answers, ClipKind, Complete
from offload.values.findings import Finding
from tests.cli.stations import Bench
from tests.lab.footage import Track, noise, silence, write_footage
from tests.lab.images import Rack
from tests.lab.processes import Child, Done, Station
from tests.media.made_clips import clip, unfinished

SETTINGS = """
[production]
name = "Night Ferry"
[cards]
folder = "{roll}"
[copies]
reserve = "0 B"
[brief]
codec = "ProRes 422 HQ"
frame_rate = 25
"""


def write_roll(folder: Path) -> None:
    """Three clips: one silent, one never closed; the second number is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    write_footage(
        folder / "A001C001_261125_NF.mov",
        tracks=[Track([noise(-20), noise(-20, seed=2)])],
        timecode="13:02:11:00",
    )
    write_footage(
        folder / "A001C003_261125_NF.mov",
        tracks=[Track([silence(), silence()])],
        timecode="13:04:11:00",
    )
    (folder / "A001C004_261125_NF.mov").write_bytes(unfinished("mov"))


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return Station(tmp_path / "station", SETTINGS)


def objects(done: Done) -> list[dict[str, object]]:
    return [json.loads(line) for line in done.out.splitlines()]


def test_folder_is_looked_into(station: Station, tmp_path: Path) -> None:
    write_roll(tmp_path / "card" / "A001")
    done = station.run("clips", tmp_path / "card", "--json")
    done.assert_no_traceback()
    assert done.code == 1, "one clip is not whole"
    *clips, result = objects(done)
    by_name = {os.path.basename(str(each["path"])): each for each in clips}
    good = by_name["A001C001_261125_NF.mov"]
    assert (good["rate"], good["frames"], good["timecode"]) == ("24000/1001", 48, "13:02:11:00")
    assert (good["complete"], good["usable"]) == ("complete", "usable")
    assert good["as_ordered"] == "not-as-ordered"
    assert by_name["A001C004_261125_NF.mov"]["complete"] == "not-complete"
    assert [each["code"] for each in result["holds"]] == ["clip-unfinished"]  # type: ignore[attr-defined]
    codes = {each["code"] for each in result["notices"]}  # type: ignore[attr-defined]
    assert {"sound-silent", "clips-missing", "brief-frame-rate"} <= codes


def test_nothing_is_written_into_the_folder(station: Station, tmp_path: Path) -> None:
    card = tmp_path / "card"
    write_roll(card / "A001")
    before = {path: (path.stat().st_mtime_ns, path.stat().st_size) for path in card.rglob("*")}
    station.run("clips", card)
    assert {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in card.rglob("*")} == before


def test_table_for_people(station: Station, tmp_path: Path) -> None:
    write_roll(tmp_path / "card" / "A001")
    done = station.run("clips", tmp_path / "card")
    assert "ProRes 422 HQ 320x180 23.976" in done.out
    assert "clip-unfinished: " in done.out
    assert "cannot sync by sound" in done.out
    assert "clip C002 is missing in the numbering" in done.out


def test_sheet_tells_rolls_and_clips_that_never_came(station: Station, tmp_path: Path) -> None:
    write_roll(tmp_path / "card" / "A001")
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("Roll,Clip,Scene\nA001,C001-C004,12\n,C005,13\nA002,C001,14\n")
    done = station.run("clips", tmp_path / "card", "--expect", sheet)
    assert "clips C002, C005 are on the camera sheet of A001 and not on the card" in done.out
    assert "A002 is on the camera sheet and has not come" in done.out


def test_wrong_sheet_is_wrong_usage(station: Station, tmp_path: Path) -> None:
    done = station.run("clips", tmp_path, "--expect", "first roll")
    assert done.code == 2
    assert "is not a roll" in done.err


def test_unknown_word_is_wrong_usage(station: Station) -> None:
    done = station.run("clips", "A999")
    assert done.code == 2
    done.assert_no_traceback()


def test_wrong_brief_names_its_line(tmp_path: Path) -> None:
    station = Station(tmp_path / "station", '[brief]\nframe_rate = "fast"\n')
    done = station.run("clips", tmp_path)
    assert done.code == 2
    assert "line 2: brief.frame_rate" in done.err


@pytest.mark.lab
def test_roll_is_told_from_the_ledger(rack: Rack, tmp_path: Path) -> None:
    bench = Bench(rack, tmp_path)
    bench.station.settings.write_text(SETTINGS)
    write_roll(bench.card.root / "A001")
    bench.card.sync()
    copied = bench.copy("--json", "--expect", "A001-A002")
    assert copied.code == 1
    holds = [hold["code"] for hold in copied.result["holds"]]
    assert holds == ["clip-unfinished"]
    told = {notice["code"]: notice for notice in copied.result["notices"]}
    assert {"sound-silent", "clips-missing", "brief-frame-rate", "roll-never-came"} <= set(told)
    assert told["brief-frame-rate"]["path_count"] == 2
    # The card is gone; the ledger knows.
    bench.card.unmount()
    done = bench.station.run("clips", "A001", "--json")
    *clips, result = objects(done)
    assert done.code == 1
    assert len(clips) == 3
    assert {each["copied"] for each in clips} == {"copied"}
    assert [each["code"] for each in result["holds"]] == ["clip-unfinished"]  # type: ignore[attr-defined]
    assert {"sound-silent", "clips-missing", "brief-frame-rate"} <= {
        each["code"]
        for each in result["notices"]  # type: ignore[attr-defined]
    }


@pytest.mark.lab
def test_doubt_is_settled_from_the_command_line(rack: Rack, tmp_path: Path) -> None:
    bench = Bench(rack, tmp_path)
    bench.station.settings.write_text(SETTINGS)
    write_roll(bench.card.root / "A001")
    bench.card.sync()
    held = bench.copy()
    assert held.code == 1
    assert "clip-unfinished" in held.out
    name = "A001C004_261125_NF.mov"
    words = (
        "settle",
        "A001",
        "clip-unfinished",
        name,
        "--by",
        "the wrangler",
        "--because",
        "no take",
    )
    settled = bench.station.run(*words)
    assert settled.code == 0, settled.out + settled.err
    cleared = bench.copy()
    assert cleared.code == 0, cleared.out + cleared.err
    assert "clip-unfinished was settled by the wrangler: no take" in cleared.out
    assert "tell camera" in cleared.out


@pytest.mark.lab
def test_killed_look_leaves_no_worker_and_is_gone_on_with(rack: Rack, tmp_path: Path) -> None:
    bench = Bench(rack, tmp_path)
    bench.station.settings.write_text(SETTINGS)
    write_roll(bench.card.root / "A001")
    bench.card.sync()
    with bench.start("--json") as child:
        assert child.process.stdout is not None
        for line in child.process.stdout:
            if '"step-started", "step": "clips"' in line:
                break
        workers = workers_of(child)
        child.kill()
    assert workers, "the look was expected to have begun"
    _gone, alive = psutil.wait_procs(workers, timeout=10)
    assert alive == []
    again = bench.copy("--json")
    assert [hold["code"] for hold in again.result["holds"]] == ["clip-unfinished"]
    assert again.result["files_safe"] == 3


def workers_of(child: Child) -> list[psutil.Process]:
    """The first workers that are there, before the run ends."""
    parent = psutil.Process(child.number)
    while child.process.poll() is None:
        found = [
            each
            for each in parent.children(recursive=True)
            if any("offload.media" in word for word in each.cmdline())
        ]
        if found:
            return found
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.process.wait(0.01)
    return []


@pytest.mark.lab
def test_settings_can_leave_clips_alone(rack: Rack, tmp_path: Path) -> None:
    bench = Bench(rack, tmp_path)
    write_roll(bench.card.root / "A001")
    bench.card.sync()
    copied = bench.copy("--json")
    assert copied.code == 0
    assert [each["code"] for each in copied.result["notices"]] == ["not-looked-into"]
    assert "nobody looked into them" in bench.copy().out


HOSTILE = b"A001/\x1b[2JA001C001\n[bold]<script>.mov"


def hostile_table() -> ClipTable:
    kept = KeptClip(HOSTILE, ClipKind.FILE, 1, 5, Answers(complete=Complete.NO), findings=())
    hold = Finding("clip-empty", "the file is 0 bytes long", HOSTILE)
    return ClipTable("A001", (kept, kept), (hold,), (Finding("clips-doubled", "x", HOSTILE),))


@pytest.mark.parametrize("width", [None, 20, 60, 80, 200])
def test_no_name_moves_the_cursor_or_breaks_the_width(width: int | None) -> None:
    shown = lines(hostile_table(), "looked into now", width)
    assert all(line.isprintable() for line in shown)
    if width:
        assert max(map(len, shown)) <= max(60, width)
    assert "\\x1b[2J" in "".join(shown)


def test_lengths_are_read_at_a_glance() -> None:
    assert [length_text(Fraction(each)) for each in ("1.04", "65", "3723")] == [
        "1.0 s",
        "1:05",
        "1:02:03",
    ]


def test_whole_clips_end_well(station: Station, tmp_path: Path) -> None:
    (tmp_path / "A001C001_261125_NF.mov").write_bytes(clip("mov"))
    assert station.run("clips", tmp_path).code == 0
