"""The ledger is lost with the laptop; drives and records are there: what comes back, and what not.

Real drives on loop devices, offloaded by the command, then another ``OFFLOAD_HOME``. Signatures are
made and checked by the program; ``ssh-keygen`` makes the stranger's (OpenSSH).
"""

import json
import os
import random
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.cli.forked import forked
from tests.cli.stations import Bench
from tests.jobs.scene import tree, write_card
from tests.lab.images import EXFAT, EXT4, Rack
from tests.lab.processes import Done

pytestmark = pytest.mark.lab

_source = random.Random(31)
CLIPS = {
    "CLIPS/A001C001.mov": _source.randbytes(50_000),
    "CLIPS/A001C002.mov": b"second",
    "EMPTY/.keep": b"",
}
WORDS = "SAFE TO ERASE"


class Laptops(Bench):
    """The station whose ledger gets lost; what is typed afterwards is typed on a new one."""

    old_key = ""

    def run(self, *words: str | bytes | Path) -> Done:
        with forked(words, self.station.environment, self.station.home.parent) as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def lose(self, *, is_key_trusted: bool = True) -> str:
        """Move the home away; gives the old key's line."""
        old = self.station.home.rename(self.station.home.with_name(f"lost-{random.random()}"))
        public = old / "station_key.pub"
        if not self.old_key:
            self.old_key = public.read_text().strip()
        if is_key_trusted:
            trusted = self.run("key", "trust", self.old_key, "--as", "set-1")
            assert trusted.code == 0, trusted.err
        return self.old_key

    def restore(self, *folders: str | bytes | Path) -> tuple[int, list[dict[str, Any]]]:
        """Exit code and objects of the command for these folders; for all drives without any."""
        named = folders or tuple(drive.root for drive in self.drives)
        words = [word for folder in named for word in ("--from", folder)]
        done = self.run("rolls", *words, "--json")
        return done.code, done.lines

    def rolls(self) -> list[dict[str, Any]]:
        return self.run("rolls", "--json").lines

    def records(self, at: int, roll: str = "A001") -> Path:
        return self.drives[at].root / "records" / roll


@pytest.fixture
def laptops(rack: Rack, tmp_path: Path) -> Laptops:
    made = Laptops(rack, tmp_path)
    write_card(made.card, CLIPS)
    (made.card.root / "NOTHING").mkdir()
    return made


def hold_without_the_second(laptops: Laptops) -> None:
    """A later run with one drive only: it holds the card, and says so beside the copy there."""
    laptops.drives[1].unmount()
    held = laptops.run("copy", laptops.card.root, "--to", laptops.drives[0].root, "--roll", "A001")
    assert held.code == 1, held.out
    laptops.drives[1].mount()
    assert (laptops.records(0) / "withdrawn-0001.json").exists()
    assert not (laptops.records(1) / "withdrawn-0001.json").exists()


def codes(lines: list[dict[str, Any]]) -> list[str]:
    return [line["code"] for line in lines if line["type"] == "finding"]


def test_a_lost_ledger_comes_back_from_two_drives(laptops: Laptops) -> None:
    copied = laptops.run(*laptops.words("--json")).result
    before = [tree(drive.root) for drive in laptops.drives]
    (known,) = laptops.rolls()
    laptops.lose()
    assert laptops.rolls() == []
    code, lines = laptops.restore()
    assert code == 0, lines
    assert lines[-1] == {
        "type": "restored",
        "rolls": 1,
        "new": 1,
        "copies": 2,
        "findings": 0,
        "looked_through": 2,
        "proven": False,
    }
    (roll,) = laptops.rolls()
    for key in ("roll", "code", "production", "day", "answer", "safe_at", "is_void"):
        assert roll[key] == known[key], key
    assert roll["code"] == copied["code"]
    assert roll["from_records"]
    assert {(each["drive"], each["path"]) for each in roll["copies"]} == {
        (each["drive"], each["path"]) for each in known["copies"]
    }
    for each in roll["copies"]:
        assert (each["stage"], each["read_back"], each["proven"]) == ("recorded", "none", 0)
    assert [tree(drive.root) for drive in laptops.drives] == before


def test_said_twice_it_changes_nothing(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    laptops.lose()
    for drive in laptops.drives:
        assert laptops.restore(drive.root)[0] == 0
    first = laptops.rolls()
    code, lines = laptops.restore()
    assert (code, lines[-1]["new"]) == (0, 0)
    assert laptops.rolls() == first
    assert len(first) == 1
    assert len(first[0]["copies"]) == 2


def test_only_a_reading_says_that_the_card_is_safe(laptops: Laptops) -> None:
    """The promise: neither restoring nor a listing, though card and drives never were away."""
    assert laptops.run(*laptops.words()).code == 0
    laptops.lose()
    for folders in (laptops.drives[:1], laptops.drives):
        words = [word for drive in folders for word in ("--from", drive.root)]
        said = laptops.run("rolls", *words)
        assert said.code == 0, said.err
        assert WORDS not in said.out + said.err
    for words in (("rolls",), ("rolls", "A001"), ("status",)):
        assert WORDS not in laptops.run(*words).out
    for words in (("check", laptops.card.root), ("check", "A001"), ("check", laptops.card.root)):
        listed = laptops.run(*words)
        assert listed.code == 1, listed.out
        assert WORDS not in listed.out
        assert "KEEP THE CARD" in listed.out
        assert "A001" in listed.out
        assert "when it was safe" in listed.out
        assert "card-changed" not in listed.out
    read = laptops.run("check", laptops.card.root, "--read")
    assert (read.code, WORDS in read.out) == (0, True), read.out


def test_a_changed_copy_is_found_when_it_is_read(laptops: Laptops) -> None:
    """Restoring reads no copy; a byte that has gone since is found by the reading, and holds."""
    assert laptops.run(*laptops.words()).code == 0
    clip = laptops.drives[1].root / "A001/CLIPS/A001C001.mov"
    facts = clip.stat()
    with clip.open("r+b") as stream:
        stream.write(bytes([clip.read_bytes()[0] ^ 1]))
    os.utime(clip, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    laptops.lose()
    assert laptops.restore()[0] == 0
    read = laptops.run("check", laptops.card.root, "--read")
    assert read.code == 1, read.out
    assert WORDS not in read.out


def test_a_clearance_withdrawn_on_one_drive_is_void(laptops: Laptops) -> None:
    """The other drive was away when a later run held the card, and knows nothing of it."""
    assert laptops.run(*laptops.words()).code == 0
    hold_without_the_second(laptops)
    for order in ((0, 1), (1, 0)):
        laptops.lose()
        assert laptops.restore(*(laptops.drives[at].root for at in order))[0] == 0
        (roll,) = laptops.rolls()
        assert (roll["answer"], roll["is_void"], len(roll["copies"])) == ("held", True, 2)
        assert "was safe" not in laptops.run("rolls", "A001").out
        assert laptops.run("check", laptops.card.root).code == 1


def test_a_clearance_given_after_a_withdrawn_one_counts(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    hold_without_the_second(laptops)
    assert laptops.run(*laptops.words()).code == 0
    (known,) = laptops.rolls()
    laptops.lose()
    assert laptops.restore()[0] == 0
    (roll,) = laptops.rolls()
    assert (roll["answer"], roll["is_void"], roll["safe_at"]) == (
        "cleared",
        False,
        known["safe_at"],
    )


def test_a_withdrawal_that_cannot_be_read_counts(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    (laptops.records(1) / "withdrawn-0001.json").write_bytes(b"\xff[" * 1000)
    laptops.lose()
    laptops.restore()
    (roll,) = laptops.rolls()
    assert (roll["answer"], roll["is_void"]) == ("held", True)


def test_a_clearance_with_one_changed_byte_is_told_and_the_rest_goes_on(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    for at in (0, 1):
        path = laptops.records(at) / "clearance-0001.json"
        path.write_bytes(path.read_bytes().replace(b'"card_reads": 2', b'"card_reads": 1'))
    laptops.lose()
    code, lines = laptops.restore()
    assert code == 1
    assert codes(lines) == ["clearance-bad-signature"] * 2
    (roll,) = laptops.rolls()
    assert (roll["answer"], roll["safe_at"], len(roll["copies"])) == ("none", "", 2)
    shown = laptops.run("rolls", "A001").out
    assert "was safe" not in shown and "was held" not in shown


def test_a_changed_clearance_beside_one_copy_leaves_the_other(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    path = laptops.records(0) / "clearance-0001.json"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    laptops.lose()
    code, lines = laptops.restore()
    (told,) = codes(lines)
    assert (code, told.startswith("clearance-")) == (1, True)
    (roll,) = laptops.rolls()
    assert (roll["answer"], len(roll["copies"])) == ("cleared", 2)


def test_an_unknown_key_vouches_for_nothing_until_it_is_trusted(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    line = laptops.lose(is_key_trusted=False)
    code, lines = laptops.restore()
    assert (code, codes(lines)) == (1, ["clearance-unknown-key"])
    (roll,) = laptops.rolls()
    assert (roll["answer"], roll["safe_at"], len(roll["copies"])) == ("none", "", 2)
    said = laptops.run("rolls", "--from", laptops.drives[0].root).out
    assert f"offload key trust {laptops.records(0) / 'allowed_signers'} --as NAME" in said
    assert "a person" not in laptops.run("status").out
    assert laptops.run("key", "trust", line, "--as", "set-1").code == 0
    code, lines = laptops.restore()
    assert (code, lines[-1]["new"]) == (0, 0)
    (roll,) = laptops.rolls()
    assert (roll["answer"], bool(roll["safe_at"]), len(roll["copies"])) == ("cleared", True, 2)


def test_a_strangers_signature_under_our_own_statement(laptops: Laptops, tmp_path: Path) -> None:
    """Whoever can write on a drive can sign anything with a key of their own, and list it there."""
    assert laptops.run(*laptops.words()).code == 0
    key = tmp_path / "stranger"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    for at in (0, 1):
        statement = laptops.records(at) / "clearance-0001.json"
        statement.with_name("clearance-0001.json.sig").unlink()
        subprocess.run(
            ["ssh-keygen", "-q", "-Y", "sign", "-f", key, "-n", "offload-record", statement],
            check=True,
        )
        public = key.with_suffix(".pub").read_text()
        (laptops.records(at) / "allowed_signers").write_text(f"set-1 {public}")
    laptops.lose()
    code, lines = laptops.restore()
    assert code == 1
    assert "clearance-unknown-key" in codes(lines) or "clearance-other-key" in codes(lines)
    (roll,) = laptops.rolls()
    assert (roll["answer"], roll["safe_at"]) == ("none", "")


def test_a_revoked_key_vouches_for_nothing(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    line = laptops.lose()
    assert laptops.run("key", "revoke", line).code == 0
    code, lines = laptops.restore()
    assert code == 1
    assert laptops.rolls()[0]["answer"] == "none"
    assert codes(lines)


def test_a_changed_manifest_takes_its_roll_out_and_no_other(rack: Rack, laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    other = rack.volume(name="other")
    write_card(other, {"CLIPS/A002C001.mov": b"other"})
    assert laptops.run("copy", other.root, *laptops.to, "--roll", "A002").code == 0
    for drive in laptops.drives:
        (manifest,) = (drive.root / "A001/ascmhl").glob("*.mhl")
        content = manifest.read_bytes()
        manifest.write_bytes(content.replace(b'size="6"', b'size="7"'))
        assert manifest.read_bytes() != content
    laptops.lose()
    code, lines = laptops.restore()
    assert code == 1
    assert set(codes(lines)) == {"manifest-changed", "signature-changed"}
    assert [(each["roll"], each["answer"]) for each in laptops.rolls()] == [("A002", "cleared")]


def test_a_file_that_is_gone_is_told(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    (laptops.drives[0].root / "A001/CLIPS/A001C002.mov").unlink()
    laptops.lose()
    code, lines = laptops.restore()
    assert (code, codes(lines)) == (1, ["files-missing"])
    (told,) = [line for line in lines if line["type"] == "finding"]
    assert "A001C002.mov" in told["text"]


def test_hostile_folders_are_data(laptops: Laptops, tmp_path: Path) -> None:
    assert laptops.run(*laptops.words()).code == 0
    drive = laptops.drives[0].root
    outside = tmp_path / "outside"
    shutil.copytree(laptops.drives[1].root, outside)
    # A link in the place of rolls and records: never followed.
    os.symlink(outside / "A001", drive / "LINKED")
    os.symlink(outside / "records/A001", drive / "records/LINKED")
    os.symlink(outside, drive / "day")
    # Records whose parts have no end, and one that is a pipe.
    for roll in ("HUGE", "LONG", "PIPE", "esc\x1b[2J\n[bold]"):
        shutil.copytree(drive / "A001", drive / roll, symlinks=True)
        shutil.copytree(drive / "records/A001", drive / "records" / roll, symlinks=True)
    (manifest,) = (drive / "HUGE/ascmhl").glob("*.mhl")
    os.truncate(manifest, 1 << 40)
    os.truncate(drive / "records/LONG/clearance-0001.json", 1 << 40)
    (drive / "PIPE/ascmhl/ascmhl_chain.xml").unlink()
    os.mkfifo(drive / "PIPE/ascmhl/ascmhl_chain.xml")
    laptops.lose()
    code, lines = laptops.restore(drive)
    assert code == 1
    assert codes(lines).count("record-too-large") == 2
    assert "chain-unreadable" in codes(lines)
    shown = laptops.run("rolls", "--from", drive)
    assert "\x1b" not in shown.out + shown.err
    assert "\x1b" not in laptops.run("rolls").out
    names = {each["roll"] for each in laptops.rolls()}
    assert "A001" in names
    assert names.isdisjoint({"LINKED", "HUGE", "LONG", "PIPE"})
    assert str(outside) not in json.dumps(laptops.rolls())


def test_a_folder_that_is_not_there_and_one_without_records(
    laptops: Laptops, tmp_path: Path
) -> None:
    (tmp_path / "bare").mkdir()
    code, lines = laptops.restore(tmp_path / "nowhere")
    assert (code, codes(lines)) == (3, ["drive"])
    code, lines = laptops.restore(tmp_path / "bare", tmp_path / "nowhere")
    assert (code, codes(lines)) == (1, ["no-record", "drive"])


def test_the_records_or_one_roll_may_be_named(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    drive = laptops.drives[0].root
    for named in (drive / "records", drive / "records/A001", drive / "A001"):
        laptops.lose()
        code, lines = laptops.restore(named)
        assert code == 0, lines
        (roll,) = laptops.rolls()
        (copy,) = roll["copies"]
        assert (copy["drive"], copy["path"]) == ("shuttle-1", str(drive / "A001"))


def test_a_further_folder_needs_its_own_option(laptops: Laptops) -> None:
    drives = [drive.root for drive in laptops.drives]
    done = laptops.run("rolls", "--from", *drives)
    assert (done.code, done.out) == (2, "")
    assert "--from FOLDER --from FOLDER" in done.err


def test_what_this_ledger_knows_by_itself_stays(laptops: Laptops) -> None:
    assert laptops.run(*laptops.words()).code == 0
    before = laptops.rolls()
    code, lines = laptops.restore()
    assert (code, lines[-1]["new"]) == (0, 0)
    assert laptops.rolls() == before
    assert laptops.run("check", laptops.card.root).code == 0


def test_status_and_page_know_the_roll_again(laptops: Laptops, tmp_path: Path) -> None:
    assert laptops.run(*laptops.words()).code == 0
    laptops.lose()
    assert laptops.restore()[0] == 0
    page = tmp_path / "A001.html"
    done = laptops.run("page", "A001", "--to", page)
    assert done.code == 0, done.err
    assert "shuttle-2" in page.read_text()
    assert WORDS.lower() not in page.read_text().lower()
    status = laptops.run("status").out
    assert "shuttle-1" in status
    assert "out; was safe at" in status


def test_a_card_with_links_comes_back_without_its_clearance(laptops: Laptops) -> None:
    """No manifest lists links, so what is recorded is not all that the clearance is about."""
    os.symlink("CLIPS/A001C001.mov", laptops.card.root / "link")
    assert laptops.run(*laptops.words()).code == 0
    laptops.lose()
    code, lines = laptops.restore()
    assert code == 0
    assert [line["code"] for line in lines if line["type"] == "notice"] == [
        "clearance-of-links"
    ] * 2
    (roll,) = laptops.rolls()
    assert (roll["answer"], len(roll["copies"])) == ("none", 2)


def test_names_that_a_drive_could_not_hold_are_the_cards_again(rack: Rack, tmp_path: Path) -> None:
    """Their copies have other names: only under the card's own does the clearance fit."""
    laptops = Laptops(rack, tmp_path, drives=(EXT4, EXFAT))
    write_card(laptops.card, {**CLIPS, "CLIPS/a:b?.mov": b"odd", "ascmhl/x": b"no history"})
    assert laptops.run(*laptops.words()).code == 0
    laptops.lose()
    assert laptops.restore()[0] == 0
    (roll,) = laptops.rolls()
    assert (roll["answer"], len(roll["copies"])) == ("cleared", 2)
    assert "when it was safe" in laptops.run("check", laptops.card.root).out
