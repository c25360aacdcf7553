"""A history that the card brings goes on in its copies (ASC MHL 1.0, 5.6; guidelines 2.1)."""

import os
from pathlib import Path

import pytest

from offload.checksum import digest_of
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.record.mhl.history import History, load_history
from offload.record.mhl.model import Action
from tests.jobs.scene import Scene, codes, write_card
from tests.jobs.verify_scene import known, states, told
from tests.lab.images import EXFAT, EXT4, Rack, Volume
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder
from tests.record.validity import assert_valid_below

pytestmark = pytest.mark.lab

FILES = {f"CLIPS/A001C{at:03}.mov": os.urandom(3000 + at) for at in range(1, 6)}
PATHS = [path.encode() for path in FILES]


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    """A card whose recorder has written two generations, in a checksum that we do not use."""
    made = Scene.make(rack, tmp_path, drives=(EXT4, EXFAT))
    write_card(made.card, FILES)
    desk = Desk(PlainFolder(made.card.root))
    desk.hash({b"": PATHS}, ["md5"], patterns=("*.tmp",))
    desk.hash({b"": PATHS[:2]}, ["md5", "sha1"])
    made.card.sync()
    return made


def history_of(drive: Volume) -> History:
    history = load_history(PlainFolder(drive.root / "A001"))
    assert history.faults == ()
    return history


def manifests(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.glob("*.mhl")}


def numbers(drive: Volume) -> list[int]:
    return [one.number for one in history_of(drive).generations]


def test_copies_go_on_with_the_cards_history(scene: Scene) -> None:
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    sent = manifests(scene.card.root / "ascmhl")
    for drive in scene.drives:
        assert numbers(drive) == [1, 2, 3]
        here = manifests(drive.root / "A001" / "ascmhl")
        assert {name: here[name] for name in sent} == sent
        assert "*.tmp" in history_of(drive).generations[-1].head.ignore
        assert assert_valid_below(drive.root) == (3 + 1) + (2 + 1)
        for path, content in FILES.items():
            known = history_of(drive).lookup(path.encode())
            assert known is not None
            newest = known.sightings[-1]
            assert newest.generation.number == 3
            for found in newest.record.hashes:
                assert found.action is Action.VERIFIED
                assert found.digest == digest_of(found.algorithm, content)
            assert {"md5", "xxh128"} <= {found.algorithm for found in newest.record.hashes}


def test_every_byte_of_the_cards_history_is_recorded_too(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    for drive in scene.drives:
        for sent in (scene.card.root / "ascmhl").iterdir():
            path = Path("%61scmhl") / sent.name
            assert (drive.root / "A001" / path).read_bytes() == sent.read_bytes()
            known = history_of(drive).lookup(os.fsencode(path))
            assert known is not None
            assert known.newest.hashes[0].action is Action.ORIGINAL


def test_copy_that_goes_on_verifies(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    for drive in scene.drives:
        wish = VerifyWish(os.fsencode(drive.root / "A001"))
        result = verify_folder(wish, VerifyTools(known(("station", scene.key))))
        assert states(result)["as-recorded"] == len(FILES) + 3
        assert (told(result), result.missing) == ({}, ()), result


def test_same_command_again_writes_no_further_generation(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    again = scene.offload()
    assert again.verdict.is_cleared, codes(again)
    assert [numbers(drive) for drive in scene.drives] == [[1, 2, 3]] * 2


def test_killed_before_the_chain_goes_on_all_the_same(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    for drive in scene.drives:
        (drive.root / "A001" / "ascmhl" / "ascmhl_chain.xml").unlink()
        drive.sync()
    again = scene.offload()
    assert again.verdict.is_cleared, codes(again)
    assert [numbers(drive) for drive in scene.drives] == [[1, 2, 3]] * 2


def test_file_that_differs_begins_a_history_of_its_own(scene: Scene) -> None:
    write_card(scene.card, {"CLIPS/A001C002.mov": b"another content"})
    outcome = scene.offload()
    assert codes(outcome) == ["sent-differs"]
    assert [numbers(drive) for drive in scene.drives] == [[1], [1]]


def spoil_chain(card: Path) -> None:
    chain = card / "ascmhl" / "ascmhl_chain.xml"
    chain.write_bytes(chain.read_bytes().replace(b"<c4>c4", b"<c4>c43", 1))


def spoil_manifest(card: Path) -> None:
    manifest = min((card / "ascmhl").glob("0001_*"))
    manifest.write_bytes(manifest.read_bytes().replace(b"cart1", b"cart2"))


def lose_manifest(card: Path) -> None:
    min((card / "ascmhl").glob("0002_*")).unlink()


def lose_file(card: Path) -> None:
    (card / PATHS[0].decode()).unlink()


def bring_ignored_file(card: Path) -> None:
    (card / "CLIPS" / "cache.tmp").write_bytes(b"copied all the same")


@pytest.mark.parametrize(
    "spoil", [spoil_chain, spoil_manifest, lose_manifest, lose_file, bring_ignored_file]
)
def test_history_that_does_not_fit_is_not_gone_on_with(scene: Scene, spoil) -> None:  # type: ignore[no-untyped-def]
    spoil(scene.card.root)
    scene.card.sync()
    scene.offload()
    assert [numbers(drive) for drive in scene.drives] == [[1], [1]]
    for drive in scene.drives:
        found = manifests(drive.root / "A001" / "ascmhl")
        assert len(found) == 1


def test_name_that_a_drive_cannot_hold_begins_one_there(scene: Scene) -> None:
    write_card(scene.card, {"take: 2.txt": b"said twice"})
    assert scene.offload().verdict.is_cleared
    assert [numbers(drive) for drive in scene.drives] == [[1, 2, 3], [1]]


@pytest.mark.parametrize("top", ["", "CLIPS/"])
@pytest.mark.parametrize("odd", ["ascmhl", "ascmhl/ascmhl_chain.xml/", "ascmhl/0001_a.mhl/"])
def test_what_only_bears_the_name_of_a_history_holds_no_card(
    rack: Rack, tmp_path: Path, top: str, odd: str
) -> None:
    """A file for the folder, a folder for a file: no record could be written, for good."""
    scene = Scene.make(rack, tmp_path)
    files = {**FILES, top + odd + ("one.txt" if odd.endswith("/") else ""): b"not a history"}
    if odd.endswith("mhl/"):
        desk = Desk(PlainFolder(scene.card.root))
        write_card(scene.card, FILES)
        below = [path.removeprefix(top.encode()) for path in PATHS]
        desk.hash({top.rstrip("/").encode(): below}, ["md5"])
        (named,) = (scene.card.root / top / "ascmhl").glob("*.mhl")
        named.unlink()
        files = {**FILES, f"{top}ascmhl/{named.name}/one.txt": b"not a manifest"}
    write_card(scene.card, files)
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    for drive in scene.drives:
        assert numbers(drive) == [1]
