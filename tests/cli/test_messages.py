"""What must be shown clearly, and what is good practice: ASC MHL guidelines 1.0, by section.

Each test damages a copy in one way, gives the command that its user gives, and looks for a sentence
that names the file, on the screen and in the last JSON line.
"""

import re
from pathlib import Path

import pytest

from tests.cli.stations import receiver
from tests.jobs.verify_scene import CLIPS, STATION, Copies, flip
from tests.lab.images import EXT4, Rack
from tests.lab.processes import Done, Station

CLIP = "A001/Clips/A001C001.mov"
OTHER = "A001/Clips/A001C002.mov"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return receiver(tmp_path / "station", STATION.public.line())


def verify(station: Station, *words: str | Path) -> Done:
    done = station.run("verify", *words)
    done.assert_no_traceback()
    return done


def manifests(copies: Copies) -> list[Path]:
    return sorted((copies.roll / "ascmhl").glob("*.mhl"))


# --- guidelines, section 2.7: must be shown clearly


def test_hash_mismatch_is_shown(copies: Copies, station: Station) -> None:
    flip(copies.drive / CLIP)
    done = verify(station, copies.drive)
    assert done.code == 1
    assert re.search(r"differs: 1 file is not what was recorded\.\n +" + CLIP, done.out)
    result = verify(station, copies.drive, "--json").result
    assert result["files"]["differs"] == 1
    assert "differs" in result["reasons"]


def test_missing_file_is_shown(copies: Copies, station: Station) -> None:
    (copies.drive / CLIP).unlink()
    done = verify(station, copies.drive)
    assert done.code == 1
    assert re.search(r"missing: 1 file is recorded and not there\.\n +" + CLIP, done.out)
    assert verify(station, copies.drive, "--json").result["files"]["missing"] == 1


def test_manifest_that_is_not_the_chains_is_shown(copies: Copies, station: Station) -> None:
    flip(copies.manifest, copies.manifest.read_bytes().index(b"<comment>") + 12)
    done = verify(station, copies.drive)
    assert done.code == 1
    assert re.search(r"manifest-changed: \S*" + re.escape(copies.manifest.name), done.out)
    assert "manifest-changed" in verify(station, copies.drive, "--json").result["reasons"]


def test_manifest_that_is_gone_is_shown(copies: Copies, station: Station) -> None:
    name = copies.manifest.name
    copies.manifest.unlink()
    done = verify(station, copies.drive)
    assert done.code == 1
    assert re.search(r"manifest-missing: \S*" + re.escape(name), done.out)
    assert "manifest-missing" in verify(station, copies.drive, "--json").result["reasons"]


@pytest.mark.parametrize(
    ("harm", "code"), [("changed", "manifest-changed"), ("gone", "manifest-missing")]
)
def test_packing_list_that_is_not_the_collections_is_shown(
    copies: Copies, station: Station, tmp_path: Path, harm: str, code: str
) -> None:
    lists = tmp_path / "lists"
    station.run("packing-list", copies.drive, "--to", lists).assert_no_traceback()
    (manifest,) = lists.glob("*.mhl")
    flip(manifest, 60) if harm == "changed" else manifest.unlink()
    done = verify(station, copies.drive, "--expect", lists / "ascmhl_collection.xml")
    assert done.code == 1
    assert manifest.name in done.out
    json = verify(station, copies.drive, "--expect", lists / "ascmhl_collection.xml", "--json")
    (arrival,) = json.result["arrivals"]
    assert [each["code"] for each in arrival["faults"]] == [code]


def test_additional_files_are_listed_and_go_into_the_new_generation(
    copies: Copies, station: Station
) -> None:
    (copies.roll / "Clips/report.txt").write_bytes(b"take 2 is good")
    done = verify(station, copies.drive)
    assert done.code == 0
    assert "1 file recorded by nobody: A001/Clips/report.txt" in done.out
    assert verify(station, copies.drive, "--append").code == 0
    newest = manifests(copies)[-1].read_text()
    assert re.search(r"Clips/report\.txt</path>\s*<c4 action=\"original\"", newest)
    assert len(manifests(copies)) == 2


def test_many_additional_files_are_counted_behind_the_first(
    copies: Copies, station: Station
) -> None:
    for at in range(30):
        (copies.roll / f"note-{at:02}.txt").write_bytes(b"%d" % at)
    out = verify(station, copies.drive).out
    assert "30 files recorded by nobody: A001/note-00.txt, " in out
    assert "and 22 more: see --json" in out


@pytest.mark.lab
def test_read_only_volume_takes_no_generation_and_says_so(
    rack: Rack, copies: Copies, station: Station
) -> None:
    volume = rack.volume(EXT4, name="shuttle-9")
    for path in sorted(copies.drive.rglob("*")):
        there = volume.root / path.relative_to(copies.drive)
        there.mkdir() if path.is_dir() else there.write_bytes(path.read_bytes())
    volume.remount(read_only=True)
    done = verify(station, volume.root, "--append")
    assert done.code == 1
    assert "not-appended: the drive is mounted read-only" in done.out
    assert len(list((volume.root / "A001/ascmhl").glob("*.mhl"))) == 1


def test_all_messages_are_shown_and_the_first_stops_nothing(
    copies: Copies, station: Station
) -> None:
    flip(copies.drive / CLIP)
    (copies.drive / OTHER).unlink()
    (copies.roll / "stranger.txt").write_bytes(b"?")
    done = verify(station, copies.drive)
    assert done.code == 1
    for said in ("differs: 1 file", CLIP, "missing: 1 file", OTHER, "A001/stranger.txt"):
        assert said in done.out
    events = verify(station, copies.drive, "--json").lines
    files = {each["path"]: each["state"] for each in events if each["type"] == "file"}
    rest = {f"A001/{path}" for path in CLIPS} - {CLIP, OTHER}
    assert {path: files[path] for path in rest} == dict.fromkeys(rest, "as-recorded")
    # As they happen: told before the result, too.
    kinds = [each["type"] for each in events]
    assert "found" in kinds[: kinds.index("result")]


# --- guidelines, section 2.2: what was done, and the other copies made with it


def test_comment_says_what_was_done(copies: Copies) -> None:
    found = re.search(r"<comment>(.*?)</comment>", copies.manifest.read_text())
    assert found is not None
    assert re.fullmatch(
        r"card [0-9A-Z]{2}-[0-9A-Z]{4} copied to shuttle-1, shuttle-2", found.group(1)
    )


# --- guidelines, section 2.5.4: the receipt


def test_receipt_is_the_root_hash_of_the_newest_generation(
    copies: Copies, station: Station
) -> None:
    def receipt() -> str:
        (found,) = verify(station, copies.drive, "--receipt", "--json").result["receipts"]
        return str(found["receipt"])

    read_out = receipt()
    found = re.search(r"<roothash>\s*<content>.*?<xxh128>(\w+)<", copies.manifest.read_text(), re.S)
    assert found is not None
    assert read_out.replace("-", "").replace(" ", "").lower().startswith(found.group(1)[:8])
    assert verify(station, copies.drive, "--against-receipt", read_out).code == 0
    # The first generation's, after another was added that holds the same.
    assert verify(station, copies.drive, "--append").code == 0
    assert verify(station, copies.drive, "--against-receipt", read_out).code == 0
    other = ("0" if read_out[0] != "0" else "1") + read_out[1:]
    assert verify(station, copies.drive, "--against-receipt", other).code != 0
