"""``offload verify`` and ``offload mend`` as their user meets them: words, lines, exit codes."""

import os
import shutil
from pathlib import Path

import pytest

from tests.cli.stations import receiver
from tests.jobs.verify_scene import CLIPS, STATION, Copies, flip
from tests.lab.processes import Done, Station

CLIP = "A001/Clips/A001C001.mov"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return receiver(tmp_path / "station", STATION.public.line())


def run(station: Station, *arguments: str | Path) -> Done:
    done = station.run(*arguments)
    done.assert_no_traceback()
    return done


def test_whole_copy_says_so_first_and_exits_with_zero(copies: Copies, station: Station) -> None:
    done = run(station, "verify", copies.drive)
    assert done.code == 0
    answer = done.out[done.out.index("shuttle-1  ") :].splitlines()
    assert answer[0].startswith("shuttle-1  AS RECORDED")
    assert f"All {len(CLIPS)} files were read from the drive" in answer[1]
    assert "in force together with the same file on each of shuttle-1, shuttle-2" in done.out
    assert "erase" not in done.out.lower()


def test_verifying_needs_no_ledger_and_makes_none(copies: Copies, station: Station) -> None:
    run(station, "verify", copies.drive)
    assert [path.name for path in station.home.iterdir()] == ["allowed_signers"]


def test_difference_names_who_said_what_and_what_to_do(copies: Copies, station: Station) -> None:
    flip(copies.drive / CLIP)
    done = run(station, "verify", copies.drive)
    assert done.code == 1
    assert "shuttle-1  NOT AS RECORDED" in done.out
    assert f"differs: {CLIP}" in done.out
    assert "generation 1," in done.out
    assert f"by {os.uname().nodename}" in done.out
    assert f"offload mend {copies.drive} --from OTHER" in done.out


def test_every_file_is_in_the_json_lines(copies: Copies, station: Station) -> None:
    flip(copies.drive / CLIP)
    (copies.roll / "Clips/A001C002.mov").unlink()
    done = run(station, "verify", copies.drive, "--json")
    assert done.code == 1
    states = {line["path"]: line["state"] for line in done.lines if line["type"] == "file"}
    assert states[CLIP] == "differs"
    assert states["A001/Clips/A001C002.mov"] == "missing"
    assert states["A001/Clips/A001C003.mov"] == "as-recorded"
    assert states["A001/ascmhl/ascmhl_chain.xml"] == "record"
    said = next(line["said"] for line in done.lines if line.get("path") == CLIP and "said" in line)
    assert {each["algorithm"] for each in said} == {"c4", "xxh128", "sha512"}
    result = done.result
    assert (result["type"], result["answer"], result["exit"]) == ("result", "differs", 1)
    assert result["reasons"] == ["differs", "missing"]
    assert result["files"]["as-recorded"] == len(CLIPS) - 2


def test_folder_without_record_ends_with_three(station: Station, tmp_path: Path) -> None:
    folder = tmp_path / "plain"
    folder.mkdir()
    (folder / "clip.mov").write_bytes(b"x")
    done = run(station, "verify", folder)
    assert done.code == 3
    assert "NOTHING COULD BE VERIFIED" in done.out


def test_folder_that_is_not_there_ends_with_three_and_says_so(
    station: Station, tmp_path: Path
) -> None:
    done = run(station, "verify", tmp_path / "away")
    assert done.code == 3
    assert "cannot be opened" in done.err


def test_malformed_receipt_is_wrong_usage(copies: Copies, station: Station) -> None:
    done = run(station, "verify", copies.drive, "--against-receipt", "12 34")
    assert done.code == 2
    assert "eight groups" in done.err


def test_receiver_appends_and_signs_with_a_key_of_their_own(
    copies: Copies, station: Station
) -> None:
    done = run(station, "verify", copies.drive, "--append", "--receipt", "--json")
    assert done.code == 0
    assert [each["generation"] for each in done.result["appended"]] == [2]
    receipt = done.result["receipts"][0]
    assert (receipt["generation"], len(receipt["receipt"].split())) == (2, 8)
    again = run(station, "verify", copies.drive, "--against-receipt", receipt["receipt"])
    assert again.code == 0
    assert "equal to generation 2 of A001, the newest" in again.out


def test_hostile_names_move_no_cursor(station: Station, tmp_path: Path) -> None:
    folder = tmp_path / "drive"
    folder.mkdir()
    name = "a\x1b]0;X\x07b\r[b][red]\u202e<script>\x85"
    (folder / "l.md5").write_bytes(bytes(16).hex().encode() + b"  " + name.encode() + b"\n")
    (folder / name).write_bytes(b"x")
    for more in ((), ("--json",)):
        done = run(station, "verify", folder, *more)
        assert done.code == 1
        seen = done.out + done.err
        assert not set(seen) & set("\x1b\x07\r\u202e\x85")
        assert "[red]" in seen


def test_mend_puts_back_and_says_where_the_damage_lies(copies: Copies, station: Station) -> None:
    flip(copies.drive / CLIP)
    done = run(station, "mend", copies.drive, "--from", copies.other)
    assert done.code == 0
    assert "shuttle-1  MENDED" in done.out
    assert str(copies.drive / "A001.damaged/Clips/A001C001.mov") in done.out
    assert (copies.drive / CLIP).read_bytes() == CLIPS["Clips/A001C001.mov"]
    assert run(station, "verify", copies.drive).code == 0


def test_mend_refuses_when_both_are_damaged(copies: Copies, station: Station) -> None:
    flip(copies.drive / CLIP)
    flip(copies.other / "A001/Clips/A001C002.mov")
    done = run(station, "mend", copies.drive, "--from", copies.other)
    assert done.code == 1
    assert "NOT MENDED. Nothing was touched." in done.out
    assert f"{copies.other} only: {CLIP}" in done.out
    assert f"{copies.drive} only: A001/Clips/A001C002.mov" in done.out
    result = run(station, "mend", copies.drive, "--from", copies.other, "--json").result
    assert (result["answer"], result["exit"]) == ("refused", 1)
    assert {"path": CLIP, "copy": False, "other": True} in result["good_in"]


def test_half_a_generation_of_a_killed_mending_is_taken_away(
    copies: Copies, station: Station
) -> None:
    half = copies.roll / "ascmhl/.new-0002_A001_2026-11-25_102541Z_mhl-43e23618c6951034"
    half.write_bytes(b"<?xml")
    assert run(station, "mend", copies.drive, "--from", copies.other).code == 0
    assert not half.exists()


@pytest.mark.parametrize("pattern", ['"mending"', '"record"', '"step": "reading"'])
def test_killed_mending_loses_nothing_and_goes_on(
    copies: Copies, station: Station, pattern: str
) -> None:
    names = [name for name in CLIPS if CLIPS[name]]
    damaged = {}
    for name in names:
        flip(copies.roll / name)
        damaged[name] = (copies.roll / name).read_bytes()
    child = station.start("mend", copies.drive, "--from", copies.other, "--json")
    child.kill_when(pattern)
    for name in names:
        # At any moment the damaged file is in its place or aside, and what is in its place is one.
        aside = copies.drive / "A001.damaged" / name
        kept = [path.read_bytes() for path in (copies.roll / name, aside) if path.exists()]
        assert damaged[name] in kept
        assert set(kept) <= {damaged[name], CLIPS[name]}
    assert run(station, "mend", copies.drive, "--from", copies.other).code == 0
    found = run(station, "verify", copies.drive, "--json")
    assert (found.code, found.result["good"]) == (0, len(CLIPS))
    assert not list(copies.drive.rglob(".new-*"))


def test_interrupted_verification_says_nothing_of_what_was_not_read(
    station: Station, tmp_path: Path
) -> None:
    folder = tmp_path / "large"
    folder.mkdir()
    with (folder / "a.mov").open("wb") as out:
        for _ in range(32):
            out.write(os.urandom(1 << 20))
    for number in range(40):
        os.link(folder / "a.mov", folder / f"{number}.mov")
    lines = [bytes(16).hex() + f"  {number}.mov\n" for number in range(40)]
    (folder / "l.md5").write_text("".join(lines))
    child = station.start("verify", folder, "--json")
    with child:
        assert child.process.stdout is not None
        for line in child.process.stdout:
            if '"step-started"' in line and '"reading"' in line:
                break
        child.interrupt()
        done = child.finish()
    assert done.code == 130
    assert done.result["code"] == "stopped"
    shutil.rmtree(folder)


def test_packing_lists_say_where_they_are_and_what_to_type(
    copies: Copies, station: Station, tmp_path: Path
) -> None:
    done = run(station, "packing-list", copies.drive, "--to", tmp_path / "sent")
    assert done.code == 0
    assert f"{copies.roll}: {len(CLIPS)} files, 1 generation" in done.out
    assert "no file was read" in done.out
    arrived = run(
        station, "verify", copies.other, "--expect", tmp_path / "sent/ascmhl_collection.xml"
    )
    assert arrived.code == 0
    assert f"packinglist_01_A001.mhl: {len(CLIPS)} files" in arrived.out
    again = run(station, "packing-list", copies.drive, "--to", tmp_path / "sent")
    assert again.code == 2
    assert "DO  Name another folder" in again.err
