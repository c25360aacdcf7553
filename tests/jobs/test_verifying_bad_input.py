"""Histories and manifests that are broken in each of the ways that happen: told, never trusted."""

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from offload.checksum import digest_of
from offload.jobs.verify_result import Answer, Verification
from offload.record.mhl.chain import ChainEntry, chain_bytes, read_chain
from offload.record.mhl.model import Creator
from tests.jobs.verify_scene import Copies, flip, states
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder

FILES = [b"A001C001.mov", b"A001C002.mov"]


@pytest.fixture
def roll(tmp_path: Path) -> Path:
    """A roll with two generations by another hand: the second added a file."""
    desk = Desk(PlainFolder(tmp_path / "A001"))
    desk.put({path: path * 100 for path in FILES})
    desk.hash({b"": FILES[:1]}, ["xxh64"])
    desk.hash({b"": FILES}, ["xxh64", "c4"])
    os.sync()
    return tmp_path / "A001"


def verify(roll: Path) -> Verification:
    return Copies(roll.parent).verify(roll.parent)


def entries(roll: Path) -> tuple[ChainEntry, ...]:
    with (roll / "ascmhl/ascmhl_chain.xml").open("rb") as stream:
        return read_chain(stream).entries


def rechain(roll: Path, *numbers: int) -> None:
    """The chain with these generations, numbered anew and with the c4 of the files as they are."""
    chosen = []
    for number, old in enumerate(numbers, 1):
        path = entries(roll)[old - 1].path
        content = (roll / "ascmhl" / os.fsdecode(path)).read_bytes()
        chosen.append(ChainEntry(number, path, digest_of("c4", content)))
    (roll / "ascmhl/ascmhl_chain.xml").write_bytes(chain_bytes(chosen))


def second(roll: Path) -> Path:
    return next((roll / "ascmhl").glob("0002_*"))


def test_sound_history_of_two_generations_is_verified(roll: Path) -> None:
    found = verify(roll)
    assert (found.answer, found.reasons) == (Answer.AS_RECORDED, ())
    assert len(found.coverage[0].generations) == 2


def test_edited_second_generation_takes_no_part(roll: Path) -> None:
    second(roll).write_bytes(second(roll).read_bytes().replace(b"A. Person", b"B. Person"))
    found = verify(roll)
    assert found.reasons == ("manifest-changed",)
    # What only that generation spoke of is recorded by nobody that can be believed.
    assert states(found) == {"as-recorded": 1, "not-recorded": 1}


def test_deleted_second_generation_is_missed(roll: Path) -> None:
    second(roll).unlink()
    assert verify(roll).reasons == ("manifest-missing",)


def test_renumbered_history_is_told(roll: Path) -> None:
    rechain(roll, 2)
    assert verify(roll).reasons == ("chain-renumbered",)


def test_second_chain_in_one_folder_takes_no_part_and_is_told(roll: Path) -> None:
    chain = roll / "ascmhl/ascmhl_chain.xml"
    (roll / "ascmhl/ascmhl_chain (1).xml").write_bytes(chain.read_bytes())
    found = verify(roll)
    assert found.answer is Answer.AS_RECORDED
    assert "second-chain" in {each.code for each in found.notices}


def test_generation_from_the_future_is_told(tmp_path: Path) -> None:
    desk = Desk(PlainFolder(tmp_path / "A001"))
    desk.put({FILES[0]: b"x"})
    later = datetime.now(UTC) + timedelta(days=400)
    creator = Creator(later, "cart", "offload")
    desk.hash({b"": FILES[:1]}, ["xxh64"], creator=creator)
    found = verify(tmp_path / "A001")
    assert found.answer is Answer.AS_RECORDED
    assert "manifest-from-the-future" in {each.code for each in found.notices}


def test_manifest_cut_in_the_middle_takes_no_part(roll: Path) -> None:
    content = second(roll).read_bytes()
    second(roll).write_bytes(content[: len(content) // 2])
    assert verify(roll).reasons == ("manifest-changed",)


def test_chain_that_is_no_chain_is_told_and_hides_no_other_record(roll: Path) -> None:
    (roll / "ascmhl/ascmhl_chain.xml").write_bytes(b"<html>")
    (roll / "a.md5").write_bytes(digest_of("md5", FILES[0] * 100).hex().encode() + b"  x\n")
    (roll / "x").write_bytes(FILES[0] * 100)
    found = verify(roll)
    assert "chain-unreadable" in found.reasons
    assert states(found)["as-recorded"] == 1


@pytest.mark.parametrize(
    "coded",
    [
        lambda text: b"\xef\xbb\xbf" + text,
        lambda text: text.replace(b"\n", b"\r\n"),
        lambda text: text.replace(b"UTF-8", b"UTF-16", 1).decode().encode("utf-16"),
    ],
    ids=["bom", "crlf", "utf-16"],
)
def test_stand_alone_manifest_in_another_coding_is_verified(
    roll: Path, coded: object, tmp_path: Path
) -> None:
    text = coded(second(roll).read_bytes())  # type: ignore[operator]
    for path in (roll / "ascmhl").iterdir():
        path.unlink()
    (roll / "ascmhl").rmdir()
    (roll / "A001.mhl").write_bytes(text)
    found = verify(roll)
    assert (found.answer, states(found)) == (Answer.AS_RECORDED, {"as-recorded": 2})
    flip(roll / os.fsdecode(FILES[1]))
    assert verify(roll).reasons == ("differs",)


def test_entity_bomb_is_refused_with_its_place(roll: Path) -> None:
    bomb = b'<!DOCTYPE a [<!ENTITY b "x"><!ENTITY c "' + b"&b;" * 1000 + b'">]>'
    text = second(roll).read_bytes()
    (roll / "bomb.mhl").write_bytes(text.replace(b"?>", b"?>" + bomb, 1))
    found = verify(roll)
    assert "record-unreadable" in found.reasons
    assert states(found)["as-recorded"] == 2


def test_paths_that_lead_out_are_refused(roll: Path) -> None:
    text = second(roll).read_bytes().replace(b">A001C002.mov<", b">../../etc/passwd<")
    (roll / "out.mhl").write_bytes(text)
    found = verify(roll)
    assert "record-unreadable" in found.reasons
    assert states(found) == {"as-recorded": 2}


def test_history_of_ten_thousand_generations_is_followed_to_its_first(tmp_path: Path) -> None:
    roll = tmp_path / "A001"
    desk = Desk(PlainFolder(roll))
    desk.put({FILES[0]: b"take 1"})
    desk.hash({b"": FILES[:1]}, ["xxh64"])
    (first,) = entries(roll)
    text = (roll / "ascmhl" / os.fsdecode(first.path)).read_bytes()
    verified = text.replace(b"original", b"verified")
    c4 = digest_of("c4", verified)
    chain = [first]
    for number in range(2, 10_001):
        # After 9999 the number has five digits (ASC MHL 1.0, section 6.3).
        name = b"%04d%s" % (number, first.path[4:])
        (roll / "ascmhl" / os.fsdecode(name)).write_bytes(verified)
        chain.append(ChainEntry(number, name, c4))
    (roll / "ascmhl/ascmhl_chain.xml").write_bytes(chain_bytes(chain))
    flip(roll / os.fsdecode(FILES[0]))
    found = verify(roll)
    assert (found.reasons, len(found.coverage[0].generations)) == (("differs",), 10_000)
    assert found.reports[0].sayings[0].generation == 1
