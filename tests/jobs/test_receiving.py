"""Deliveries: checked against their sender's record, and copied, in one reading."""

import hashlib
import os
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from offload.errors import OffloadError, UsageError
from offload.events import CardCoded, Event, RollNamed
from offload.jobs.offloading import offload_card
from offload.jobs.preflighting import PreflightError
from offload.jobs.receive_run import LeftError
from offload.jobs.tools import StoppedError, Tools
from offload.jobs.verify_result import FileState, SignatureState
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.ledger import offloads, standing
from offload.ledger.database import Ledger
from offload.record.find import RecordKind
from offload.values.facts import Policy
from offload.values.verdict import Answer
from tests.jobs.receive_scene import SENDER, STATION, Depot, clips
from tests.jobs.scene import tree, write_card
from tests.jobs.verify_scene import flip, known
from tests.lab.images import EXFAT, EXT4, Rack
from tests.record.histories import Desk as MhlDesk
from tests.record.plain_folder import PlainFolder
from tests.record.validity import assert_valid_below

pytestmark = pytest.mark.lab

BOTH = known(("set", SENDER), ("post", STATION))


def content(folder: Path) -> dict[str, bytes]:
    """All files of a roll but its history."""
    return {path: data for path, data in tree(folder).items() if not path.startswith("ascmhl/")}


def states(depot: Depot, found: object) -> dict[str, str]:
    verification = found.verification  # type: ignore[attr-defined]
    return {os.fsdecode(each.path): each.state.word for each in verification.reports}


def test_delivery_as_sent_is_on_both_drives(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    before = tree(depot.sent.root)
    found = depot.receive()
    assert (found.is_as_sent, found.copies, found.exit_code) == (True, 2, 0)
    assert found.verification.good == len(depot.rolls["A001"])
    for drive in (1, 2):
        assert content(depot.roll(drive)) == depot.rolls["A001"]
    assert tree(depot.sent.root) == before
    assert not [event for event in depot.events if isinstance(event, CardCoded)]


def test_senders_record_goes_on_with_a_signed_generation(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    (roll,) = depot.receive().rolls
    assert [(copy.generation, copy.verified) for copy in roll.drives] == [(2, 4), (2, 4)]
    for drive in (1, 2):
        top = depot.drives[drive - 1].root
        # Every byte of the sender's record is there as it came, but for what our own keeps current.
        sent, here = tree(depot.sent.root / "A001/ascmhl"), tree(top / "A001/ascmhl")
        first, second = sorted(each for each in here if each.endswith(".mhl"))
        assert here[first] == sent[first]
        assert first.startswith("0001_A001_")
        assert second.startswith("0002_A001_")
        assert b"<process>transfer</process>" in here[second]
        assert here[second].count(b'action="verified"') == 8
        records = tree(top / "records/A001")
        for name in ("A001.sha512", "A001.sha512.sig", "clearance-0001.json", f"{first}.sig"):
            assert records[name] == (depot.sent.root / "records/A001" / name).read_bytes()
        again = verify_folder(VerifyWish(os.fsencode(top)), VerifyTools(BOTH))
        assert (again.reasons, again.good) == ((), 4)


def test_stock_tools_vouch_for_what_was_written(rack: Rack, tmp_path: Path) -> None:
    """Outside sources: ``ssh-keygen -Y verify`` (OpenSSH), ``sha512sum -c`` (coreutils)."""
    depot = Depot.make(rack, tmp_path)
    depot.receive()
    records = depot.drives[0].root / "records/A001"
    history = depot.roll(1) / "ascmhl"
    for signed, signer in (
        (history / "ascmhl_chain.xml", "post"),
        (next(history.glob("0002_*")), "post"),
        (next(history.glob("0001_*")), "set"),
    ):
        signature = records / f"{signed.name}.sig"
        words = ["-Y", "verify", "-f", str(records / "allowed_signers"), "-I", signer]
        subprocess.run(
            ["ssh-keygen", *words, "-n", "offload-record", "-s", str(signature)],
            input=signed.read_bytes(),
            check=True,
            capture_output=True,
        )
    listed = records / "A001.sha512"
    subprocess.run(
        ["sha512sum", "-c", "--strict", "--quiet", str(listed)],
        cwd=depot.drives[0].root,
        check=True,
    )
    chain = (history / "ascmhl_chain.xml").read_text()
    second = next(history.glob("0002_*")).read_bytes()
    # C4 ID: SHA-512 in base 58 (SMPTE ST 2114).
    digits, number = "", int.from_bytes(hashlib.sha512(second).digest())
    while number:
        number, rest = divmod(number, 58)
        digits = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"[rest] + digits
    assert f"c4{digits.rjust(88, '1')}" in chain


def test_each_byte_of_the_delivery_is_read_once(rack: Rack, tmp_path: Path) -> None:
    """Outside source: the kernel's counter of what the loop device read (sectors of 512 bytes)."""
    depot = Depot.make(rack, tmp_path, rolls=())
    depot.send("A001", {"CLIPS/A001C001.mov": os.urandom(24_000_000)})
    depot.sent.remount()
    counter = Path("/sys/class/block", Path(depot.sent.device).name, "stat")
    before = int(counter.read_text().split()[2])
    assert depot.receive().exit_code == 0
    read = (int(counter.read_text().split()[2]) - before) * 512
    assert 24_000_000 <= read < 30_000_000


def test_many_rolls_are_one_delivery(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path, rolls=("A001", "A002", "B001"), drives=(EXT4, EXFAT))
    (depot.sent.root / "reports").mkdir()
    (depot.sent.root / "reports/day 12.pdf").write_bytes(b"%PDF-1.7 sound report")
    found = depot.receive(depot.wish(roll="NIGHT-04"))
    assert [roll.roll for roll in found.rolls] == ["A001", "A002", "B001", "NIGHT-04"]
    assert found.exit_code == 0
    for drive in (1, 2):
        for name, files in depot.rolls.items():
            assert content(depot.roll(drive, name)) == files
        rest = content(depot.roll(drive, "NIGHT-04"))
        assert rest == {"reports/day 12.pdf": b"%PDF-1.7 sound report"}


def test_rolls_within_a_history_of_the_day_are_one(rack: Rack, tmp_path: Path) -> None:
    # ASC MHL 1.0, section 5.3.2: nested histories first, then those that enclose them.
    depot = Depot.make(rack, tmp_path)
    day = depot.sent.root / "Day12"
    day.mkdir()
    for name in ("A001", "records"):
        (depot.sent.root / name).rename(day / name)
    (day / "report.txt").write_bytes(b"day 12")
    desk = MhlDesk(PlainFolder(day))
    desk.hash({b"": [b"report.txt"]}, ["xxh128", "c4"], custody=desk.custody())
    depot.sent.sync()
    found = depot.receive()
    assert (found.is_as_sent, found.copies) == (True, 2)
    assert [roll.roll for roll in found.rolls] == ["Day12"]
    again = verify_folder(VerifyWish(os.fsencode(depot.drives[0].root)), VerifyTools(BOTH))
    assert (again.reasons, again.recorded) == ((), 5)
    histories = [each for each in again.coverage if each.kind is RecordKind.HISTORY]
    assert [len(each.generations) for each in histories] == [2, 2]
    assert assert_valid_below(depot.drives[0].root) == 2 * (2 + 1)
    twice = depot.receive()
    assert (twice.exit_code, [roll.roll for roll in twice.rolls]) == (0, ["Day12"])
    assert all(copy.was_there for copy in twice.rolls[0].drives)


def test_history_of_another_tool_is_verified_in_its_format(rack: Rack, tmp_path: Path) -> None:
    # Guidelines 2.3: checked by the format that is recorded, further ones from the same reading.
    depot = Depot.make(rack, tmp_path, rolls=())
    desk = MhlDesk(PlainFolder(depot.sent.root / "B001"))
    desk.put({b"B001C001.mov": b"take 1", b"Audio/B001S01.wav": b"sound"})
    desk.hash({b"": [b"B001C001.mov", b"Audio/B001S01.wav"]}, ["md5"])
    depot.sent.sync()
    found = depot.receive()
    assert (found.is_as_sent, found.copies) == (True, 2)
    manifest = next((depot.roll(1, "B001") / "ascmhl").glob("0002_*")).read_bytes()
    assert manifest.count(b'<md5 action="verified">') == 2
    assert b"<c4 " in manifest
    assert (depot.drives[0].root / "records/B001/ascmhl_chain.xml.sig").exists()


def test_list_alone_is_a_record(rack: Rack, tmp_path: Path) -> None:
    """Outside source: ``md5sum`` (coreutils) wrote the list, from the drive's top."""
    depot = Depot.make(rack, tmp_path, rolls=())
    write_card(depot.sent, {"CLIPS/A001C001.mov": b"1" * 4096, "CLIPS/A001C002.mov": b"2"})
    with (depot.sent.root / "sent.md5").open("wb") as out:
        words = ["md5sum", "CLIPS/A001C001.mov", "CLIPS/A001C002.mov"]
        subprocess.run(words, cwd=depot.sent.root, stdout=out, check=True)
    flip(depot.sent.root / "CLIPS/A001C002.mov")
    depot.sent.sync()
    found = depot.receive(depot.wish(roll="NIGHT-04"))
    assert (found.is_as_sent, found.copies) == (False, 2)
    assert states(depot, found) == {"CLIPS/A001C002.mov": "differs"}
    assert content(depot.roll(2, "NIGHT-04")) == tree(depot.sent.root)
    # Nobody says of the damaged one that it was like this from the beginning.
    manifest = next((depot.roll(2, "NIGHT-04") / "ascmhl").glob("0001_*")).read_text()
    assert "A001C001.mov" in manifest
    assert "A001C002.mov" not in manifest
    again = verify_folder(VerifyWish(os.fsencode(depot.drives[1].root)), VerifyTools(BOTH))
    assert again.count(FileState.DIFFERS) == 1


# --- what is not as it was sent


def test_damaged_file_is_copied_and_never_called_as_sent(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    flip(depot.sent.root / "A001/CLIPS/A001C001.mov", 700_000)
    depot.sent.sync()
    found = depot.receive()
    assert (found.is_as_sent, found.is_copied, found.exit_code) == (False, True, 1)
    assert found.verification.count(FileState.DIFFERS) == 1
    assert states(depot, found) == {"A001/CLIPS/A001C001.mov": "differs"}
    came = (depot.sent.root / "A001/CLIPS/A001C001.mov").read_bytes()
    for drive in (1, 2):
        assert (depot.roll(drive) / "CLIPS/A001C001.mov").read_bytes() == came
        manifest = next((depot.roll(drive) / "ascmhl").glob("0002_*")).read_bytes()
        assert manifest.count(b'action="failed"') == 2
    # The same once more is no other roll: nothing is copied twice, and it is told again.
    again = depot.receive()
    assert (again.is_as_sent, again.rolls[0].roll) == (False, "A001")
    assert all(copy.was_there for copy in again.rolls[0].drives)


def test_missing_file_is_told(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    (depot.sent.root / "A001/CLIPS/A001C002.mov").unlink()
    found = depot.receive()
    assert (found.is_as_sent, found.exit_code) == (False, 1)
    assert found.verification.missing == (b"A001/CLIPS/A001C002.mov",)
    assert found.rolls[0].copies == 2
    assert "CLIPS/A001C002.mov" not in content(depot.roll(1))


def test_file_that_nobody_recorded_comes_along(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    (depot.sent.root / "A001/notes.txt").write_bytes(b"slate 4 is slate 5")
    found = depot.receive()
    assert found.exit_code == 0
    assert found.verification.count(FileState.NOT_RECORDED) == 1
    assert (depot.roll(2) / "notes.txt").read_bytes() == b"slate 4 is slate 5"
    assert [copy.original for copy in found.rolls[0].drives] == [1, 1]


def test_changed_manifest_vouches_for_nothing(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    manifest = next((depot.sent.root / "A001/ascmhl").glob("0001_*"))
    manifest.write_bytes(manifest.read_bytes().replace(b"A001C001", b"A001C009"))
    found = depot.receive()
    assert (found.is_as_sent, found.exit_code) == (False, 1)
    for copy in found.rolls[0].drives:
        assert copy.proven == copy.files
        assert copy.generation == 0
        assert copy.not_recorded


def test_revoked_key_is_not_as_sent(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    found = depot.receive(signers=known(("set", SENDER), revoked=(SENDER,)))
    assert (found.is_as_sent, found.is_copied) == (False, True)
    assert f"signature-{SignatureState.REVOKED.value}" in found.verification.reasons


def test_unknown_key_is_told_and_contradicts_nothing(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    found = depot.receive(signers=known())
    assert found.is_as_sent
    assert {each.state for each in found.verification.signatures} == {SignatureState.UNKNOWN_KEY}


def test_unreadable_file_is_no_whole_copy(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    (depot.sent.root / "A001/CLIPS/A001C002.mov").unlink()
    os.mkfifo(depot.sent.root / "A001/CLIPS/A001C002.mov")
    found = depot.receive()
    assert (found.is_as_sent, found.exit_code) == (False, 1)
    assert found.verification.missing == (b"A001/CLIPS/A001C002.mov",)


# --- the delivered drive itself


def test_read_only_delivery_is_received(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    depot.sent.remount(read_only=True)
    found = depot.receive(appends=True)
    assert found.exit_code == 0
    assert "read-only" in found.not_appended


def test_generation_on_the_delivery_only_when_asked(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    found = depot.receive(appends=True)
    assert [each.number for each in found.verification.appended] == [2]
    wish = VerifyWish(os.fsencode(depot.sent.root))
    again = verify_folder(wish, VerifyTools(BOTH))
    assert again.reasons == ()
    assert len(again.coverage[0].generations) == 2


def test_own_drive_is_no_delivery(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    depot.receive()
    own = depot.drives[0].root
    before = tree(own)
    for folder in (own, own / "A001"):
        wish = depot.wish(card=os.fsencode(folder))
        for to in (wish, replace(wish, drives=wish.drives[1:])):
            with pytest.raises(UsageError, match="own drive"):
                depot.receive(to)
    assert tree(own) == before


def test_drive_without_a_record_is_no_delivery(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path, rolls=())
    write_card(depot.sent, {"CLIPS/A001C001.mov": b"1"})
    with pytest.raises(UsageError, match="no record"):
        depot.receive()
    assert [tree(drive.root) for drive in depot.drives] == [{}, {}]


# --- what is here already


def test_roll_that_is_here_is_proven_and_not_copied(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    card = rack.volume(EXT4, name="card")
    (card.root / "lost+found").rmdir()
    write_card(card, depot.rolls["A001"])
    with Ledger(os.fsencode(tmp_path / "home")) as ledger:
        wish = depot.wish(card=os.fsencode(card.root), roll="A001", policy=Policy())
        tools = Tools(ledger, STATION, depot.surroundings, identity="post")
        assert offload_card(wish, tools).verdict.is_cleared
    inodes = {path: path.stat().st_ino for path in depot.roll(1).rglob("*.mov")}
    found = depot.receive()
    assert found.exit_code == 0
    assert all(copy.was_there for copy in found.rolls[0].drives)
    assert {path: path.stat().st_ino for path in depot.roll(1).rglob("*.mov")} == inodes
    assert not list(depot.drives[0].root.glob("A001-2*"))


def test_other_roll_of_that_name_is_a_further_part(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    depot.receive()
    first = content(depot.roll(1))
    # Alike in every name and size, and another recording.
    other = Depot.make_again(rack, depot, clips("A001"))
    found = other.receive()
    assert (found.exit_code, found.rolls[0].roll) == (0, "A001-2")
    assert content(depot.roll(1)) == first
    assert content(depot.roll(1, "A001-2")) == other.rolls["A001"]
    # Either copy is what its record says; a list that names another roll's files is none of it.
    again = verify_folder(VerifyWish(os.fsencode(depot.drives[0].root)), VerifyTools(BOTH))
    assert (again.reasons, again.recorded) == ((), 8)
    records = tree(depot.drives[0].root / "records/A001-2")
    assert records["A001.sha512.sent"] == tree(other.sent.root / "records/A001")["A001.sha512"]


def test_names_that_a_drive_cannot_hold_are_written_down(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path, rolls=(), drives=(EXT4, EXFAT))
    depot.send("A001", {"CLIPS/take: 4.mov": os.urandom(9_000), "CLIPS/A001C001.mov": b"1"})
    found = depot.receive()
    assert found.exit_code == 0
    assert (depot.roll(1) / "CLIPS/take: 4.mov").exists()
    assert not (depot.roll(2) / "CLIPS/take: 4.mov").exists()
    records = depot.drives[1].root / "records/A001"
    assert (records / "names.json").exists()
    assert (records / "names.json.sig").exists()
    again = depot.receive()
    assert again.exit_code == 0
    assert all(copy.was_there for copy in again.rolls[0].drives)


# --- interrupted


def test_delivery_pulled_out_goes_on(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path, rolls=("A001", "A002"))

    def pull_at_second(event: Event) -> None:
        if isinstance(event, RollNamed) and event.roll == "A002":
            depot.sent.unmount_lazy()

    with pytest.raises(LeftError):
        depot.receive(sink=pull_at_second)
    assert content(depot.roll(1)) == depot.rolls["A001"]
    assert not depot.roll(1, "A002").exists()
    depot.sent.put_back()
    found = depot.receive()
    assert found.exit_code == 0
    assert content(depot.roll(2, "A002")) == depot.rolls["A002"]


def test_delivery_that_answers_no_more_goes_on(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)

    def fail_at_copying(event: Event) -> None:
        if isinstance(event, RollNamed):
            depot.sent.pull()

    found = depot.receive(sink=fail_at_copying)
    assert (found.is_as_sent, found.copies, found.exit_code) == (False, 0, 1)
    assert not depot.roll(1).exists()
    depot.sent.put_back()
    again = depot.receive(depot.wish(card=os.fsencode(depot.sent.root)))
    assert again.exit_code == 0
    assert content(depot.roll(2)) == depot.rolls["A001"]


def test_stopped_delivery_goes_on(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    stop: list[bool] = []

    def stop_at_proving(event: Event) -> None:
        if getattr(event, "step", "") == "proving":
            stop.append(True)

    with pytest.raises(StoppedError):
        depot.receive(sink=stop_at_proving, is_stopped=lambda: bool(stop))
    assert depot.roll(1).with_name("A001.incomplete").exists()
    assert depot.receive().exit_code == 0
    assert not depot.roll(1).with_name("A001.incomplete").exists()


# --- the ledger


def test_no_list_of_cards_names_a_delivery(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    depot.receive()
    with Ledger(os.fsencode(tmp_path / "home")) as ledger:
        assert standing.seen_since(ledger, 0) == ()
        assert standing.not_proven(ledger) == ()
        (run,) = offloads.started_since(ledger, 0)
        assert (run.work, run.answer) == (offloads.Work.RECEIVE, Answer.HELD)
        assert not run.state.value.startswith("stop")


def test_no_drive_is_no_reception(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path, drives=(EXT4,))
    found = depot.receive()
    assert (found.is_as_sent, found.copies, found.is_copied, found.exit_code) == (True, 1, False, 1)


def test_no_usable_drive_is_said_of_the_delivery(rack: Rack, tmp_path: Path) -> None:
    """Card words never apply to somebody else's copy, nor does the command for cards."""
    depot = Depot.make(rack, tmp_path)
    for drive in depot.drives:
        drive.pull()
    with pytest.raises(PreflightError, match="delivery could be copied to") as caught:
        depot.receive()
    said = " ".join((caught.value.what, caught.value.meaning, caught.value.remedy))
    assert "card" not in said.lower()
    assert "offload copy" not in said
    assert "--to DRIVE" in caught.value.remedy


def test_errors_say_what_to_do(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    with pytest.raises(OffloadError) as caught:
        depot.receive(depot.wish(card=b"/nowhere/at/all"))
    assert caught.value.remedy
