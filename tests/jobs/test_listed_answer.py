"""May a card that was offloaded before be erased now: by what the ledger knows and drives show.

A listing can only say no; the words come back in the mounting in which the card was last read.
"""

import os
import random
import subprocess
import threading
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from offload.jobs.listed_answer import check_listed
from offload.jobs.tools import Tools
from offload.ledger.database import Ledger
from offload.values.facts import Policy
from offload.volumes import volume as mounted
from tests.cli.forked import forked
from tests.cli.stations import SETTINGS, Bench
from tests.jobs.scene import Scene, codes, write_card
from tests.lab.images import EXFAT, EXT4, Rack, Volume
from tests.lab.processes import Done

pytestmark = pytest.mark.lab

_source = random.Random(11)
CLIPS = {
    "CLIPS/A001C001.mov": _source.randbytes(3_000_000),
    "CLIPS/A001C002.mov": _source.randbytes(70_000),
    "CLIPS/A001C002.xml": b"<take/>",
}
CLIP = "CLIPS/A001C002.mov"


class Known(Bench):
    """A bench whose card has been offloaded and cleared."""

    def run(self, *words: str | Path) -> Done:
        with forked(words, self.station.environment, self.station.home.parent) as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def offload(self, *more: str) -> Done:
        done = self.run(*self.words("--json", *more))
        assert done.code == 0, done.out + done.err
        return done

    def check(self, *more: str) -> list[str]:
        """Codes of the holds; none for a cleared card."""
        done = self.run("check", self.card.root, "--json", *more)
        result = done.result
        assert result["type"] == "result", done.out + done.err
        assert (result["verdict"] == "cleared") == (done.code == 0), done.out + done.err
        assert (done.code == 0) == (not result["holds"])
        self.result = result
        return [hold["code"] for hold in result["holds"]]

    def copied(self, drive: int, name: str) -> Path:
        return self.drives[drive].root / "A001" / name


@pytest.fixture
def known(rack: Rack, tmp_path: Path) -> Known:
    made = Known(rack, tmp_path)
    write_card(made.card, CLIPS)
    made.offload()
    return made


# --- yes, without reading


def test_cleared_card_that_stayed_is_still_cleared(known: Known) -> None:
    assert known.check() == []
    assert known.result["code"]
    assert known.result["roll"] == "A001"
    assert known.run("check", "A001").code == 0
    assert known.run("check", known.result["code"]).code == 0


def test_answer_from_a_listing_reads_no_file(known: Known) -> None:
    """By the devices' own read counters (Documentation/admin-guide/iostats.rst, field 3)."""
    volumes = (known.card, *known.drives)
    for volume in volumes:
        volume.forget_pages()
        subprocess.run(["find", volume.root, "-ls"], check=True, capture_output=True)
    before = [_read_bytes(volume) for volume in volumes]
    assert known.check() == []
    after = [_read_bytes(volume) for volume in volumes]
    assert all(now - then < 2_000_000 for then, now in zip(before, after, strict=True))


def _read_bytes(volume: Volume) -> int:
    stat = Path(f"/sys/block/{Path(volume.device).name}/stat").read_text()
    return int(stat.split()[2]) * 512


def test_camera_whose_clock_is_ahead_changes_nothing(rack: Rack, tmp_path: Path) -> None:
    """FAT and exFAT may hold local time without its zone, and change times are made up of it.

    Source: exFAT file system specification 7.4.10, a time stamp whose offset is not valid.
    """
    made = Known(rack, tmp_path, card=EXFAT)
    write_card(made.card, CLIPS)
    ahead = time.time() + 7200
    for path in made.card.root.rglob("*"):
        os.utime(path, (ahead, ahead))
    made.card.remount()
    assert (made.card.root / CLIP).stat().st_ctime > time.time() + 3600
    made.offload()
    assert made.check() == []


def test_twins_that_are_both_in_are_both_still_cleared(rack: Rack, known: Known) -> None:
    """Listed alike, each with a clearance of its own: none takes anything from the other."""
    twin = rack.volume(EXT4, name="twin")
    others = {name: bytes(len(content)) for name, content in CLIPS.items()}
    write_card(twin, others)
    for name in CLIPS:
        facts = (known.card.root / name).stat()
        os.utime(twin.root / name, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    first, known.card = known.card, twin
    known.offload()
    assert known.check() == []
    known.card = first
    assert known.check() == []


# --- the card has changed


def rewrite(card: Path) -> None:
    """Other bytes, the same size and time."""
    path = card / CLIP
    facts = path.stat()
    path.write_bytes(bytes(len(CLIPS[CLIP])))
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def grow(card: Path) -> None:
    with (card / CLIP).open("ab") as file:
        file.write(b"more")


def add(card: Path) -> None:
    (card / "CLIPS/A001C003.mov").write_bytes(b"another clip")


def remove(card: Path) -> None:
    (card / CLIP).unlink()


def rename(card: Path) -> None:
    (card / CLIP).rename(card / "CLIPS/A001C009.mov")


def touch(card: Path) -> None:
    os.utime(card / CLIP, (1, 1_600_000_000))


def make_link(card: Path) -> None:
    (card / CLIP).unlink()
    (card / CLIP).symlink_to("A001C001.mov")


def test_clock_set_back_hides_no_change(rack: Rack, tmp_path: Path) -> None:
    """The run was written down at a time that is yet to come."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    real = scene.surroundings
    scene.surroundings = replace(real, now=lambda: real.now() + timedelta(hours=1))
    assert scene.offload().verdict.is_cleared
    scene.surroundings = real
    path = os.fsencode(scene.card.root)
    with Ledger(os.fsencode(scene.home)) as ledger:
        tools = Tools(ledger, scene.key, real)
        before = check_listed(path, Policy(), tools)
        assert before is not None
        assert before.verdict.is_cleared
        rewrite(scene.card.root)
        after = check_listed(path, Policy(), tools)
        assert after is not None
        assert codes(after) == ["changed-on-card"]


def test_drives_are_looked_at_side_by_side(rack: Rack, tmp_path: Path) -> None:
    """Two discs that sleep wake together: the answer waits for the slower one, not for both."""
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, CLIPS)
    assert scene.offload().verdict.is_cleared
    real = scene.surroundings
    both = threading.Barrier(2)

    def volume_of(fd: int) -> mounted.Volume:
        if threading.current_thread() is not threading.main_thread():
            both.wait(20.0)
        return real.volume_of(fd)

    with Ledger(os.fsencode(scene.home)) as ledger:
        tools = Tools(ledger, scene.key, replace(real, volume_of=volume_of))
        found = check_listed(os.fsencode(scene.card.root), Policy(), tools)
    assert found is not None
    assert found.verdict.is_cleared


@pytest.mark.parametrize("change", [rewrite, grow, add, remove, rename, touch, make_link])
def test_card_that_changed_since_is_held(known: Known, change: object) -> None:
    change(known.card.root)  # type: ignore[operator]
    found = known.check()
    assert set(found) & {"card-changed", "changed-on-card"}, found
    assert known.check() == found, "it is said again, not only once"


def test_clearance_is_void_once_something_was_added(known: Known) -> None:
    """Taken away again, the listing is as it was: what was read then proves nothing now."""
    extra = known.card.root / "CLIPS/A001C003.mov"
    extra.write_bytes(b"another clip")
    assert "card-changed" in known.check()
    extra.unlink()
    assert "card-not-read" in known.check()
    assert known.check("--read") == []
    assert known.check() == []


# --- the card was away


@pytest.mark.parametrize("how", ["remounted", "another node and place"])
def test_card_that_was_away_has_to_be_read_again(known: Known, how: str) -> None:
    if how == "remounted":
        known.card.remount()
    else:
        known.card.unmount()
        known.card.put_back()
    assert known.check() == ["card-was-away"]
    (hold,) = known.result["holds"]
    assert "check" in hold["remedy"]
    assert "--read" in hold["remedy"]
    assert known.check("--read") == []
    assert known.check() == []


def test_remedy_for_a_card_that_was_away_can_be_typed_as_it_stands(known: Known) -> None:
    known.card.remount()
    known.check()
    command = known.result["holds"][0]["remedy"].partition("offload ")[2]
    assert known.run(*command.split()).code == 0


def test_twin_of_a_cleared_card_is_never_cleared(rack: Rack, known: Known) -> None:
    """The same image but for one bit of one clip: volume id, label, names, sizes, times agree."""
    twin = rack.snapshot(known.card, "twin")
    place = known.card.root
    known.card.unmount()
    twin.root = place
    twin.mount()
    facts = (place / CLIP).stat()
    content = bytearray(CLIPS[CLIP])
    content[35_000] ^= 1
    (place / CLIP).write_bytes(content)
    os.utime(place / CLIP, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    twin.sync()
    assert known.check() != []
    assert known.check("--read") != []
    assert known.check() != []


# --- drives


def test_drive_that_is_away_is_named_and_after_its_return_read_again(known: Known) -> None:
    drive = known.drives[1]
    drive.unmount()
    assert known.check() == ["drive-away"]
    assert known.result["holds"][0]["drives"] == ["shuttle-2"]
    assert list(drive.root.iterdir()) == []
    drive.mount()
    assert known.check() == ["copy-not-read"]
    assert known.check("--read") == []
    assert known.check() == []


def test_drive_that_comes_back_elsewhere_is_found(known: Known) -> None:
    """Another node, another mount point: the drive is known by its file system."""
    known.drives[1].unmount()
    known.drives[1].put_back()
    assert known.check() == ["copy-not-read"]
    assert known.check("--read") == []


def test_another_drive_in_its_place_is_not_that_drive(rack: Rack, known: Known) -> None:
    place = known.drives[1].root
    known.drives[1].unmount()
    other = rack.volume(EXT4, name="other", is_mounted=False)
    other.root = place
    other.mount()
    assert known.check() == ["drive-away"]
    assert "drive-away" in known.check("--read")
    assert [path.name for path in place.iterdir()] == ["lost+found"]


def delete(path: Path) -> None:
    path.unlink()


def cut(path: Path) -> None:
    os.truncate(path, 100)


def rewrite_copy(path: Path) -> None:
    facts = path.stat()
    path.write_bytes(bytes(facts.st_size))
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def link_elsewhere(path: Path) -> None:
    path.rename(path.with_name("aside"))
    path.symlink_to("aside")


@pytest.mark.parametrize("damage", [delete, cut, rewrite_copy, link_elsewhere])
def test_copy_that_is_not_as_it_was_proven_does_not_count(known: Known, damage: object) -> None:
    damage(known.copied(0, CLIP))  # type: ignore[operator]
    found = known.check()
    assert found == ["too-few-copies"] or found == ["copy-changed"], found
    assert [hold["paths"] for hold in known.result["holds"]] == [[CLIP]]
    assert known.check("--read") != []


def test_copy_damaged_behind_its_file_system_is_found_by_reading(known: Known) -> None:
    known.drives[0].flip(known.copied(0, "CLIPS/A001C001.mov"), 1_000_000)
    assert known.check() == [], "a listing cannot see it"
    assert "copy-differs" in known.check("--read")
    assert known.check() != []


def test_roll_that_was_moved_on_its_drive_is_not_there(known: Known) -> None:
    (known.drives[0].root / "A001").rename(known.drives[0].root / "B001")
    assert known.check() != []
    assert known.check("--read") != []


def test_copy_without_its_record_does_not_count(known: Known) -> None:
    (known.copied(0, "ascmhl") / "ascmhl_chain.xml").unlink()
    assert known.check() == ["record-not-written"]


def test_reading_anew_writes_no_file_of_the_card_anywhere(known: Known) -> None:
    """What is missing is named and not copied: that is what copying is for."""
    known.copied(0, CLIP).unlink()
    assert "too-few-copies" in known.check("--read")
    assert not known.copied(0, CLIP).exists()
    assert not (known.drives[0].root / "A001.incomplete").exists()


# --- what was asked for then and now


def test_check_asks_for_what_the_settings_ask_and_not_for_what_the_copy_did(
    rack: Rack, tmp_path: Path
) -> None:
    known = Known(rack, tmp_path, drives=(EXT4,))
    write_card(known.card, CLIPS)
    known.offload("--copies", "1")
    assert known.check() == ["too-few-copies"]


def test_declaration_of_one_command_does_not_outlive_it(rack: Rack, tmp_path: Path) -> None:
    known = Known(rack, tmp_path, drives=(EXT4,))
    write_card(known.card, CLIPS)
    folders = []
    for name in ("one", "two"):
        (known.drives[0].root / name).mkdir()
        folders += ["--to", str(known.drives[0].root / name)]
    done = known.run("copy", known.card.root, *folders, "--same-drive-ok", "--json")
    assert done.code == 0, done.out + done.err
    assert done.result["verdict"] == "cleared"
    assert known.check() == ["shared-drive"]
    known.station.settings.write_text(_asking("separate_drives = false"))
    assert known.check() == []
    assert any("one physical drive" in text for text in known.result["declarations"])


def _asking(rule: str) -> str:
    return SETTINGS.replace("[copies]\n", f"[copies]\n{rule}\n")


def test_one_reading_never_passes_for_two(rack: Rack, tmp_path: Path) -> None:
    known = Known(rack, tmp_path)
    write_card(known.card, CLIPS)
    known.offload("--card-reads", "1")
    found = known.check()
    assert found == ["card-not-read"] or known.result["card_reads"] == 1, found
    screen = known.run("check", known.card.root).out
    assert "twice" not in screen
    assert known.check("--read") == []


def test_more_copies_are_asked_for_than_there_are(known: Known) -> None:
    known.station.settings.write_text(_asking("needed = 3"))
    assert known.check() == ["too-few-copies"]


def test_held_card_stays_held(rack: Rack, tmp_path: Path) -> None:
    known = Known(rack, tmp_path, drives=(EXT4,))
    write_card(known.card, CLIPS)
    assert known.run(*known.words()).code == 1
    assert known.check() == ["too-few-copies"]


def test_exfat_card_and_drive_are_known_again(rack: Rack, tmp_path: Path) -> None:
    """Drivers that make up file numbers anew at every mounting."""
    known = Known(rack, tmp_path, card=EXFAT, drives=(EXFAT, EXT4))
    write_card(known.card, CLIPS)
    known.offload()
    assert known.check() == []
    known.card.remount()
    known.drives[0].remount()
    assert set(known.check()) == {"card-was-away"}
    assert known.check("--read") == []
    assert known.check() == []
