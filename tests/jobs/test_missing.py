"""Bringing what hand-made copies lack, and nothing else, to the drives that lack it."""

import os
import random
import shlex
import subprocess
from collections.abc import Iterable
from pathlib import Path

import pytest

from offload.jobs.known_copies import known_drives
from offload.jobs.tools import Tools
from offload.ledger.database import Ledger
from offload.record.keys import station_key
from tests.cli.forked import forked
from tests.cli.stations import Bench
from tests.jobs.scene import tree, write_card
from tests.lab.images import EXFAT, EXT4, FileSystem, Rack
from tests.lab.machine import loops_as_disks
from tests.lab.processes import Done
from tests.record.validity import assert_valid_below

pytestmark = pytest.mark.lab

_source = random.Random(12)
CLIPS = {
    "CLIPS/A001C001.mov": _source.randbytes(400_000),
    "CLIPS/A001C002.mov": _source.randbytes(300_001),
    "CLIPS/A001C003.mov": _source.randbytes(70_000),
    "CLIPS/A001C003.xml": b"<take/>",
}
LOST = "CLIPS/A001C002.mov"
Facts = dict[str, tuple[int, int]]


class Missing(Bench):
    """A card whose copies were dragged to the drives, into a folder of the user's own."""

    def run(self, *words: str) -> Done:
        with forked(words, self.station.environment, self.station.home.parent) as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def drag(self, *folders: Path, but: Iterable[str] = ()) -> None:
        for folder in folders:
            subprocess.run(["cp", "-a", self.card.root, folder], check=True)
            for name in but:
                (folder / name).unlink()
        for drive in self.drives:
            drive.sync()

    def bring(self, *more: str, to: Iterable[Path] = ()) -> Done:
        places = [*to] or [drive.root for drive in self.drives]
        words = [word for place in places for word in ("--to", str(place))]
        return self.run("copy", str(self.card.root), *words, "--missing", "--json", *more)

    def check(self, *folders: Path) -> Done:
        places = folders or [drive.root for drive in self.drives]
        words = [word for place in places for word in ("--in", str(place))]
        return self.run("check", str(self.card.root), *words, "--json")


def facts_of(folder: Path) -> Facts:
    return {
        str(path.relative_to(folder)): (path.stat().st_ino, path.stat().st_ctime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


def clips_brought(drive: Path, dragged: str = "dragged") -> dict[str, bytes]:
    """Clips that lie on a drive beside what was dragged there, by name."""
    return {
        path.rpartition("/")[2]: content
        for path, content in tree(drive).items()
        if path.endswith((".mov", ".xml")) and not path.startswith((dragged, "records"))
        if "ascmhl" not in path
    }


@pytest.fixture
def bench(rack: Rack, tmp_path: Path) -> Missing:
    made = Missing(rack, tmp_path)
    write_card(made.card, CLIPS)
    return made


@pytest.mark.parametrize("fs", [EXT4, EXFAT], ids=lambda fs: fs.name)
def test_only_what_is_lacking_goes_to_the_drive_that_lacks_it(
    rack: Rack, tmp_path: Path, fs: FileSystem
) -> None:
    bench = Missing(rack, tmp_path, drives=(EXT4, fs))
    write_card(bench.card, CLIPS)
    whole, short = (drive.root for drive in bench.drives)
    bench.drag(whole / "dragged")
    bench.drag(short / "dragged", but=[LOST])
    before = facts_of(whole), facts_of(short)
    assert bench.check().code == 1
    done = bench.bring()
    assert done.code == 0, done.out + done.err
    assert done.result["verdict"] == "cleared"
    assert clips_brought(whole) == {}
    assert clips_brought(short) == {"A001C002.mov": CLIPS[LOST]}
    after = facts_of(whole), facts_of(short)
    for then, now in zip(before, after, strict=True):
        assert then.items() <= now.items(), "what was made by hand was touched"
    assert bench.check().code == 0


def test_brought_files_have_a_record_of_their_own(bench: Missing) -> None:
    whole, short = (drive.root for drive in bench.drives)
    bench.drag(whole / "dragged")
    bench.drag(short / "dragged", but=[LOST])
    bench.bring("--roll", "A001")
    assert (short / "A001-missing" / LOST).read_bytes() == CLIPS[LOST]
    records = short / "records" / "A001-missing"
    done = subprocess.run(
        ["sha512sum", "-c", records / "A001-missing.sha512"], cwd=short, capture_output=True
    )
    assert done.returncode == 0, done.stderr
    assert list((short / "A001-missing" / "ascmhl").glob("0001_*.mhl"))
    assert assert_valid_below(short / "A001-missing") == 2
    assert not list(records.glob("clearance*")), "a part of a card is no cleared card"
    assert not (short / "A001-missing.incomplete").exists()


def test_part_of_a_card_tells_nothing_of_the_card(bench: Missing) -> None:
    """Neither its code nor what is known of it come from the few files that were brought."""
    one, two = (drive.root for drive in bench.drives)
    bench.drag(one / "dragged")
    bench.drag(two / "dragged", but=[LOST])
    done = bench.bring()
    codes = {line["code"] for line in done.lines if line["type"] == "card-coded"}
    assert codes == {done.result["code"]}
    assert bench.check().result["code"] == done.result["code"]
    home = os.fsencode(bench.station.home)
    with Ledger(home) as ledger:
        tools = Tools(ledger, station_key(home), loops_as_disks())
        assert known_drives(os.fsencode(bench.card.root), tools) is None
    copied = bench.run(*bench.words("--json"))
    assert copied.result["verdict"] == "cleared"
    assert copied.result["code"] == done.result["code"]


def test_nothing_is_missing_and_nothing_is_written(bench: Missing) -> None:
    for drive in bench.drives:
        bench.drag(drive.root / "dragged")
    before = [tree(drive.root) for drive in bench.drives]
    done = bench.bring()
    assert done.code == 0
    assert [tree(drive.root) for drive in bench.drives] == before


def test_everything_is_missing(bench: Missing) -> None:
    done = bench.bring()
    assert done.code == 0, done.out + done.err
    for drive in bench.drives:
        wanted = {name.rpartition("/")[2]: content for name, content in CLIPS.items()}
        assert clips_brought(drive.root) == wanted


def test_each_drive_lacks_something_else(bench: Missing) -> None:
    one, two = (drive.root for drive in bench.drives)
    bench.drag(one / "dragged", but=["CLIPS/A001C001.mov"])
    bench.drag(two / "dragged", but=["CLIPS/A001C003.xml", LOST])
    assert bench.bring().code == 0
    assert set(clips_brought(one)) == {"A001C001.mov"}
    assert set(clips_brought(two)) == {"A001C003.xml", "A001C002.mov"}


def test_file_that_differs_stays_and_the_right_one_comes_beside_it(bench: Missing) -> None:
    one, two = (drive.root for drive in bench.drives)
    bench.drag(one / "dragged", two / "dragged")
    wrong = two / "dragged" / LOST
    wrong.write_bytes(CLIPS[LOST][:-1] + b"!")
    assert bench.bring().code == 0
    assert wrong.read_bytes().endswith(b"!")
    assert clips_brought(two) == {"A001C002.mov": CLIPS[LOST]}


def test_second_name_of_one_file_is_no_second_copy(rack: Rack, tmp_path: Path) -> None:
    bench = Missing(rack, tmp_path)
    write_card(bench.card, {"1.mov": CLIPS[LOST], "2.mov": CLIPS[LOST]})
    one, two = (drive.root for drive in bench.drives)
    bench.drag(one / "dragged", two / "dragged")
    (two / "dragged/2.mov").unlink()
    os.link(two / "dragged/1.mov", two / "dragged/2.mov")
    assert bench.check().code == 1
    assert bench.bring().code == 0
    assert len(clips_brought(two)) == 1


def test_copies_on_one_disk_are_one_and_the_other_disk_gets_the_second(
    rack: Rack, bench: Missing
) -> None:
    """Two folders with everything lie on one disk; the drive with nothing is the one that helps."""
    top, other = (drive.root for drive in bench.drives)
    for name in ("one", "two"):
        (top / name).mkdir()
        bench.drag(top / name / "dragged")
    done = bench.bring(to=(top / "one", top / "two", other))
    assert done.code == 0, done.out + done.err
    wanted = {name.rpartition("/")[2]: content for name, content in CLIPS.items()}
    assert clips_brought(other) == wanted
    assert clips_brought(top / "one") == clips_brought(top / "two") == {}


def test_drive_that_can_never_count_gets_nothing(rack: Rack, bench: Missing) -> None:
    one, two = (drive.root for drive in bench.drives)
    memory = rack.tmpfs("memory", 16 << 20)
    bench.drag(one / "dragged")
    done = bench.bring(to=(memory, one, two))
    assert done.code == 0, done.out + done.err
    assert tree(memory) == {}
    assert len(clips_brought(two)) == len(CLIPS)


def test_one_drive_is_not_enough_and_gets_what_it_lacks_all_the_same(bench: Missing) -> None:
    one = bench.drives[0].root
    bench.drag(one / "dragged", but=[LOST])
    done = bench.bring(to=(one,))
    assert done.code == 1
    assert [hold["code"] for hold in done.result["holds"]] == ["too-few-copies"]
    assert clips_brought(one) == {"A001C002.mov": CLIPS[LOST]}


def test_command_that_check_names_mends_it_as_it_stands(bench: Missing) -> None:
    one, two = (drive.root for drive in bench.drives)
    bench.drag(one / "dragged")
    bench.drag(two / "dragged", but=[LOST])
    found = bench.check()
    hold = next(h for h in found.result["holds"] if h["code"] == "too-few-copies")
    first = hold["remedy"].splitlines()[0]
    words = shlex.split(first[first.index("offload ") :])
    assert "--missing" in words
    mended = bench.run(*words[1:], "--json")
    assert mended.code == 0, mended.out + mended.err
    assert bench.check().code == 0


def test_plain_check_knows_what_was_brought(bench: Missing) -> None:
    one, two = (drive.root for drive in bench.drives)
    first = bench.run("copy", str(bench.card.root), "--to", str(one), "--roll", "A001", "--json")
    assert first.code == 1
    brought = bench.bring()
    assert brought.code == 0, brought.out + brought.err
    assert clips_brought(two).keys() == {Path(name).name for name in CLIPS}
    again = bench.run("check", str(bench.card.root), "--json")
    assert again.code == 0, again.out + again.err
    (two / "A001-missing" / LOST).unlink()
    assert bench.run("check", str(bench.card.root), "--json").code == 1


def test_other_material_on_the_same_card_is_looked_for_everywhere(
    rack: Rack, bench: Missing
) -> None:
    """What was brought of the shoot before says nothing of where this one was dragged to."""
    one, two = (drive.root for drive in bench.drives)
    assert bench.run("copy", str(bench.card.root), "--to", str(one), "--roll", "A001").code == 1
    assert bench.bring(to=[one, two]).code == 0
    for path in sorted(bench.card.root.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    bench.card.remount()
    anew = {f"CLIPS/A002C00{at}.mov": os.urandom(50_000 + at) for at in (1, 2)}
    write_card(bench.card, anew)
    bench.drives = [rack.volume(EXT4, name=f"shuttle-{at}") for at in (3, 4)]
    bench.drag(*(drive.root / "dragged" for drive in bench.drives))
    done = bench.run("check", str(bench.card.root), "--json")
    assert done.code == 0, done.out + done.err


def test_card_that_has_grown_brings_its_new_clip_to_both(bench: Missing) -> None:
    one, two = (drive.root for drive in bench.drives)
    bench.drag(one / "dragged")
    bench.drag(two / "dragged", but=[LOST])
    assert bench.bring().code == 0
    write_card(bench.card, {"CLIPS/A001C004.mov": b"the last take" * 1000})
    done = bench.bring()
    assert done.code == 0, done.out + done.err
    for drive in (one, two):
        assert "A001C004.mov" in clips_brought(drive)
    assert bench.check().code == 0


def test_two_cards_that_both_lack_something_keep_apart(rack: Rack, bench: Missing) -> None:
    """The same clip names on both, other content."""
    one, two = (drive.root for drive in bench.drives)
    first = bench.card
    bench.card = rack.volume(EXT4, name="second-card")
    others = {name: bytes(reversed(content)) for name, content in CLIPS.items()}
    (bench.card.root / "lost+found").rmdir()
    write_card(bench.card, others)
    for card in (first, bench.card):
        bench.card = card
        done = bench.bring()
        assert done.code == 0, done.out + done.err
    wanted = sorted([*CLIPS.values(), *others.values()])
    for drive in (one, two):
        found = [
            content
            for path, content in tree(drive).items()
            if path.endswith((".mov", ".xml")) and "ascmhl" not in path
        ]
        assert sorted(found) == wanted


def test_killed_while_it_brings_and_run_again(bench: Missing) -> None:
    one, two = (drive.root for drive in bench.drives)
    bench.drag(one / "dragged")
    words = ["copy", str(bench.card.root), *bench.to, "--missing", "--json"]
    for line in (r'"step": "copying"', r'"card-coded"', r'"step": "record"'):
        with forked(words, bench.station.environment, bench.station.home.parent) as child:
            child.kill_when(line)
        for path in two.glob("*missing"):
            assert {name.rpartition("/")[2] for name in CLIPS} <= set(clips_brought(two)), path
    done = bench.bring()
    assert done.code == 0, done.out + done.err
    wanted = {name.rpartition("/")[2]: content for name, content in CLIPS.items()}
    assert clips_brought(two) == wanted
