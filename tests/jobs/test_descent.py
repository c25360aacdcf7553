"""Which copy descends from which: written beside every copy of a copy, and in the clearance.

The judge of signatures is ``ssh-keygen -Y verify`` (OpenSSH), that of the forms are
their published schemas.
"""

import hashlib
import json
import os
import random
import subprocess
from contextlib import ExitStack
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from offload.checksum import c4_id
from offload.clearance.descent import from_bytes
from offload.clearance.taken import StatementError
from offload.jobs.descent_report import DescentState
from offload.jobs.receive_result import Received
from offload.jobs.receiving import ReceiveWish, receive
from offload.jobs.tools import Tools
from offload.jobs.verify_result import Answer, Verification
from offload.jobs.verify_sentences import of_clearance, of_descent
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.jobs.wishes import DriveWish
from offload.ledger.database import Ledger
from offload.record.keys import station_key
from offload.record.signers import SignerEntry, Signers
from offload.record.sshsig import sign
from offload.values.facts import Policy
from tests.jobs.receive_scene import Depot
from tests.jobs.scene import Scene, write_card
from tests.lab.images import EXT4, Rack

pytestmark = pytest.mark.lab

_source = random.Random(41)
CLIPS = {f"CLIPS/A001C00{at}.mov": _source.randbytes(20_000 + at) for at in (1, 2)}
SCHEMAS = files("offload.clearance")


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    """A card that was cleared with two drives, and a third drive."""
    made = Scene.make(rack, tmp_path, drives=(EXT4, EXT4, EXT4))
    for volume in made.drives:
        (volume.root / "lost+found").rmdir()
    write_card(made.card, CLIPS)
    assert made.offload(made.wish(drives=made.wish().drives[:2])).verdict.is_cleared
    return made


def copy_further(scene: Scene, source: Path, *to: int) -> Received:
    """A copy of a copy, as ``offload copy FOLDER --to DRIVE`` makes it."""
    drives = tuple(DriveWish(f"shuttle-{at}", os.fsencode(scene.drives[at - 1].root)) for at in to)
    wish = scene.wish(
        card=os.fsencode(source), drives=drives, roll="", policy=Policy(copies_needed=len(to))
    )
    with ExitStack() as stack:
        ledger = stack.enter_context(Ledger(os.fsencode(scene.home)))
        tools = Tools(ledger, scene.key, scene.surroundings)
        return receive(ReceiveWish(wish, signers(scene), is_further=True), tools)


def signers(scene: Scene) -> Signers:
    return Signers((SignerEntry("station", scene.key.public),))


def roll(scene: Scene, drive: int) -> Path:
    return scene.drives[drive - 1].root / "A001"


def records(scene: Scene, drive: int) -> Path:
    return scene.drives[drive - 1].root / "records/A001"


def verified(scene: Scene, drive: int, known: Signers | None = None) -> Verification:
    return verify_folder(
        VerifyWish(os.fsencode(scene.drives[drive - 1].root)),
        VerifyTools(signers(scene) if known is None else known, scene.surroundings),
    )


def newest(roll: Path) -> tuple[str, str]:
    """Name of the newest manifest, and its C4 ID by its bytes."""
    manifest = max((roll / "ascmhl").glob("*.mhl"))
    digest = hashlib.sha512(manifest.read_bytes()).digest()
    return f"ascmhl/{manifest.name}", c4_id(digest)


def assert_signed(scene: Scene, path: Path) -> None:
    """``ssh-keygen`` calls it good, and with one more byte it does not."""
    beside = path.parent / "allowed_signers"
    identity = beside.read_text().split()[0]
    words: list[str | Path] = ["ssh-keygen", "-Y", "verify", "-f", beside, "-I", identity]
    words += ["-n", "offload-record", "-s", path.with_name(path.name + ".sig")]
    content = path.read_bytes()
    assert subprocess.run(words, input=content, capture_output=True).returncode == 0
    assert subprocess.run(words, input=content + b" ", capture_output=True).returncode != 0


def document(path: Path, schema: str) -> Any:
    found = json.loads(path.read_bytes())
    rules = json.loads(SCHEMAS.joinpath(schema).read_bytes())
    jsonschema.Draft202012Validator(rules).validate(found)
    return found


def test_copy_of_a_copy_says_what_it_descends_from(scene: Scene) -> None:
    source_manifest = newest(roll(scene, 1))
    done = copy_further(scene, roll(scene, 1), 3)
    assert done.is_done
    path = records(scene, 3) / "descent-0001.json"
    found = document(path, "descent.schema.json")
    assert (found["source"]["drive"], found["source"]["path"]) == ("shuttle-1", "A001")
    assert (found["copy"]["drive"], found["copy"]["path"]) == ("shuttle-3", "A001")
    for named, expected in (("source", source_manifest), ("copy", newest(roll(scene, 3)))):
        manifest = found[named]["manifest"]
        assert (manifest["path"], manifest["c4"]) == expected
    # The same content by the same root hashes, since nothing was damaged on the way.
    assert found["source"]["content"] == found["copy"]["content"] != {}
    assert "The copy on shuttle-3 was made from the copy on shuttle-1" in found["text"]
    assert_signed(scene, path)
    assert [each.name for each in records(scene, 1).glob("descent-*")] == []


def test_reader_of_the_copy_says_it_in_a_sentence(scene: Scene) -> None:
    assert copy_further(scene, roll(scene, 1), 3).is_done
    found = verified(scene, 3)
    assert found.answer is Answer.AS_RECORDED
    (report,) = found.descents
    assert report.state is DescentState.SIGNED
    said = of_descent(report)
    assert "the copy on shuttle-3 descends from the copy on shuttle-1: A001, ascmhl/0001_" in said
    assert verified(scene, 1).descents == ()


def test_line_of_copies_can_be_followed_back_to_the_card(scene: Scene, rack: Rack) -> None:
    assert copy_further(scene, roll(scene, 1), 3).is_done
    scene.drives.append(rack.volume(EXT4, name="shuttle-4"))
    done = copy_further(scene, roll(scene, 3), 4)
    assert done.is_done
    # Of the two statements beside it, the one about itself and not the one about its source.
    source = done.rolls[0].drives[0].descends_from
    assert source is not None and source.drive == "shuttle-3"
    line = [document(path, "descent.schema.json") for path in descents(records(scene, 4))]
    assert [each["copy"]["drive"] for each in line] == ["shuttle-3", "shuttle-4"]
    assert [each["source"]["drive"] for each in line] == ["shuttle-1", "shuttle-3"]
    # Each copy is the source of the next, by the C4 of its manifest; the first is the clearance's.
    assert line[1]["source"]["manifest"] == line[0]["copy"]["manifest"]
    clearance = document(records(scene, 4) / "clearance-0001.json", "clearance.schema.json")
    assert line[0]["source"]["manifest"] in [each["manifest"] for each in clearance["copies"]]
    assert [each.state for each in verified(scene, 4).descents] == [DescentState.SIGNED] * 2


def descents(folder: Path) -> list[Path]:
    return sorted(folder.glob("descent-*.json"))


def test_clearance_names_the_copy_that_was_not_made_from_the_card(scene: Scene) -> None:
    source_manifest = newest(roll(scene, 1))
    assert copy_further(scene, roll(scene, 1), 3).is_done
    wish = scene.wish()
    cleared = scene.offload(scene.wish(drives=(wish.drives[0], wish.drives[2])))
    assert cleared.verdict.is_cleared, cleared.verdict.holds
    # The further copy is the card's, and is proven in place; nothing is copied a second time.
    assert not (scene.drives[2].root / "A001-2").exists()
    path = max(records(scene, 3).glob("clearance-*.json"))
    found = document(path, "clearance.schema.json")
    copies = {each["drive"]: each["descends_from"] for each in found["copies"]}
    assert copies["shuttle-1"] == ""
    source = copies["shuttle-3"]
    assert (source["drive"], source["path"]) == ("shuttle-1", "A001")
    assert (source["manifest"]["path"], source["manifest"]["c4"]) == source_manifest
    assert source["content"]["xxh128"] == found["content"]["xxh128"]
    assert "The copy on shuttle-3 was made from the copy on shuttle-1" in found["text"]
    assert_signed(scene, path)
    assert path.read_bytes() == (records(scene, 1) / path.name).read_bytes()
    for drive in (1, 3):
        said = [of_clearance(each) for each in verified(scene, drive).clearances]
        assert "the copy on shuttle-3 descends from the copy on shuttle-1" in said[-1]
        assert "descends" not in said[0]


def test_copy_that_was_there_already_descends_from_nothing_new(scene: Scene) -> None:
    assert copy_further(scene, roll(scene, 1), 2, 3).is_done
    assert descents(records(scene, 2)) == []
    assert len(descents(records(scene, 3))) == 1
    assert copy_further(scene, roll(scene, 1), 3).is_done
    assert len(descents(records(scene, 3))) == 1


def test_delivery_is_named_by_its_volume(rack: Rack, tmp_path: Path) -> None:
    depot = Depot.make(rack, tmp_path)
    done = depot.receive()
    (received,) = done.rolls
    for at in (1, 2):
        path = depot.drives[at - 1].root / "records/A001/descent-0001.json"
        found = document(path, "descent.schema.json")
        assert found["source"]["path"] == "A001"
        assert found["source"]["drive"] == done.name
        assert found["copy"]["drive"] == f"shuttle-{at}"
        assert received.drives[at - 1].descends_from is not None


def changed(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b"shuttle-1", b"shuttle-9"))


def unsigned(path: Path) -> None:
    path.with_name(path.name + ".sig").unlink()


def signed_by_another(path: Path) -> None:
    """A whole statement about the copy that is there, by whoever had the drive."""
    key = station_key(os.fsencode(path.parents[2] / "stranger"))
    path.with_name(path.name + ".sig").write_bytes(sign(key, path.read_bytes()))


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-40])


@pytest.mark.parametrize(
    ("harm", "state"),
    [
        (changed, DescentState.BAD_SIGNATURE),
        (unsigned, DescentState.NOT_SIGNED),
        (signed_by_another, DescentState.OTHER_KEY),
        (cut, DescentState.MALFORMED),
    ],
)
def test_forged_descent_is_no_success(scene: Scene, harm: Any, state: DescentState) -> None:
    assert copy_further(scene, roll(scene, 1), 3).is_done
    harm(records(scene, 3) / "descent-0001.json")
    found = verified(scene, 3)
    assert found.answer is Answer.DIFFERS
    assert [each.state for each in found.descents] == [state]
    assert f"descent-{state.value}" in found.reasons
    assert "counts for nothing" in of_descent(found.descents[0])
    # Nor does a clearance name what nobody has signed.
    wish = scene.wish()
    cleared = scene.offload(scene.wish(drives=(wish.drives[0], wish.drives[2])))
    assert cleared.verdict.is_cleared
    path = max(records(scene, 3).glob("clearance-*.json"))
    copies = json.loads(path.read_bytes())["copies"]
    assert {each["drive"]: each["descends_from"] for each in copies}["shuttle-3"] == ""
    assert cleared.descends_from == {}


def test_descent_signed_for_something_else_names_nothing(scene: Scene) -> None:
    """PROTOCOL.sshsig, section 2: our own key, in the namespace of other programs' files."""
    assert copy_further(scene, roll(scene, 1), 3).is_done
    path = records(scene, 3) / "descent-0001.json"
    signature = sign(scene.key, path.read_bytes(), namespace="file")
    path.with_name(path.name + ".sig").write_bytes(signature)
    found = verified(scene, 3)
    assert [each.state for each in found.descents] == [DescentState.BAD_SIGNATURE]
    wish = scene.wish()
    cleared = scene.offload(scene.wish(drives=(wish.drives[0], wish.drives[2])))
    assert cleared.verdict.is_cleared
    path = max(records(scene, 3).glob("clearance-*.json"))
    copies = json.loads(path.read_bytes())["copies"]
    assert {each["drive"]: each["descends_from"] for each in copies}["shuttle-3"] == ""
    assert cleared.descends_from == {}


def test_descent_of_another_copy_is_told(scene: Scene) -> None:
    assert copy_further(scene, roll(scene, 1), 3).is_done
    for name in ("descent-0001.json", "descent-0001.json.sig"):
        (records(scene, 2) / name).write_bytes((records(scene, 3) / name).read_bytes())
    found = verified(scene, 2)
    assert [each.state for each in found.descents] == [DescentState.OTHER_COPY]
    assert found.answer is Answer.DIFFERS


def test_descent_by_an_unknown_key_is_named_as_such(scene: Scene) -> None:
    assert copy_further(scene, roll(scene, 1), 3).is_done
    found = verified(scene, 3, Signers())
    assert found.answer is Answer.AS_RECORDED
    assert [each.state for each in found.descents] == [DescentState.UNKNOWN_KEY]
    assert "by a key that is not known here" in of_descent(found.descents[0])


def test_signature_without_its_statement_is_taken_away(scene: Scene) -> None:
    """What a power cut between the two leaves; the next run needs the name."""
    assert copy_further(scene, roll(scene, 1), 3).is_done
    (records(scene, 3) / "descent-0001.json").unlink()
    roll(scene, 3).rename(roll(scene, 3).with_name("A001.incomplete"))
    assert copy_further(scene, roll(scene, 1), 3).is_done
    assert verified(scene, 3).answer is Answer.AS_RECORDED
    assert_signed(scene, records(scene, 3) / "descent-0001.json")


@pytest.mark.parametrize("data", [b"", b"{}", b"[]", b'{"descent": 2}', b"\xff", b"[" * 100_000])
def test_what_is_no_descent_is_refused(data: bytes) -> None:
    with pytest.raises(StatementError):
        from_bytes(data)
