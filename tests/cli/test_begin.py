"""``offload verify --begin``: *create* in place, ASC MHL 1.0, section 5.6; actions, section 6.5.1.

What must happen: every file that is not ignored and lies in no nested history is hashed; a chain
with one manifest; nested histories go on first and are referred to. What must not: records of files
below a nested root, a word of proof for what was read for the first time, a write on a card.

Reference tools: ``xxhsum`` (xxHash), ``ssh-keygen -Y verify`` (OpenSSH), libxml2 with the schemas
of ASC MHL 2.0, as published and as printed.
"""

import fcntl
import os
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from offload.checksum import digest_of
from offload.jobs.verify_beginning import BeginAnswer, Beginning, BeginWish, begin_history
from offload.jobs.verifying import Appending, VerifyTools
from offload.record.mhl.history import load_history
from offload.record.mhl.write import write_manifest
from tests.cli.stations import DiskStation, receiver
from tests.jobs.verify_scene import STATION, Copies, flip
from tests.lab.images import EXT4, Rack
from tests.lab.opened import opened_below
from tests.lab.processes import Done, Station
from tests.record import example
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder
from tests.record.validity import assert_valid_below

FILES = {
    "Clips/A001C001.mov": os.urandom(300_001),
    "Clips/A001C002.mov": os.urandom(4_096),
    "notes.txt": b"scene 12\n",
    "empty.txt": b"",
}


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return receiver(tmp_path / "station", STATION.public.line())


@pytest.fixture
def roll(tmp_path: Path) -> Path:
    """A folder that somebody copied by hand."""
    return make_roll(tmp_path / "drive" / "A001")


def make_roll(folder: Path) -> Path:
    for name, content in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    (folder / "Empty").mkdir()
    os.sync()
    return folder


def begin(station: Station, folder: Path | str | bytes, *more: str) -> Done:
    done = station.run("verify", folder, "--begin", *more)
    done.assert_no_traceback()
    return done


def verify(station: Station, folder: Path) -> Done:
    done = station.run("verify", folder, "--json")
    done.assert_no_traceback()
    return done


def everything(folder: Path) -> dict[str, bytes]:
    """Whatever lies in a folder: content of files, nothing for folders."""
    return {
        os.fspath(path.relative_to(folder)): path.read_bytes() if path.is_file() else b""
        for path in folder.rglob("*")
    }


def manifest(roll: Path, number: int = 1) -> str:
    return next((roll / "ascmhl").glob(f"{number:04}_*.mhl")).read_text()


def recorded(text: str) -> dict[str, set[str]]:
    """Of each file in a manifest, its actions."""
    found = re.findall(r"<hash>\s*<path[^>]*>(.*?)</path>(.*?)</hash>", text, re.S)
    return {path: set(re.findall(r'action="(\w+)"', rest)) for path, rest in found}


def assert_refused(done: Done, before: dict[str, bytes], folder: Path, *words: str) -> None:
    assert done.code in (2, 3), done.err
    for word in (*words, "othing was read and nothing was written"):
        assert word in done.err
    assert everything(folder) == before


# --- what is written


def test_every_file_is_written_down_and_nothing_is_called_proven(
    roll: Path, station: Station
) -> None:
    before = everything(roll)
    done = begin(station, roll)
    assert done.code == 0
    said = done.out[done.out.index("A001  A HISTORY") :]
    assert said.startswith("A001  A HISTORY IS BEGUN  ")
    assert "4 files were read from the drive and written down as they are now." in said
    assert "This proves nothing of what was there before." in said
    assert "as recorded" not in said.lower()
    assert re.findall(r"\S+ verified", said) == ["0 verified"]
    assert "safe" not in said
    assert recorded(manifest(roll)) == {path: {"original"} for path in FILES}
    assert "<process>in-place</process>" in manifest(roll)
    assert {path: each for path, each in everything(roll).items() if path in before} == before
    # Everything below the folder is valid under both schemas, and the chain under its own.
    assert assert_valid_below(roll) == 2


def test_xxhsum_and_ssh_keygen_say_the_same(roll: Path, station: Station) -> None:
    assert begin(station, roll).code == 0
    found = re.findall(
        r"<path[^>]*>([^<]*)</path>\s*<c4.*?<xxh128[^>]*>(.*?)<", manifest(roll), re.S
    )
    lines = "".join(f"{digest}  {path}\n" for path, digest in found if path in FILES)
    assert lines.count("\n") == len(FILES)
    check = ["xxhsum", "--check", "--strict", "-"]
    assert subprocess.run(check, input=lines.encode(), cwd=roll, check=False).returncode == 0
    records = roll.parent / "records" / "A001"
    identity = (records / "allowed_signers").read_text().split()[0]
    signed = [next((roll / "ascmhl").glob("*.mhl")), roll / "ascmhl" / "ascmhl_chain.xml"]
    for path in signed:
        command = ["ssh-keygen", "-Y", "verify", "-f", records / "allowed_signers"]
        command += ["-I", identity, "-n", "offload-record", "-s", records / f"{path.name}.sig"]
        content = path.read_bytes()
        assert subprocess.run(command, input=content, check=False).returncode == 0
        assert subprocess.run(command, input=content + b"x", check=False).returncode != 0


def test_root_hash_is_that_of_an_offload_of_the_same_files(
    copies: Copies, tmp_path: Path, station: Station
) -> None:
    roll = tmp_path / "by-hand" / "A001"
    shutil.copytree(copies.roll, roll, ignore=shutil.ignore_patterns("ascmhl"))
    os.sync()
    assert begin(station, roll).code == 0
    roots = [load_history(PlainFolder(each)).newest_root for each in (roll, copies.roll)]
    assert roots[0] == roots[1] is not None


def test_each_file_is_opened_once(roll: Path, station: Station) -> None:
    with opened_below(roll / "Clips") as opened:
        assert begin(station, roll).code == 0
    names = [Path(path).name for path in opened]
    assert names.count("A001C001.mov") == names.count("A001C002.mov") == 1


def test_verify_then_says_as_recorded_until_a_bit_flips(roll: Path, station: Station) -> None:
    begin(station, roll)
    found = verify(station, roll)
    assert (found.code, found.result["good"]) == (0, len(FILES))
    assert {each["state"] for each in found.result["signatures"]} == {"good"}
    flip(roll / "Clips/A001C001.mov", 7, 0x10)
    found = verify(station, roll)
    assert (found.code, found.result["reasons"]) == (1, ["differs"])
    assert station.run("verify", roll, "--append").code == 1
    assert recorded(manifest(roll, 2))["Clips/A001C001.mov"] == {"failed"}


def test_json_says_what_is_now_recorded(roll: Path, station: Station) -> None:
    (roll / "Clips/.DS_Store").write_bytes(b"x")
    done = begin(station, roll, "--json")
    result = done.result
    assert (done.code, result["exit"], result["answer"]) == (0, 0, "history-begun")
    assert (result["written"], result["recorded"], result["good"]) == (len(FILES), 0, 0)
    (added,) = result["appended"]
    assert (added["scope"], added["generation"], added["original"]) == ("A001", 1, len(FILES))
    assert (added["verified"], added["failed"], result["not_appended"]) == (0, 0, "")
    states = {each["path"]: each["state"] for each in done.lines if each["type"] == "file"}
    assert states == {f"A001/{path}": "now-recorded" for path in FILES} | {
        "A001/Clips/.DS_Store": "left-out"
    }
    assert (result["files"]["now-recorded"], result["files"]["not-recorded"]) == (len(FILES), 0)


def test_top_of_a_drive_has_no_place_for_a_signature(rack: Rack, tmp_path: Path) -> None:
    drive = rack.volume(EXT4, name="mounted-elsewhere", label="NIGHT-04")
    (drive.root / "lost+found").rmdir()
    make_roll(drive.root)
    station = DiskStation(tmp_path / "station")
    done = begin(station, drive.root)
    assert done.code == 0
    assert "signed       by nobody" in done.out
    # Section 6.3 has the folder's name; the root of a volume has none of its own.
    assert next((drive.root / "ascmhl").glob("*.mhl")).name.startswith("0001_NIGHT-04_")
    assert sorted(each.name for each in drive.root.iterdir()) == [
        *("Clips", "Empty", "ascmhl", "empty.txt", "notes.txt"),
    ]
    assert verify(station, drive.root).code == 0


# --- what was recorded before


def test_checksum_list_is_checked_in_the_same_reading(roll: Path, station: Station) -> None:
    sums = {path: digest_of("md5", content).hex() for path, content in FILES.items()}
    sums["notes.txt"] = "0" * 32
    sums["gone.mov"] = "1" * 32
    del sums["empty.txt"]
    text = "".join(f"{digest}  {path}\n" for path, digest in sums.items())
    (roll / "A001.md5").write_text(text)
    os.sync()
    done = begin(station, roll)
    assert done.code == 1
    assert "A001  A HISTORY IS BEGUN, NOT ALL IN ORDER" in done.out
    assert "differs: 1 file is not what was recorded.\n      A001/notes.txt" in done.out
    assert "missing: 1 file is recorded and not there." in done.out
    assert "Of 4 files that other records speak of, 2 agree with them." in done.out.replace(
        "\n      ", " "
    )
    # The list is a file like any other; the file that contradicts it is never original.
    assert recorded(manifest(roll)) == {
        "A001.md5": {"original"},
        "Clips/A001C001.mov": {"verified"},
        "Clips/A001C002.mov": {"verified"},
        "empty.txt": {"original"},
        "notes.txt": {"failed"},
    }
    assert assert_valid_below(roll) == 2
    again = verify(station, roll)
    assert (again.code, again.result["files"]["differs"]) == (1, 1)
    # With the good content back, all is as somebody once recorded.
    (roll / "gone.mov").write_bytes(b"")
    assert "differs" in verify(station, roll).result["reasons"]


def test_manifest_that_stands_alone_is_checked_and_is_no_footage(
    roll: Path, station: Station
) -> None:
    """Section 5.6.2: it lies in the folder that it is about."""
    name = "Clips/A001C001.mov"
    record = example.record(name.encode(), FILES[name], "xxh64")
    with (roll / "A001.mhl").open("wb") as out:
        write_manifest(out, example.HEAD, [record])
    os.sync()
    assert begin(station, roll).code == 0
    found = recorded(manifest(roll))
    assert found == {path: {"original"} for path in FILES} | {name: {"verified"}}
    assert re.search(rf'{name}</path>.*?<xxh64 action="verified">', manifest(roll), re.S)
    assert verify(station, roll).code == 0


def test_nested_histories_go_on_first_and_are_referred_to(tmp_path: Path, station: Station) -> None:
    """Section 5.3.2; guidelines 2.1: a day folder of cards."""
    day = tmp_path / "drive" / "Day"
    for name in ("A001", "M/A002"):
        desk = Desk(PlainFolder(day / name))
        desk.put({b"one.mov": name.encode(), b"two.mov": b"2"})
        desk.hash({b"": [b"one.mov", b"two.mov"]}, ["xxh64"], folder_formats=("xxh64",))
    (day / "report.txt").write_bytes(b"scene 12")
    os.sync()
    done = begin(station, day, "--json")
    assert done.code == 0
    order = [(each["scope"], each["generation"]) for each in done.result["appended"]]
    assert order == [("Day/M/A002", 2), ("Day/A001", 2), ("Day", 1)]
    assert recorded(manifest(day)) == {"report.txt": {"original"}}
    referred = re.findall(r"<path>(\S*?/ascmhl)/0002_", manifest(day))
    assert referred == ["A001/ascmhl", "M/A002/ascmhl"]
    assert recorded(manifest(day / "A001", 2)) == {"one.mov": {"verified"}, "two.mov": {"verified"}}
    assert "<roothash>" in manifest(day)
    assert assert_valid_below(day) == 8
    assert verify(station, day).code == 0
    flip(day / "M/A002/one.mov")
    assert verify(station, day).result["reasons"] == ["differs"]


def test_drive_of_rolls_with_their_records_gets_a_history_around_them(
    copies: Copies, station: Station
) -> None:
    """What lies in ``records/ROLL`` changes with its roll, so the outer history has none of it."""
    done = begin(station, copies.drive)
    assert done.code == 0
    assert "No file was written down outside the histories below" in done.out
    assert recorded(manifest(copies.drive)) == {}
    assert re.findall(r"<path>(\S*?/ascmhl)/0002_", manifest(copies.drive)) == ["A001/ascmhl"]
    assert "<roothash>" in manifest(copies.drive)
    assert verify(station, copies.drive).code == 0
    # The roll goes on alone, and the reference is simply old then.
    assert station.run("verify", copies.roll, "--append").code == 0
    assert verify(station, copies.drive).code == 0


def test_broken_history_below_is_told_and_none_is_begun(tmp_path: Path, station: Station) -> None:
    day = tmp_path / "drive" / "Day"
    desk = Desk(PlainFolder(day / "A001"))
    desk.put({b"one.mov": b"1"})
    desk.hash({b"": [b"one.mov"]})
    flip(next((day / "A001/ascmhl").glob("*.mhl")), 300)
    before = everything(tmp_path / "drive")
    done = begin(station, day)
    assert done.code == 1
    assert "Day  NO HISTORY WAS BEGUN" in done.out
    assert "the history is broken" in done.out
    assert everything(tmp_path / "drive") == before


def test_history_that_was_signed_here_and_taken_away_is_not_begun_anew(copies: Copies) -> None:
    shutil.rmtree(copies.roll / "ascmhl")
    found = begin_here(copies.roll)
    assert found.answer is BeginAnswer.NOT_BEGUN
    assert "a signature does not hold" in found.found.not_appended
    assert not (copies.roll / "ascmhl").exists()


def begin_here(folder: Path, **tools: object) -> Beginning:
    wish = BeginWish(os.fsencode(folder), Appending(STATION, "station", ("xxh128", "c4")))
    return begin_history(wish, VerifyTools(**tools))  # type: ignore[arg-type]


# --- where no history may begin


def test_second_beginning_is_refused(roll: Path, station: Station) -> None:
    begin(station, roll)
    before = everything(roll.parent)
    assert_refused(begin(station, roll), before, roll.parent, "history already", "--append")


def test_history_above_is_named(copies: Copies, station: Station) -> None:
    before = everything(copies.drive)
    done = begin(station, copies.roll / "Clips")
    words = (f"{copies.roll}, and what", f"offload verify {copies.roll} --append")
    assert_refused(done, before, copies.drive, *words)


def test_card_is_refused_by_its_layout(rack: Rack, tmp_path: Path) -> None:
    card = rack.volume(EXT4, name="card")
    (card.root / "DCIM/100ABCDE").mkdir(parents=True)
    (card.root / "DCIM/100ABCDE/ABCD0001.MOV").write_bytes(b"footage")
    before = everything(card.root)
    station = DiskStation(tmp_path / "station")
    for folder in (card.root, card.root / "DCIM"):
        done = begin(station, folder)
        assert_refused(done, before, card.root, "card", f"offload copy {card.root}")


def test_card_is_refused_that_only_the_ledger_knows(rack: Rack, tmp_path: Path) -> None:
    card, drive = rack.volume(EXT4, name="card"), rack.volume(EXT4, name="shuttle-1")
    (card.root / "lost+found").rmdir()
    (card.root / "sound.wav").write_bytes(b"footage")
    card.sync()
    station = DiskStation(tmp_path / "station")
    station.run("copy", card.root, "--to", drive.root, "--roll", "A001")
    before = everything(card.root)
    done = begin(station, card.root)
    assert_refused(done, before, card.root, "nothing is ever written on a card")


def test_copy_of_a_card_on_a_drive_is_no_card(rack: Rack, tmp_path: Path) -> None:
    drive = rack.volume(EXT4, name="shuttle-1")
    roll = drive.root / "A001"
    (roll / "DCIM/100ABCDE").mkdir(parents=True)
    (roll / "DCIM/100ABCDE/ABCD0001.MOV").write_bytes(b"footage")
    drive.sync()
    assert begin(DiskStation(tmp_path / "station"), roll).code == 0


def test_read_only_drive_is_refused_before_anything_is_read(rack: Rack, tmp_path: Path) -> None:
    drive = rack.volume(EXT4, name="shuttle-1")
    roll = make_roll(drive.root / "A001")
    drive.remount(read_only=True)
    before = everything(roll)
    done = begin(DiskStation(tmp_path / "station"), roll)
    assert_refused(done, before, roll, "read-only", "offload copy")


@pytest.mark.parametrize("ending", [".incomplete", ".damaged", ".not-on-card"])
def test_what_was_never_finished_is_refused(roll: Path, station: Station, ending: str) -> None:
    unfinished = roll.rename(roll.with_name("A001" + ending))
    before = everything(roll.parent)
    assert_refused(begin(station, unfinished), before, roll.parent, "unfinished")
    if ending == ".incomplete":
        assert_refused(begin(station, roll.parent), before, roll.parent, "never finished")


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("0001_A001_2026-03-01_120000Z.mhl", "the chain that names them is gone"),
        ("A001C009.mov", "holds something else"),
    ],
)
def test_folder_of_the_history_that_is_none_is_left_alone(
    roll: Path, station: Station, name: str, word: str
) -> None:
    (roll / "ascmhl").mkdir()
    (roll / "ascmhl" / name).write_bytes(b"x")
    before = everything(roll.parent)
    assert_refused(begin(station, roll), before, roll.parent, word)


def test_roll_that_somebody_works_on_is_left_alone(roll: Path, station: Station) -> None:
    records = roll.parent / "records" / "A001"
    records.mkdir(parents=True)
    before = everything(roll.parent)
    fd = os.open(records, os.O_RDONLY)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX)
        done = begin(station, roll)
    finally:
        os.close(fd)
    assert done.code == 1
    assert "another run is working on this roll" in done.out
    assert everything(roll.parent) == before


@pytest.mark.parametrize("other", ["--append", "--names-only", "--receipt", "--only=notes.txt"])
def test_other_options_cannot_stand_beside_it(roll: Path, station: Station, other: str) -> None:
    before = everything(roll.parent)
    assert_refused(begin(station, roll, other), before, roll.parent, other.partition("=")[0])


# --- what cannot be recorded


def during(step: str, act: object) -> object:
    """A sink that does something once, when a step begins."""

    def sink(event: object) -> None:
        if getattr(event, "step", "") == step and type(event).__name__ == "StepStarted":
            act()  # type: ignore[operator]

    return sink


def test_file_that_changes_while_it_is_read_is_not_recorded(roll: Path, station: Station) -> None:
    clip = roll / "Clips/A001C001.mov"

    def grow() -> None:
        with clip.open("ab") as out:
            out.write(b"more")

    found = begin_here(roll, sink=during("reading", grow))
    assert found.answer is BeginAnswer.WITH_FAULTS
    assert found.found.reasons == ("changed",)
    assert set(recorded(manifest(roll))) == set(FILES) - {"Clips/A001C001.mov"}
    assert "<roothash>" not in manifest(roll)
    # Added when it has come to rest.
    os.sync()
    station.run("verify", roll, "--append")
    assert recorded(manifest(roll, 2))["Clips/A001C001.mov"] == {"original"}


def test_history_begun_by_somebody_else_meanwhile_stands(roll: Path) -> None:
    found = begin_here(roll, sink=during("reading", lambda: begin_here(roll)))
    assert found.answer is BeginAnswer.NOT_BEGUN
    assert "somebody else has begun" in found.found.not_appended
    assert load_history(PlainFolder(roll)).faults == ()
    assert len(list((roll / "ascmhl").glob("*.mhl"))) == 1


def test_names_that_no_manifest_can_hold_are_told(roll: Path, station: Station) -> None:
    """XML 1.0, section 2.2."""
    for odd in (b"Clips/\xff.mov", b"Clips/\x01.mov"):
        with open(os.path.join(os.fsencode(roll), odd), "wb") as out:
            out.write(b"x")
    good = ("a\nb.mov", "-n.mov", "[b] & <i>.mov", "Z\u00fc.mov", "Zu\u0308.mov", " lead.mov")
    for name in good:
        (roll / name).write_bytes(b"x")
    os.sync()
    done = begin(station, roll)
    assert done.code == 1
    said = done.out[done.out.index("A001  A HISTORY") :]
    assert said.count("has a name that no manifest can hold") == 2
    assert "Clips/\\xff.mov" in said
    loaded = load_history(PlainFolder(roll))
    paths = {os.fsdecode(record.path) for record in loaded.current()}
    assert (loaded.faults, paths) == ((), {*FILES, *good})
    assert loaded.newest_root is None
    assert assert_valid_below(roll) == 2


def test_roll_whose_own_name_no_manifest_can_hold(roll: Path, station: Station) -> None:
    odd = os.path.join(os.fsencode(roll.parent), b"A\xff\n1")
    os.rename(roll, odd)
    assert begin(station, odd).code == 0
    assert load_history(PlainFolder(odd)).faults == ()
    assert station.run("verify", odd).code == 0


def test_footage_in_a_folder_called_ascmhl_is_told(roll: Path, station: Station) -> None:
    """Every tool of the standard passes it over, with all footage that is in it."""
    (roll / "Clips/ascmhl").mkdir()
    (roll / "Clips/ascmhl/A001C009.mov").write_bytes(b"footage")
    os.sync()
    done = begin(station, roll, "--json")
    assert (done.code, done.result["reasons"]) == (1, ["passed-over"])
    (fault,) = done.result["faults"]
    assert fault["path"] == "A001/Clips/ascmhl/A001C009.mov"
    assert done.result["files"]["not-recorded"] == 1
    assert set(recorded(manifest(roll))) == set(FILES)


def test_empty_folder_has_nothing_to_begin_with(tmp_path: Path, station: Station) -> None:
    (tmp_path / "drive/A001").mkdir(parents=True)
    done = begin(station, tmp_path / "drive/A001")
    assert done.code == 1
    assert "there is nothing to write down" in done.out
    assert everything(tmp_path / "drive") == {"A001": b""}


def test_what_is_mounted_inside_is_not_looked_into_and_no_hash_speaks_for_it(
    roll: Path, rack: Rack, station: Station
) -> None:
    inner = rack.volume(EXT4)
    (inner.root / "A001C009.mov").write_bytes(b"footage")
    inner.sync()
    rack.bind_at(inner.root, roll / "Empty")
    done = begin(station, roll, "--json")
    assert (done.code, done.result["reasons"]) == (1, ["inner-mount"])
    assert set(recorded(manifest(roll))) == set(FILES)
    assert "<roothash>" not in manifest(roll)


def test_what_may_have_come_from_memory_is_not_written_down(station: Station) -> None:
    """Files in memory alone: no reading of them shows what a drive holds."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        roll = make_roll(Path(folder) / "A001")
        before = everything(Path(folder))
        done = begin(station, roll)
        assert done.code == 1
        assert "not shown to have been read from the drive" in done.out
        assert everything(Path(folder)) == before
