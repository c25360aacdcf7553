"""Packing lists sent apart from the media, and the whole way of a roll from hand to hand.

Source: ASC MHL 1.0, sections 5.5, 5.6 and 5.6.7. Outside sources: the standard's schemas
(libxml2), ``ssh-keygen -Y verify``.
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from offload.checksum import c4_id, digest_of
from offload.errors import RecordError, UsageError
from offload.jobs.packing import Packed, PackWish, pack
from offload.jobs.verify_result import Answer, Verification
from offload.jobs.verifying import Appending, VerifyTools
from offload.record.mhl.model import Action
from offload.record.mhl.read import ManifestReader
from tests.jobs.verify_scene import CLIPS, POST, STATION, TRUSTED, Copies, flip, known
from tests.lab.opened import opened_below
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder
from tests.record.validity import assert_valid_below

BOTH = known(("station", STATION), ("post", POST))


def packed(*folders: Path, to: Path) -> Packed:
    wish = PackWish(
        tuple(os.fsencode(each) for each in folders),
        os.fsencode(to),
        Appending(POST, "post", ("xxh128",)),
    )
    return pack(wish, VerifyTools(TRUSTED))


def expected(folder: Path, lists: Path) -> Verification:
    expect = os.fsencode(lists / "ascmhl_collection.xml")
    return Copies(folder).verify(folder, expect=expect)


def listed(manifest: bytes) -> dict[str, set[tuple[str, Action | None]]]:
    with open(manifest, "rb") as stream:
        return {
            os.fsdecode(record.path): {(each.algorithm, each.action) for each in record.hashes}
            for record in ManifestReader(stream)
        }


def test_packing_list_names_every_file_and_is_signed(copies: Copies, tmp_path: Path) -> None:
    found = packed(copies.drive, to=tmp_path / "sent")
    assert [(each.files, each.left_out) for each in found.lists] == [(len(CLIPS), ())]
    assert listed(found.lists[0].manifest).keys() == CLIPS.keys()
    assert assert_valid_below(tmp_path / "sent") == 2
    command = ["ssh-keygen", "-Y", "verify", "-f", "allowed_signers", "-I", "post"]
    command += ["-n", "offload-record", "-s", "ascmhl_collection.xml.sig"]
    with (tmp_path / "sent/ascmhl_collection.xml").open("rb") as collection:
        subprocess.run(command, cwd=tmp_path / "sent", stdin=collection, check=True)


def test_nothing_is_read_or_added(copies: Copies, tmp_path: Path) -> None:
    """Section 5.6.7: flattening hashes no file and appends nothing to the history."""

    def everything() -> dict[Path, tuple[int, int, int]]:
        found = {path: path.stat() for path in copies.drive.rglob("*") if path.is_file()}
        return {path: (s.st_ino, s.st_size, s.st_mtime_ns) for path, s in found.items()}

    before = everything()
    with opened_below(copies.roll / "Clips") as opened:
        packed(copies.drive, to=tmp_path / "sent")
    assert opened == []
    assert everything() == before


def test_card_that_never_came_is_missed(copies: Copies, tmp_path: Path) -> None:
    desk = Desk(PlainFolder(tmp_path / "A002"))
    desk.put({b"A002C001.mov": b"take 9"})
    desk.hash({b"": [b"A002C001.mov"]}, ["xxh64"])
    os.sync()
    packed(copies.drive, tmp_path / "A002", to=tmp_path / "sent")
    found = expected(copies.drive, tmp_path / "sent")
    assert [each.is_absent for each in found.arrivals] == [False, True]
    assert found.answer is not Answer.AS_RECORDED


def test_nested_histories_are_one_list(tmp_path: Path) -> None:
    desk = Desk(PlainFolder(tmp_path / "Day12"))
    desk.put({b"A001/a.mov": b"1", b"report.txt": b"2"})
    desk.hash({b"": [b"report.txt"], b"A001": [b"a.mov"]}, ["xxh64"])
    os.sync()
    found = packed(tmp_path / "Day12", to=tmp_path / "sent")
    assert listed(found.lists[0].manifest).keys() == {"A001/a.mov", "report.txt"}


def test_failed_checksums_are_left_out_and_told(tmp_path: Path) -> None:
    folder = PlainFolder(tmp_path / "A001")
    desk = Desk(folder)
    desk.put({b"a": b"1", b"b": b"2"})
    desk.hash({b"": [b"a", b"b"]}, ["xxh64"])
    chain = folder.content(b"ascmhl/ascmhl_chain.xml")
    manifest = next((tmp_path / "A001/ascmhl").glob("*.mhl"))
    text = manifest.read_text().replace('action="original"', 'action="failed"', 1)
    manifest.write_text(text)
    old = chain.split(b"<c4>")[1].split(b"</c4>")[0]
    now = c4_id(digest_of("c4", manifest.read_bytes())).encode()
    folder.replace(b"ascmhl/ascmhl_chain.xml", chain.replace(old, now))
    os.sync()
    found = packed(tmp_path / "A001", to=tmp_path / "sent")
    assert (found.exit_code, found.lists[0].left_out, found.lists[0].files) == (1, (b"a",), 1)


def edited(copies: Copies) -> None:
    copies.manifest.write_bytes(copies.manifest.read_bytes().replace(b"A001C001", b"A001C009"))


def signed_otherwise(copies: Copies) -> None:
    chain = copies.roll / "ascmhl/ascmhl_chain.xml"
    chain.write_bytes(chain.read_bytes() + b"\n")


def unfinished(copies: Copies) -> None:
    copies.roll.rename(copies.roll.with_name("A001.incomplete"))


@pytest.mark.parametrize("spoil", [edited, signed_otherwise, unfinished])
def test_unsound_record_gets_no_list(copies: Copies, tmp_path: Path, spoil) -> None:  # type: ignore[no-untyped-def]
    spoil(copies)
    os.sync()
    with pytest.raises(RecordError) as raised:
        packed(copies.drive, to=tmp_path / "sent")
    assert raised.value.remedy == f"offload verify {copies.drive}"
    assert not (tmp_path / "sent").exists()


def test_what_cannot_take_the_lists_is_wrong_usage(copies: Copies, tmp_path: Path) -> None:
    packed(copies.drive, to=tmp_path / "sent")
    before = (tmp_path / "sent/ascmhl_collection.xml").read_bytes()
    for to in (tmp_path / "sent", copies.roll / "Clips", tmp_path / "no/such/folder"):
        with pytest.raises(UsageError):
            packed(copies.drive, to=to)
    with pytest.raises(UsageError, match="no history"):
        packed(tmp_path / "sent", to=tmp_path / "other")
    assert (tmp_path / "sent/ascmhl_collection.xml").read_bytes() == before


def test_round_trip_from_hand_to_hand(copies: Copies, tmp_path: Path) -> None:
    """Write, append by a second key, rename, flatten, collect, verify: all of it valid."""
    drive = copies.drive
    assert copies.verify(signers=BOTH, append_as=("post", POST)).answer is Answer.AS_RECORDED
    clips = copies.roll / "Clips"
    (clips / "A001C001.mov").rename(clips / "A001C001_best.mov")
    os.sync()
    renamed = copies.verify(signers=BOTH, append_as=("post", POST))
    assert [each.number for each in renamed.appended] == [3]
    found = packed(drive, to=tmp_path / "sent")
    names = listed(found.lists[0].manifest)
    assert "Clips/A001C001_best.mov" in names
    assert "Clips/A001C001.mov" not in names
    assert all(action is Action.ORIGINAL for action in dict(names["empty.txt"]).values())
    assert assert_valid_below(drive, tmp_path / "sent") == 3 + 1 + 2
    away = tmp_path / "away"
    shutil.copytree(drive, away)
    os.sync()
    arrived = expected(away, tmp_path / "sent")
    assert (arrived.answer, [each.has_arrived for each in arrived.arrivals]) == (
        Answer.AS_RECORDED,
        [True],
    )
    flip(away / "A001/Clips/A001C001_best.mov")
    spoilt = expected(away, tmp_path / "sent")
    assert [each.has_arrived for each in spoilt.arrivals] == [False]
