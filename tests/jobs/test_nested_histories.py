"""Histories that lie within a card go on in its copies, from the inside out.

Source: ASC MHL 1.0, sections 5.3.2 (nested histories first, then those that enclose them, which
refer to them), 5.6 and 6.3 (one moment in the names of all); guidelines 2.1 (the folder travels
with the files).
"""

import os
import subprocess
from pathlib import Path

import pytest

from offload.checksum import digest_of
from offload.jobs.verify_result import ClearanceState
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.record.mhl.custody import Custody, load_custody
from offload.record.mhl.model import Action
from offload.record.mhl.naming import read_manifest_name
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.jobs.verify_scene import known, told
from tests.lab.images import EXFAT, EXT4, Rack, Volume
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder
from tests.record.validity import assert_valid_below

pytestmark = pytest.mark.lab

FILES = {
    "CLIPS/A001C001.mov": os.urandom(3001),
    "CLIPS/A001C002.mov": os.urandom(3002),
    "CLIPS/PROXY/A001C001.mp4": os.urandom(900),
    "SOUND/A001T001.wav": os.urandom(2001),
    "report.txt": b"Night Ferry, day 12",
}
INNER = {
    b"CLIPS": [b"A001C001.mov", b"A001C002.mov"],
    b"CLIPS/PROXY": [b"A001C001.mp4"],
    b"SOUND": [b"A001T001.wav"],
}
AROUND = {**INNER, b"": [b"report.txt"]}
SCOPES = [b"", b"CLIPS", b"CLIPS/PROXY", b"SOUND"]


def sent(rack: Rack, tmp_path: Path, scopes: dict[bytes, list[bytes]]) -> Scene:
    """A card whose recorder has written two generations, in a checksum that we do not use."""
    made = Scene.make(rack, tmp_path, drives=(EXT4, EXFAT))
    write_card(made.card, FILES)
    desk = Desk(PlainFolder(made.card.root))
    desk.hash(scopes, ["md5"], patterns=("*.tmp",))
    desk.hash({b"CLIPS": INNER[b"CLIPS"][:1]}, ["md5", "sha1"])
    made.card.sync()
    return made


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    """With a history around them all."""
    return sent(rack, tmp_path, AROUND)


def custody_of(drive: Volume) -> Custody:
    custody = load_custody(PlainFolder(drive.root / "A001"))
    assert custody.faults == ()
    return custody


def numbers(drive: Volume) -> dict[bytes, list[int]]:
    histories = custody_of(drive).histories
    return {at: [one.number for one in each.generations] for at, each in histories.items()}


def gone_on(card: Volume) -> dict[bytes, list[int]]:
    """What the card's histories become with one generation more."""
    histories = load_custody(PlainFolder(card.root), b"", SCOPES).histories
    found = {at: [*range(1, len(each.generations) + 2)] for at, each in histories.items()}
    return {b"": [1], **found}


def assert_gone_on(scene: Scene) -> None:
    wanted = gone_on(scene.card)
    assert [numbers(drive) for drive in scene.drives] == [wanted, wanted]
    for drive in scene.drives:
        for path, content in FILES.items():
            found = custody_of(drive).lookup(path.encode())
            assert found is not None
            for each in found.newest.hashes:
                assert each.digest == digest_of(each.algorithm, content)
        assert assert_valid_below(drive.root / "A001") > len(wanted)


def verified(scene: Scene, drive: Volume):  # type: ignore[no-untyped-def]
    wish = VerifyWish(os.fsencode(drive.root / "A001"))
    return verify_folder(wish, VerifyTools(known(("station", scene.key))))


@pytest.mark.parametrize("scopes", [AROUND, INNER], ids=["with one around", "without"])
def test_nested_histories_go_on_in_the_copies(
    rack: Rack, tmp_path: Path, scopes: dict[bytes, list[bytes]]
) -> None:
    scene = sent(rack, tmp_path, scopes)
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    assert_gone_on(scene)
    for drive in scene.drives:
        custody = custody_of(drive)
        newest = {at: each.generations[-1] for at, each in custody.histories.items()}
        names = [read_manifest_name(each.name) for each in newest.values()]
        assert len({each.started_at for each in names if each is not None}) == 1
        for at, below in ((b"", [b"CLIPS", b"SOUND"]), (b"CLIPS", [b"CLIPS/PROXY"])):
            wanted = {newest[each].c4 for each in below}
            assert {each.c4 for each in newest[at].references} == wanted
        clip = custody.histories[b"CLIPS"].lookup(b"A001C001.mov")
        assert clip is not None
        assert {each.action for each in clip.newest.hashes} == {Action.VERIFIED}
        assert custody.histories[b""].lookup(b"CLIPS/A001C001.mov") is None
        assert "*.tmp" in newest[b"SOUND"].head.ignore
        # What a recorder wrote stays as it was, byte for byte, under both names.
        for path, content in tree(scene.card.root).items():
            if "ascmhl" in path:
                other = path.replace("ascmhl/", "%61scmhl/", 1)
                assert (drive.root / "A001" / other).read_bytes() == content
                is_chain = path.endswith("chain.xml")
                assert is_chain or (drive.root / "A001" / path).read_bytes() == content


@pytest.mark.parametrize("scopes", [AROUND, INNER], ids=["with one around", "without"])
def test_copy_that_goes_on_verifies_with_its_clearance(
    rack: Rack, tmp_path: Path, scopes: dict[bytes, list[bytes]]
) -> None:
    scene = sent(rack, tmp_path, scopes)
    assert scene.offload().verdict.is_cleared
    for drive in scene.drives:
        result = verified(scene, drive)
        assert (told(result), result.missing, result.reasons) == ({}, (), ())
        assert [each.state for each in result.clearances] == [ClearanceState.PROVES_THIS_COPY]


def test_damage_in_a_nested_scope_takes_the_clearance_away(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    for path in ("SOUND/A001T001.wav", "SOUND/ascmhl/ascmhl_chain.xml"):
        drive = scene.drives[0]
        spoilt = drive.root / "A001" / path
        whole = spoilt.read_bytes()
        spoilt.write_bytes(whole.replace(whole[500:501], b"?", 1))
        drive.sync()
        result = verified(scene, drive)
        assert [each.state for each in result.clearances] == [ClearanceState.COPY_DIFFERS]
        spoilt.write_bytes(whole)


def test_same_command_again_writes_no_further_generation(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    again = scene.offload()
    assert again.verdict.is_cleared, codes(again)
    assert_gone_on(scene)


def test_more_on_the_card_is_a_further_generation(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    write_card(scene.card, {"CLIPS/A001C003.mov": b"one more"})
    again = scene.offload()
    assert again.verdict.is_cleared, codes(again)
    for drive in scene.drives:
        assert numbers(drive)[b"CLIPS"] == [1, 2, 3, 4]
        clip = custody_of(drive).histories[b"CLIPS"].lookup(b"A001C003.mov")
        assert clip is not None
        assert {each.action for each in clip.newest.hashes} == {Action.ORIGINAL}


@pytest.mark.parametrize("scopes", [AROUND, INNER], ids=["with one around", "without"])
def test_killed_before_the_outer_chain_goes_on_all_the_same(
    rack: Rack, tmp_path: Path, scopes: dict[bytes, list[bytes]]
) -> None:
    scene = sent(rack, tmp_path, scopes)
    assert scene.offload().verdict.is_cleared
    for drive in scene.drives:
        roll = drive.root / "A001"
        (roll / "ascmhl" / "ascmhl_chain.xml").unlink()
        for each in (drive.root / "records/A001").glob("*"):
            if each.name != "run.json":
                each.unlink()
        roll.rename(drive.root / "A001.incomplete")
        drive.sync()
    again = scene.offload()
    assert again.verdict.is_cleared, codes(again)
    for drive in scene.drives:
        found = numbers(drive)
        assert {at: each[:-1] for at, each in found.items() if at} == {
            at: each for at, each in gone_on(scene.card).items() if at
        }
        assert verified(scene, drive).reasons == ()


def spoil_chain(card: Path) -> None:
    chain = card / "SOUND/ascmhl/ascmhl_chain.xml"
    chain.write_bytes(chain.read_bytes().replace(b"<c4>c4", b"<c4>c43", 1))


def spoil_manifest(card: Path) -> None:
    manifest = min((card / "CLIPS/ascmhl").glob("0002_*"))
    manifest.write_bytes(manifest.read_bytes().replace(b"cart1", b"cart2"))


def lose_file(card: Path) -> None:
    (card / "CLIPS/PROXY/A001C001.mp4").unlink()


def lose_history(card: Path) -> None:
    for each in (card / "SOUND/ascmhl").iterdir():
        each.unlink()


def change_file(card: Path) -> None:
    (card / "SOUND/A001T001.wav").write_bytes(os.urandom(2001))


def bring_ignored_file(card: Path) -> None:
    (card / "SOUND" / "cache.tmp").write_bytes(b"copied all the same")


def bring_folder_in_capitals(card: Path) -> None:
    (card / "SOUND" / "ASCMHL").mkdir()
    (card / "SOUND" / "ASCMHL" / "note.txt").write_bytes(b"nobody's history")


@pytest.mark.parametrize(
    "spoil",
    [
        spoil_chain,
        spoil_manifest,
        lose_file,
        lose_history,
        change_file,
        bring_ignored_file,
        bring_folder_in_capitals,
    ],
)
def test_histories_that_do_not_fit_are_not_gone_on_with(scene: Scene, spoil) -> None:  # type: ignore[no-untyped-def]
    spoil(scene.card.root)
    scene.card.sync()
    scene.offload()
    for drive in scene.drives:
        assert numbers(drive) == {b"": [1]}
        assert "ascmhl" not in os.listdir(drive.root / "A001" / "SOUND")


def test_histories_left_by_an_ended_run_are_taken_out_where_they_fit_no_more(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    for drive in scene.drives:
        roll = drive.root / "A001"
        (roll / "ascmhl" / "ascmhl_chain.xml").unlink()
        roll.rename(drive.root / "A001.incomplete")
        drive.sync()
    change_file(scene.card.root)
    scene.card.sync()
    scene.offload()
    for drive in scene.drives:
        assert numbers(drive) == {b"": [1]}
        assert "ascmhl" not in os.listdir(drive.root / "A001" / "SOUND")


def test_copy_made_by_hand_keeps_its_histories(scene: Scene) -> None:
    """Outside tool: ``cp -a`` of the card, histories and all, under the roll's name."""
    for drive in scene.drives:
        subprocess.run(["cp", "-a", scene.card.root, drive.root / "A001"], check=True)
        drive.sync()
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    assert_gone_on(scene)
