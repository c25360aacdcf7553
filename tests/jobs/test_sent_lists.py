"""A sender's or recorder's own lists on a card, checked in the one reading of the copy."""

import os
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import bagit
import pytest

from offload.card.inventory import take_inventory
from offload.checksum import COMPARE
from offload.jobs.sent_lists import Sent, SentCheck, sent_differs, sent_lists
from offload.storage.root import Root
from offload.transfer.plan import Item
from offload.transfer.results import new_result
from offload.values.entries import Entries, Kind
from tests.jobs.verify_scene import Copies, flip
from tests.lab.images import EXFAT, Rack
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder
from tests.transfer.passes import Passes, Target

NOW = datetime.now(UTC)
FILES = {
    "Sound/A001S01.wav": os.urandom(300_000),
    "Sound/A001S02.wav": b"RIFF take 2",
    "Clips/A001C001.mov": b"take 1",
}


@pytest.fixture
def card(tmp_path: Path) -> Path:
    folder = tmp_path / "card"
    for name, content in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


def listed(card: Path, tool: str, *options: str, into: str) -> None:
    names = ["A001S01.wav", "A001S02.wav"]
    where = card / "Sound"
    done = subprocess.run([tool, *options, *names], cwd=where, capture_output=True, check=True)
    (where / into).write_bytes(done.stdout)


def read(card: Path, drive: Path) -> tuple[Sent, SentCheck, Entries]:
    """List, load what was sent, copy once with all that it asks for, and compare."""
    drive.mkdir(exist_ok=True)
    with Root(os.fsencode(card)) as root:
        entries = take_inventory(root, lambda path, fd: False).inventory.entries
        sent = sent_lists(root, entries, NOW)
    checksums = tuple(dict.fromkeys((COMPARE, "c4", *sent.algorithms)))
    passes = Passes.of(card, [(drive, Target("d", b""))], checksums=checksums)
    items = [
        Item(number, entry.path, entry.size_bytes, entry.mtime_ns, entry.kind is Kind.FOLDER)
        for number, entry in enumerate(entries)
        if entry.kind.is_copied
    ]
    passes.result = new_result(checksums, len(entries), passes.card, ["d"])
    try:
        result = passes.copy(items=items)
        return sent, sent_differs(sent, result.digests), entries
    finally:
        passes.close()


@pytest.mark.parametrize(
    ("tool", "options", "name", "algorithm"),
    [
        ("md5sum", [], "sound.md5", "md5"),
        ("sha256sum", [], "SHA256SUMS", "sha256"),
        ("xxhsum", ["-H64"], "sound.xxh64", "xxh64"),
    ],
)
def test_recorders_list_is_checked_in_the_copying_pass(
    card: Path, tmp_path: Path, tool: str, options: list[str], name: str, algorithm: str
) -> None:
    listed(card, tool, *options, into=name)
    sent, check, _ = read(card, tmp_path / "drive")
    assert (sent.is_any, sent.algorithms) == (True, (algorithm,))
    assert (check.good, check.differs, check.unread) == (2, (), 0)


def test_file_that_its_list_calls_another_is_a_finding(card: Path, tmp_path: Path) -> None:
    listed(card, "md5sum", into="sound.md5")
    flip(card / "Sound/A001S01.wav", 250_000)
    _, check, _ = read(card, tmp_path / "drive")
    (found,) = check.differs
    assert (found.code, found.path) == ("sent-differs", b"Sound/A001S01.wav")
    assert "Sound/sound.md5, line 1" in found.text
    assert check.good == 1


def test_card_without_any_record_asks_for_nothing(card: Path, tmp_path: Path) -> None:
    sent, check, _ = read(card, tmp_path / "drive")
    assert (sent, check) == (Sent(), SentCheck(0, (), 0))


def test_recorded_file_that_is_not_on_the_card_is_told(card: Path, tmp_path: Path) -> None:
    listed(card, "md5sum", into="sound.md5")
    (card / "Sound/A001S02.wav").unlink()
    sent, check, _ = read(card, tmp_path / "drive")
    assert [(each.code, each.path) for each in sent.missing] == [
        ("sent-missing", b"Sound/A001S02.wav")
    ]
    assert (check.good, check.differs) == (1, ())


def test_recorded_computer_file_that_is_left_out_is_not_missing(card: Path, tmp_path: Path) -> None:
    (card / "Sound/.DS_Store").write_bytes(b"x")
    (card / "Sound/sound.md5").write_bytes(b"9dd4e461268c8034f5c8564e155c67a6  .DS_Store\n")
    sent, _, _ = read(card, tmp_path / "drive")
    assert sent.missing == ()


def test_history_of_another_hand_is_checked(card: Path, tmp_path: Path) -> None:
    desk = Desk(PlainFolder(card))
    desk.hash({b"": [name.encode() for name in FILES]}, ["md5", "xxh64"])
    sent, check, _ = read(card, tmp_path / "drive")
    assert sent.algorithms == ("md5", "xxh64")
    assert (check.good, check.differs) == (len(FILES), ())
    flip(card / "Clips/A001C001.mov")
    _, check, _ = read(card, tmp_path / "drive-2")
    (found,) = check.differs
    assert "generation 1," in found.text and "by A. Person" in found.text


def test_delivery_of_many_rolls_is_checked(tmp_path: Path) -> None:
    card = tmp_path / "delivery"
    desk = Desk(PlainFolder(card))
    for roll in (b"A001", b"A002", b"A003"):
        desk.put({roll + b"/" + roll + b"C001.mov": roll})
        desk.hash({roll: [roll + b"C001.mov"]}, ["xxh64"])
    flip(card / "A002/A002C001.mov")
    _, check, _ = read(card, tmp_path / "drive")
    assert check.good == 2
    assert [each.path for each in check.differs] == [b"A002/A002C001.mov"]


def test_bag_is_checked(card: Path, tmp_path: Path) -> None:
    bagit.make_bag(str(card), checksums=["sha512"])
    sent, check, _ = read(card, tmp_path / "drive")
    assert sent.algorithms == ("sha512",)
    assert (check.good, check.differs, check.unread) == (len(FILES) + 3, (), 0)


def test_broken_record_is_told_and_stops_nothing(card: Path, tmp_path: Path) -> None:
    desk = Desk(PlainFolder(card))
    desk.hash({b"": [b"Clips/A001C001.mov"]}, ["md5"])
    manifest = next((card / "ascmhl").glob("0001_*"))
    flip(manifest, 200)
    (card / "Sound/sound.md5").write_bytes(b"not a line\n")
    sent, check, _ = read(card, tmp_path / "drive")
    assert {each.code for each in sent.faults} == {"sent-record-broken"}
    assert len(sent.faults) == 2
    assert check.differs == ()


def test_hostile_lists_lead_nowhere(card: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"x")
    (card / "l.md5").write_bytes(
        b"9dd4e461268c8034f5c8564e155c67a6  ../secret\n"
        b"9dd4e461268c8034f5c8564e155c67a6  /etc/passwd\n"
    )
    os.symlink("/etc", card / "etc.md5")
    os.mkfifo(card / "pipe.md5")
    sent, check, _ = read(card, tmp_path / "drive")
    assert not sent.is_any
    assert check == SentCheck(0, (), 0)


def test_names_shown_in_other_letters_are_checked(card: Path, tmp_path: Path) -> None:
    # Field knowledge: the same card shows other capitals on another mount.
    listed(card, "md5sum", into="sound.md5")
    for path in list((card / "Sound").glob("*.wav")):
        path.rename(path.with_name(path.name.lower()))
    sent, check, _ = read(card, tmp_path / "drive")
    assert (check.good, sent.missing) == (2, ())
    flip(card / "Sound/a001s02.wav")
    _, check, _ = read(card, tmp_path / "drive-2")
    assert [each.path for each in check.differs] == [b"Sound/a001s02.wav"]


def test_reading_what_was_sent_writes_nothing_to_the_card(card: Path, rack: Rack) -> None:
    listed(card, "md5sum", into="sound.md5")
    volume = rack.volume(EXFAT)
    shutil.copytree(card, volume.root, dirs_exist_ok=True)
    volume.remount(read_only=True)
    before = volume.image_hash()
    with Root(os.fsencode(volume.root), keep_times=True) as root:
        entries = take_inventory(root, lambda path, fd: False).inventory.entries
        sent = sent_lists(root, entries, NOW)
    assert sent.algorithms == ("md5",)
    volume.sync()
    assert volume.image_hash() == before


def test_own_copy_read_as_a_card_is_checked_by_its_record(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    # A verified copy going on to a further drive: the same command, checked as it goes.
    copies = Copies.make(tmp_path_factory.mktemp("master"), {"A001C001.mov": b"take 1"})
    sent, check, _ = read(copies.drive, tmp_path / "further")
    assert sent.algorithms == ("c4", "sha512", "xxh128")
    assert (check.good, check.differs, check.unread) == (1, (), 0)
