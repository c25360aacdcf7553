"""What an offload leaves on a drive, checked by the tools that a receiver has, and none of ours.

Reference tools: ``xxhsum -c`` (xxHash), ``sha512sum -c`` and its sisters (GNU coreutils),
``ssh-keygen -Y verify`` (OpenSSH), an XML Schema validator (libxml2) with the schemas of ASC MHL
2.0, a JSON Schema validator (draft 2020-12). Each accepts what we write and rejects it after one
flipped bit.
"""

import json
import os
import re
import shutil
import subprocess
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from random import Random

import pytest
from jsonschema import Draft202012Validator
from lxml import etree

from offload.values.facts import Policy
from tests.jobs.scene import Scene
from tests.lab.cards import FOLDER, Item, write_roll, write_tree
from tests.lab.images import EXT4, Rack

pytestmark = pytest.mark.lab

SCHEMAS = Path(__file__).parent.parent / "record" / "schemas"
CHECKSUMS = ("xxh128", "c4", "xxh3", "xxh64", "md5", "sha1", "sha256")
# Names that lists and markup elsewhere have tripped over (field experience).
NAMES = (
    b" lead.mov",
    b"-n.mov",
    b"C\\D.mov",
    b"A\nB.mov",
    b"E\rF.mov",
    b"[bold]x[/bold] & <script>.mov",
    "Z\u00fcrich.mov".encode(),
    "Zu\u0308rich.mov".encode(),
    b"not-utf8-\xff.mov",
    b"x" * 251 + b".mov",
)
_FLIPS = 6


@dataclass
class Handover:
    """One drive with a finished copy, as somebody receives it.

    Attributes:
        top: the folder that holds the roll and the records.
        identity: who signed.
    """

    top: Path

    @property
    def records(self) -> Path:
        return self.top / "records" / "A001"

    @property
    def roll(self) -> Path:
        return self.top / "A001"

    def signed(self) -> dict[Path, Path]:
        """Every signed file and its signature."""
        found = {}
        for signature in sorted(self.records.glob("*.sig")):
            name = signature.name.removesuffix(".sig")
            beside = self.records / name
            found[beside if beside.exists() else self.roll / "ascmhl" / name] = signature
        return found


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole offload, copied off its drive for good: the tests change copies of it."""
    folder = tmp_path_factory.mktemp("outside")
    (folder / "rack").mkdir()
    rack = Rack(folder / "rack")
    try:
        scene = Scene.make(rack, folder, drives=(EXT4, EXT4))
        write_roll(scene.card.root, clip_count=2)
        odd = [Item(b"ODD/" + name, content=b"clip " + name) for name in NAMES]
        write_tree(scene.card.root, (*odd, Item(b"NOTHING", FOLDER), Item(b"EMPTY.BIN")))
        scene.card.sync()
        outcome = scene.offload(replace(scene.wish(checksums=CHECKSUMS), policy=Policy()))
        assert outcome.verdict.is_cleared
        shutil.copytree(scene.drives[0].root, folder / "handed-over", symlinks=True)
    finally:
        rack.close()
    return folder / "handed-over"


@pytest.fixture
def handover(original: Path, tmp_path: Path) -> Handover:
    shutil.copytree(original, tmp_path / "drive", symlinks=True)
    return Handover(tmp_path / "drive")


def flip(path: Path, seed: int, *, within: tuple[int, int] | None = None) -> None:
    """Flip one bit of a file, somewhere within a stretch of it."""
    source = Random(seed)
    content = bytearray(path.read_bytes())
    start, end = within or (0, len(content))
    content[source.randrange(start, end)] ^= 1 << source.randrange(8)
    path.write_bytes(content)


# --- checksum lists

TOOLS = {
    "xxh128": "xxhsum",
    "xxh3": "xxhsum",
    "xxh64": "xxhsum",
    "sha512": "sha512sum",
    "sha256": "sha256sum",
    "sha1": "sha1sum",
    "md5": "md5sum",
}


def checks(handover: Handover, suffix: str) -> subprocess.CompletedProcess[bytes]:
    """Check a list from the folder that holds the roll, as its documentation says."""
    sums = handover.records / f"A001.{suffix}"
    tool = TOOLS[suffix]
    return subprocess.run(
        [tool, "-c", os.fspath(sums)], cwd=handover.top, capture_output=True, check=False
    )


@pytest.mark.parametrize("suffix", TOOLS)
def test_stock_tool_accepts_the_list(handover: Handover, suffix: str) -> None:
    done = checks(handover, suffix)
    assert done.returncode == 0, done.stdout + done.stderr
    # Every file of the card is named in it, but for names that this tool's lists cannot hold.
    lines = (handover.records / f"A001.{suffix}").read_bytes().count(b"\n")
    total = sum(1 for path in handover.roll.rglob("*") if path.is_file()) - 2  # manifest, chain
    cannot = 1 if TOOLS[suffix] == "xxhsum" else 0  # a newline: this tool has no escape for it
    assert lines == total - cannot
    assert done.stdout.count(b"OK") == lines


@pytest.mark.parametrize("suffix", ["xxh128", "sha512"])
@pytest.mark.parametrize("seed", range(_FLIPS))
def test_stock_tool_rejects_one_flipped_bit_of_a_file(
    handover: Handover, suffix: str, seed: int
) -> None:
    clip = sorted(handover.roll.rglob("*.mov"))[seed % 2 * 3]
    flip(clip, seed)
    assert checks(handover, suffix).returncode != 0


@pytest.mark.parametrize("suffix", ["xxh128", "sha512"])
@pytest.mark.parametrize("seed", range(_FLIPS))
def test_stock_tool_rejects_one_flipped_bit_of_a_digest(
    handover: Handover, suffix: str, seed: int
) -> None:
    path = handover.records / f"A001.{suffix}"
    places = [
        found.span() for found in re.finditer(rb"(?m)^\\?[0-9a-f]{32,128}", path.read_bytes())
    ]
    _, end = Random(seed).choice(places)
    content = bytearray(path.read_bytes())
    at = Random(seed).randrange(end - 16, end)
    # A bit that leaves a digit a digit: 0<->1, a<->c and so on; letter case means nothing here.
    content[at] = ord({"0": "1", "9": "8", "a": "c", "f": "d"}.get(chr(content[at]), "0"))
    if bytes(content) == path.read_bytes():
        content[at] ^= 1
    path.write_bytes(content)
    assert checks(handover, suffix).returncode != 0


# --- signatures

NAMESPACE = "offload-record"


def verifies(handover: Handover, signed: Path, signature: Path, identity: str = "station") -> bool:
    """What ``ssh-keygen -Y verify`` says, with the signers' file that lies beside."""
    signers = handover.records / "allowed_signers"
    words = f"-n {NAMESPACE} -I {identity} -f {signers} -s {signature}".split()
    command = ["ssh-keygen", "-Y", "verify", *words]
    with signed.open("rb") as content:
        done = subprocess.run(command, stdin=content, capture_output=True, check=False)
    return done.returncode == 0


def test_every_signature_is_good(handover: Handover) -> None:
    signed = handover.signed()
    names = {path.name for path in signed}
    wanted = {"ascmhl_chain.xml", "clearance-0001.json", "A001.xxh128", "A001.sha512"}
    assert wanted <= names
    assert any(name.endswith(".mhl") for name in names)
    for path, signature in signed.items():
        assert verifies(handover, path, signature), path
        assert not verifies(handover, path, signature, "somebody-else"), path


@pytest.mark.parametrize("seed", range(_FLIPS))
def test_no_signature_outlives_a_flipped_bit_of_what_it_signs(
    handover: Handover, seed: int
) -> None:
    for path, signature in handover.signed().items():
        flip(path, seed)
        assert not verifies(handover, path, signature), path


@pytest.mark.parametrize("seed", range(_FLIPS))
def test_no_signature_outlives_a_flipped_bit_of_its_own(handover: Handover, seed: int) -> None:
    for path, signature in handover.signed().items():
        content = signature.read_bytes()
        start = content.index(b"\n") + 1
        # Base64 has bits that mean nothing at its very end only; they are left out.
        flip(signature, seed, within=(start, content.index(b"\n-----END") - 4))
        assert not verifies(handover, path, signature), path


def test_signature_of_another_file_is_no_good(handover: Handover) -> None:
    signed = handover.signed()
    chain = handover.roll / "ascmhl" / "ascmhl_chain.xml"
    for path, signature in signed.items():
        if path != chain:
            assert not verifies(handover, chain, signature)


# --- forms


def schema(name: str) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(SCHEMAS / name))


def test_manifest_and_chain_are_valid_under_the_standards_schemas(handover: Handover) -> None:
    folder = handover.roll / "ascmhl"
    (manifest,) = folder.glob("*.mhl")
    chain = etree.parse(folder / "ascmhl_chain.xml")
    schema("asc-mhl-chain.xsd").assertValid(chain)
    document = etree.parse(manifest)
    for name in ("asc-mhl.xsd", "asc-mhl-printed.xsd"):
        schema(name).assertValid(document)
    paths = document.getroot().findall(".//{urn:ASC:MHL:v2.0}hash/{urn:ASC:MHL:v2.0}path")
    total = sum(1 for path in handover.roll.rglob("*") if path.is_file()) - 2
    assert len(paths) == total


def test_standards_folder_holds_nothing_but_manifests_and_chain(handover: Handover) -> None:
    names = sorted(path.name for path in (handover.roll / "ascmhl").iterdir())
    assert len(names) == 2
    assert names[1] == "ascmhl_chain.xml"
    assert re.fullmatch(r"0001_A001_\d{4}-\d{2}-\d{2}_\d{6}Z\.mhl", names[0])


def test_clearance_is_valid_under_its_documented_schema(handover: Handover) -> None:
    rules = json.loads(files("offload.clearance").joinpath("clearance.schema.json").read_bytes())
    validator = Draft202012Validator(rules)
    content = (handover.records / "clearance-0001.json").read_bytes()
    statement = json.loads(content)
    validator.validate(statement)
    assert content.endswith(b"\n")
    assert statement["answer"] == "cleared"
    broken = {**statement, "answer": "held"}
    assert not validator.is_valid(broken)
    for key in ("copies", "inventory", "key", "text", "code"):
        assert not validator.is_valid({k: v for k, v in statement.items() if k != key}), key


def test_clearance_names_the_manifest_that_lies_there(handover: Handover) -> None:
    """C4 ID by its definition (SMPTE ST 2114): SHA-512 in base 58, by hand."""
    statement = json.loads((handover.records / "clearance-0001.json").read_bytes())
    for copy in statement["copies"]:
        manifest = handover.top / copy["path"] / copy["manifest"]["path"]
        done = subprocess.run(["sha512sum", "--", manifest], capture_output=True, check=True)
        assert copy["manifest"]["c4"] == c4_of(bytes.fromhex(done.stdout[:128].decode()))


def c4_of(digest: bytes) -> str:
    letters = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
    number, text = int.from_bytes(digest, "big"), ""
    while number:
        number, rest = divmod(number, 58)
        text = letters[rest] + text
    return "c4" + text.rjust(88, "1")
