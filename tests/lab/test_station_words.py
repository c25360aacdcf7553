"""A person's word: names, decisions, handing over. On real drives, with stock tools to check."""

import json
import subprocess
from pathlib import Path

import pytest

from tests.lab import oracle
from tests.lab.images import EXFAT, EXT4, FileSystem, Rack
from tests.lab.station import Set, Watching

pytestmark = pytest.mark.lab


def named_card(station: Set, fs: FileSystem = EXT4) -> dict[str, object]:
    """A card without a roll's name, offloaded; its verdict."""
    card = station.rack.volume(fs, name="card")
    folder = card.root / "DCIM" / "100ABCDE"
    folder.mkdir(parents=True)
    (folder / "ABCD0001.mov").write_bytes(b"moving pictures" * 9000)
    card.sync()
    to = [word for drive in station.drives for word in ("--to", str(drive.root))]
    done = station.installation.run("copy", card.root, *to, "--json")
    assert done.code == 0, done.out + done.err
    return done.result


def test_roll_gets_its_name_on_every_drive(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    said = named_card(station)
    roll = str(said["roll"])
    assert roll.startswith("unnamed-")
    done = station.installation.run(
        "name",
        str(said["code"]),
        "A007",
        "--because",
        "the slate says so",
        "--by",
        "second wrangler",
        "--json",
    )
    assert done.code == 0, done.out + done.err
    assert {copy["answer"] for copy in done.result["copies"]} == {"as-recorded"}
    for drive in station.drives:
        content = oracle.content_of(drive.root)
        assert not [path for path in content.files if roll.encode() + b"/" in path]
        (records,) = [folder for folder in drive.root.rglob("records/A007") if folder.is_dir()]
        checked = subprocess.run(
            ["sha512sum", "--quiet", "-c", records / "A007.sha512"],
            cwd=records.parent.parent,
            check=False,
            capture_output=True,
        )
        assert checked.returncode == 0, checked.stderr
        names = json.loads((records / "names-before.json").read_text())["names"]
        assert [(each["old"], each["new"], each["by"]) for each in names] == [
            (roll, "A007", "second wrangler")
        ]
        manifests = sorted((records.parent.parent / "A007" / "ascmhl").glob("*.mhl"))
        assert len(manifests) == 2 and b"the slate says so" in manifests[1].read_bytes()
    again = station.installation.run("check", rack.folder / "mounted" / "card", "--json")
    assert again.result["roll"] == "A007"


def test_card_that_was_named_is_not_copied_again(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = rack.volume(EXT4, name="card")
    folder = card.root / "DCIM" / "100ABCDE"
    folder.mkdir(parents=True)
    (folder / "ABCD0001.mov").write_bytes(b"moving pictures" * 9000)
    card.sync()
    with Watching(station.installation) as watching:
        said = watching.wait_verdict()
        run = station.installation.run
        assert run("name", said["code"], "A007", "--because", "the slate").code == 0
        (folder / "ABCD0002.mov").write_bytes(b"more of them" * 9000)
        card.remount()
        said = watching.wait_for(lambda said: said["type"] == "verdict" and not said["is_listed"])
        assert (said["verdict"], said["roll"]) == ("cleared", "A007"), watching.told()
        station.assert_copied(card)


def test_name_that_is_taken_changes_nothing(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    said = named_card(station)
    before = [oracle.content_of(drive.root) for drive in station.drives]
    for drive in station.drives[1:]:
        (copy,) = [each for each in said["copies"] if str(drive.root) in each["path"]]  # type: ignore[index, union-attr, attr-defined]
        Path(str(copy["path"])).with_name("A007").mkdir()
        (Path(str(copy["path"])).with_name("A007") / "other").write_bytes(b"x")
    done = station.installation.run("name", str(said["code"]), "A007", "--because", "slate")
    assert done.code == 2 and "already" in done.err
    assert oracle.changed(before[0], oracle.content_of(station.drives[0].root)) == []


def test_hold_about_bytes_is_settled_by_nobody(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", EXFAT)
    card.mount()
    done = station.installation.run("copy", card.root, "--to", station.drives[0].root)
    assert done.code == 1
    word = ("--by", "second wrangler", "--because", "no time")
    done = station.installation.run("settle", "A001", "too-few-copies", *word)
    assert (done.code, "nobody can decide it away" in done.err) == (2, True)


def test_handover_is_signed_and_taken(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        watching.wait_verdict()
    run = station.installation.run
    page = Path(run("handover", "--to", "second wrangler", "--json").result["page"])
    key = run("key", "--json").result["line"]
    (tmp_path / "signers").write_text(key + "\n")
    # Source: ssh-keygen(1), "-Y verify".
    asked = ("-Y", "verify", "-f", tmp_path / "signers", "-I", key.split()[0])
    checked = subprocess.run(
        ["ssh-keygen", *asked, "-n", "offload-record", "-s", f"{page}.sig"],
        input=page.read_bytes(),
        check=False,
        capture_output=True,
    )
    assert checked.returncode == 0, checked.stderr
    assert "A001" in page.read_text() and "shuttle-1" in page.read_text()
    assert run("handover", "--take", "--by", "second wrangler").code == 0
    assert run("handover", "--take", "--by", "second wrangler").code == 2
