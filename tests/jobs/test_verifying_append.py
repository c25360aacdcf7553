"""The next generation: who adds it, what stands in it, and when nothing is added.

Source: ASC MHL 1.0, sections 5.3.2, 5.3.3, 5.6 and 6.5.1; guidelines 2.1, 2.7 and 2.8. Row by row:
``test_standard_operations.py``.
"""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from offload.errors import UsageError
from offload.jobs.verify_result import Answer, SignatureState, Verification
from offload.record.mhl.history import History, load_history
from offload.record.mhl.model import Action, Process
from offload.record.signers import Signers
from offload.record.sums import write_sums
from tests.jobs.verify_scene import CLIPS, POST, STATION, Copies, flip, known, states, told
from tests.lab.images import EXT4, Rack
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder

BOTH = known(("station", STATION), ("post", POST))
AS_POST = ("post", POST)


def history(copies: Copies) -> History:
    loaded = load_history(PlainFolder(copies.roll))
    assert loaded.faults == ()
    return loaded


def actions(copies: Copies, path: bytes, number: int) -> dict[str, Action | None]:
    known_file = history(copies).lookup(path)
    assert known_file is not None
    (record,) = [one.record for one in known_file.sightings if one.generation.number == number]
    return {each.algorithm: each.action for each in record.hashes}


def append(copies: Copies, folder: Path | None = None, **options: object) -> Verification:
    return copies.verify(folder, signers=BOTH, append_as=AS_POST, **options)


def test_second_generation_is_verified_and_signed_by_the_receiver(copies: Copies) -> None:
    found = append(copies)
    assert (found.answer, found.not_appended) == (Answer.AS_RECORDED, "")
    (added,) = found.appended
    assert (added.scope, added.number, added.verified) == (b"A001", 2, len(CLIPS))
    assert (added.failed, added.original) == (0, 0)
    assert actions(copies, b"Clips/A001C001.mov", 2) == {
        "c4": Action.VERIFIED,
        "xxh128": Action.VERIFIED,
    }
    loaded = history(copies)
    assert loaded.generations[1].head.process is Process.IN_PLACE
    # Nothing was added or lost, so the root is the same, empty folders included.
    assert loaded.newest_root == loaded.generations[0].head.root
    again = copies.verify(signers=BOTH)
    assert again.answer is Answer.AS_RECORDED
    assert {each.state for each in again.signatures} == {SignatureState.GOOD}
    signers = {each.about.rpartition(b"/")[2]: each.signer for each in again.signatures}
    assert signers[b"ascmhl_chain.xml"] == "post"
    assert signers[b"A001.sha512"] == "station"


def test_stock_ssh_keygen_accepts_what_the_receiver_signed(copies: Copies) -> None:
    append(copies)
    chain = copies.chain.read_bytes()
    command = ["ssh-keygen", "-Y", "verify", "-f", copies.records / "allowed_signers"]
    command += ["-I", "post", "-n", "offload-record"]
    command += ["-s", copies.records / "ascmhl_chain.xml.sig"]
    assert subprocess.run(command, input=chain, capture_output=True).returncode == 0
    assert subprocess.run(command, input=chain + b"x", capture_output=True).returncode != 0


def test_roll_named_alone_gets_its_generation_and_signature_beside_it(copies: Copies) -> None:
    found = append(copies, copies.roll)
    assert [each.number for each in found.appended] == [2]
    assert copies.verify(signers=BOTH).answer is Answer.AS_RECORDED


def test_damaged_file_is_recorded_as_failed_with_what_was_found(copies: Copies) -> None:
    flip(copies.roll / "Clips/A001C001.mov")
    found = append(copies)
    assert found.answer is Answer.DIFFERS
    assert (found.appended[0].failed, found.appended[0].verified) == (1, len(CLIPS) - 1)
    assert set(actions(copies, b"Clips/A001C001.mov", 2).values()) == {Action.FAILED}
    # A failed hash is never checked against: the good file verifies again.
    flip(copies.roll / "Clips/A001C001.mov")
    again = append(copies)
    assert (again.answer, again.appended[0].number) == (Answer.AS_RECORDED, 3)
    assert set(actions(copies, b"Clips/A001C001.mov", 3).values()) == {Action.VERIFIED}


def test_text_on_checking_by_hand_counts_files_added_now(copies: Copies) -> None:
    """The sender's list has not got them, and whoever checks by it must know."""
    (copies.roll / "report.txt").write_bytes(b"scene 12")
    append(copies)
    assert "1 file" in (copies.records / "check-by-hand.txt").read_text()


def test_new_file_is_original_and_missing_one_has_no_record(copies: Copies) -> None:
    (copies.roll / "report.txt").write_bytes(b"scene 12")
    (copies.roll / "Clips/A001C002.mov").unlink()
    found = append(copies)
    assert found.appended[0].original == 1
    assert set(actions(copies, b"report.txt", 2).values()) == {Action.ORIGINAL}
    loaded = history(copies)
    sightings = loaded.lookup(b"Clips/A001C002.mov")
    assert sightings is not None and len(sightings.sightings) == 1
    assert copies.verify(signers=BOTH).reasons == ("missing",)


def test_file_renamed_outside_is_recorded_with_its_earlier_path(copies: Copies) -> None:
    (copies.roll / "Clips/A001C002.mov").rename(copies.roll / "take-2.mov")
    assert told(append(copies)) == {"A001/take-2.mov": "renamed"}
    sightings = history(copies).lookup(b"take-2.mov")
    assert sightings is not None
    assert [each.record.path for each in sightings.sightings] == [
        b"Clips/A001C002.mov",
        b"take-2.mov",
    ]
    # And so it is no loss to whoever comes next, though the lists have its earlier name.
    again = copies.verify(signers=BOTH)
    assert (again.answer, again.reasons) == (Answer.AS_RECORDED, ())
    assert {each.good for each in again.coverage} == {len(CLIPS)}
    flip(copies.roll / "take-2.mov")
    assert told(copies.verify(signers=BOTH)) == {"A001/take-2.mov": "differs"}


def test_folder_renamed_outside_is_recorded_with_its_earlier_path(copies: Copies) -> None:
    """ASC MHL 1.0, sections 5.3.3 and 5.6: the folder and everything below it."""
    (copies.roll / "Clips").rename(copies.roll / "Reel")
    append(copies)
    newest = max((copies.roll / "ascmhl").glob("0002_*.mhl")).read_text()
    (folder,) = re.findall(
        r"<directoryhash>(?:(?!</directoryhash>).)*Reel</path>.*?</d", newest, re.S
    )
    assert "<previousPath>Clips</previousPath>" in folder
    assert newest.count("<previousPath>Clips/") == sum(path.startswith("Clips/") for path in CLIPS)
    again = copies.verify(signers=BOTH)
    assert (again.answer, again.reasons) == (Answer.AS_RECORDED, ())
    assert append(copies).answer is Answer.AS_RECORDED
    assert "previousPath" not in max((copies.roll / "ascmhl").glob("0003_*.mhl")).read_text()


def test_file_that_a_list_contradicts_is_never_original(copies: Copies) -> None:
    (copies.roll / "late.mov").write_bytes(b"damaged")
    with (copies.roll / "late.md5").open("wb") as out:
        write_sums(out, "md5", [(b"late.mov", bytes(16))])
    found = append(copies)
    assert told(found) == {"A001/late.mov": "differs"}
    assert history(copies).lookup(b"late.mov") is None


def test_name_shown_otherwise_is_recorded_as_before(copies: Copies) -> None:
    (copies.roll / "Clips/A001C002.mov").rename(copies.roll / "Clips/a001c002.mov")
    append(copies)
    assert set(actions(copies, b"Clips/A001C002.mov", 2).values()) == {Action.VERIFIED}
    assert history(copies).lookup(b"Clips/a001c002.mov") is None


def test_left_out_files_get_no_record_and_leave_their_folder_empty(copies: Copies) -> None:
    (copies.roll / "Empty/.DS_Store").write_bytes(b"x")
    append(copies)
    loaded = history(copies)
    assert loaded.newest_root == loaded.generations[0].head.root


def test_read_only_drive_says_that_it_cannot(master: Copies, rack: Rack) -> None:
    volume = rack.volume(EXT4)
    shutil.copytree(master.drive, volume.root, dirs_exist_ok=True)
    volume.remount(read_only=True)
    found = Copies(volume.root).verify(volume.root, signers=BOTH, append_as=AS_POST)
    assert "read-only" in found.not_appended
    assert found.reasons == ("not-appended",)
    assert found.good == len(CLIPS)


def test_broken_history_gets_no_further_generation(copies: Copies) -> None:
    flip(copies.manifest, 400)
    found = append(copies)
    assert "broken" in found.not_appended
    assert len(list((copies.roll / "ascmhl").glob("*.mhl"))) == 1


def test_history_changed_after_signing_gets_no_further_generation(copies: Copies) -> None:
    chain = copies.chain.read_bytes()
    copies.chain.write_bytes(chain.replace(b"?>\n", b"?>\n\n", 1))
    found = append(copies)
    assert "signature" in found.not_appended
    assert copies.chain.read_bytes() != chain


def test_folder_without_history_has_nothing_to_append_to(tmp_path: Path) -> None:
    (tmp_path / "a.mov").write_bytes(b"x")
    (tmp_path / "a.md5").write_bytes(b"9dd4e461268c8034f5c8564e155c67a6  a.mov\n")
    found = Copies(tmp_path).verify(tmp_path, append_as=AS_POST)
    assert "no history" in found.not_appended


def test_what_may_come_from_memory_is_not_written_down_as_verified(
    master: Copies, rack: Rack
) -> None:
    root = rack.tmpfs("memory", 64 << 20)
    shutil.copytree(master.drive, root, dirs_exist_ok=True)
    found = Copies(root).verify(root, signers=BOTH, append_as=AS_POST)
    assert "not shown to have been read" in found.not_appended


def test_full_drive_leaves_the_earlier_record_whole(master: Copies, rack: Rack) -> None:
    volume = rack.volume(EXT4)
    shutil.copytree(master.drive, volume.root, dirs_exist_ok=True)
    with (volume.root / "filler").open("wb") as out:
        try:
            while True:
                out.write(bytes(1 << 16))
                out.flush()
        except OSError:
            pass
    os.sync()
    found = Copies(volume.root).verify(volume.root, signers=BOTH, append_as=AS_POST)
    assert "would not take it" in found.not_appended
    again = Copies(volume.root).verify(volume.root, signers=BOTH)
    assert again.answer is Answer.AS_RECORDED
    assert not list(volume.root.rglob(".new-*"))


def test_day_of_rolls_gets_generations_from_the_inside_out(copies: Copies, tmp_path: Path) -> None:
    # ASC MHL 1.0, section 5.3.2: nested histories first, then those that enclose them.
    day = tmp_path / "Day12"
    day.mkdir()
    for name in ("A001", "records"):
        (copies.drive / name).rename(day / name)
    (day / "report.txt").write_bytes(b"day 12")
    desk = Desk(PlainFolder(day))
    desk.hash({b"": [b"report.txt"]}, ["xxh128", "c4"], custody=desk.custody())
    os.sync()
    found = Copies(tmp_path).verify(day, signers=BOTH, append_as=AS_POST)
    assert found.not_appended == ""
    assert [(each.scope, each.number) for each in found.appended] == [
        (b"Day12/A001", 2),
        (b"Day12", 2),
    ]
    names = {each.path.rpartition(b"/")[2][-22:] for each in found.appended}
    assert len(names) == 1
    again = Copies(tmp_path).verify(day, signers=BOTH)
    assert (again.answer, again.reasons) == (Answer.AS_RECORDED, ())


def test_history_of_another_format_is_verified_in_it(tmp_path: Path) -> None:
    # Guidelines 2.3: checked by the format that is recorded, further ones from the same reading.
    roll = tmp_path / "B001"
    desk = Desk(PlainFolder(roll))
    desk.put({b"B001C001.mov": b"take 1", b"Audio/B001S01.wav": b"sound"})
    desk.hash({b"": [b"B001C001.mov", b"Audio/B001S01.wav"]}, ["md5"])
    os.sync()
    copies = Copies(tmp_path)
    found = copies.verify(roll, signers=Signers(), append_as=AS_POST)
    assert (found.answer, states(found)) == (Answer.AS_RECORDED, {"as-recorded": 2})
    loaded = load_history(desk.folder)
    sightings = loaded.lookup(b"B001C001.mov")
    assert sightings is not None
    assert {each.algorithm: each.action for each in sightings.newest.hashes} == {
        "c4": Action.VERIFIED,
        "md5": Action.VERIFIED,
        "xxh128": Action.VERIFIED,
    }
    assert (tmp_path / "records/B001/ascmhl_chain.xml.sig").exists()
    (roll / "B001C001.mov").write_bytes(b"take 9")
    again = copies.verify(roll, signers=BOTH)
    assert told(again) == {"B001/B001C001.mov": "differs"}
    assert {each.generation for each in again.reports[0].sayings} == {1, 2}


# --- receipts


def test_receipt_is_given_for_a_whole_copy_and_compared(copies: Copies) -> None:
    (receipt,) = copies.verify(with_receipt=True).receipts
    assert len(receipt.text.split()) == 8
    found = copies.verify(copies.other, against_receipt=receipt.text.upper())
    assert found.answer is Answer.AS_RECORDED
    (comparison,) = found.comparisons
    assert (comparison.generation, comparison.is_newest) == (1, True)
    wrong = ("0" if receipt.text[0] != "0" else "1") + receipt.text[1:]
    found = copies.verify(against_receipt=wrong)
    assert found.reasons == ("receipt-differs",)
    assert found.comparisons[0].match.groups == (1,)


def test_receipt_of_a_damaged_copy_is_refused(copies: Copies) -> None:
    # The number stands in the sender's manifest: read out, it would confirm what is not there.
    flip(copies.roll / "Clips/A001C001.mov")
    (receipt,) = copies.verify(with_receipt=True).receipts
    assert receipt.text == ""
    assert "not all of its files" in receipt.why_not


def test_receipt_of_an_earlier_generation_is_told_as_such(copies: Copies) -> None:
    (before,) = copies.verify(with_receipt=True).receipts
    (copies.roll / "late.wav").write_bytes(b"late")
    append(copies)
    (now,) = copies.verify(signers=BOTH, with_receipt=True).receipts
    assert (now.generation, now.text != before.text) == (2, True)
    (comparison,) = copies.verify(signers=BOTH, against_receipt=before.text).comparisons
    assert (comparison.generation, comparison.is_newest) == (1, False)


def test_value_that_is_no_receipt_is_refused_before_anything_is_read(copies: Copies) -> None:
    with pytest.raises(UsageError):
        copies.verify(against_receipt="d211 8695")
    assert copies.events == []
