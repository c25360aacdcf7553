"""What ought to have come: a collection or packing list against what lies on the drive.

Source: ASC MHL 1.0, sections 5.5 and 8; guidelines 2.6 and 2.7.
"""

import os
from dataclasses import replace
from pathlib import Path

import pytest

from offload.cli.verify_screen import Pen
from offload.cli.verify_view import verification_lines
from offload.errors import UsageError
from offload.jobs.verify_result import Answer, SignatureState, Verification
from offload.jobs.verify_sentences import headline, of_signature
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.record.keys import key_from_seed
from offload.record.mhl.chain import chain_bytes
from offload.record.mhl.flatten import Flattening, collection_entries
from offload.record.mhl.model import Head, Process
from offload.record.mhl.write import write_manifest
from offload.record.signers import Signers
from offload.record.sshsig import sign
from tests.jobs.verify_scene import Copies, flip, known
from tests.record.histories import Desk, operation
from tests.record.plain_folder import PlainFolder

ROLLS = {
    b"A001": {b"A001C001.mov": b"take 1", b"A001C002.mov": b"take 2"},
    b"A002": {b"A002C001.mov": b"take 3"},
}


@pytest.fixture
def delivery(tmp_path: Path) -> Path:
    """Two rolls, and a collection of their packing lists that was sent apart from them."""
    folder = tmp_path / "drive"
    desk = Desk(PlainFolder(folder))
    sent = PlainFolder(tmp_path / "sent")
    manifests = []
    for roll, files in ROLLS.items():
        desk.put({roll + b"/" + path: content for path, content in files.items()})
        desk.hash({roll: list(files)}, ["xxh64"])
        name = b"packinglist_" + roll + b".mhl"
        head = Head(operation().creator, Process.FLATTEN)
        custody = desk.custody(roll)
        written = sent.write_new(
            name,
            lambda out, head=head, custody=custody: write_manifest(  # type: ignore[misc]
                out, head, Flattening(custody)
            ),
        )
        manifests.append((name, written.c4))
    sent.put(b"ascmhl_collection.xml", chain_bytes(collection_entries(manifests)))
    os.sync()
    return folder


def verify(
    delivery: Path, name: str = "ascmhl_collection.xml", signers: Signers | None = None
) -> Verification:
    expect = os.fsencode(delivery.parent / "sent" / name)
    wish = VerifyWish(os.fsencode(delivery), expect=expect)
    return verify_folder(wish, VerifyTools(signers or Signers()))


def test_everything_that_was_sent_has_arrived(delivery: Path) -> None:
    found = verify(delivery)
    assert found.answer is Answer.AS_RECORDED
    assert [(each.manifest, each.files, each.has_arrived) for each in found.arrivals] == [
        (b"packinglist_A001.mhl", 2, True),
        (b"packinglist_A002.mhl", 1, True),
    ]


def test_card_that_never_arrived_is_named(delivery: Path) -> None:
    for path in sorted((delivery / "A002").rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    found = verify(delivery)
    assert found.reasons == ("not-arrived",)
    absent = [each.manifest for each in found.arrivals if each.is_absent]
    assert absent == [b"packinglist_A002.mhl"]


def test_file_that_came_damaged_has_not_arrived(delivery: Path) -> None:
    flip(delivery / "A001/A001C002.mov")
    found = verify(delivery)
    assert found.reasons == ("differs", "not-arrived")
    assert found.arrivals[0].missing == (b"A001/A001C002.mov",)


def test_renamed_files_without_history_have_arrived(delivery: Path) -> None:
    # Known by content, wherever they lie now.
    for number, clip in enumerate(sorted(delivery.rglob("*.mov"))):
        clip.rename(delivery / f"take-{number}.mov")
    (delivery / "list.md5").write_bytes(b"9dd4e461268c8034f5c8564e155c67a6  x\n")
    (delivery / "x").write_bytes(b"x")
    found = verify(delivery)
    assert all(each.has_arrived for each in found.arrivals)


def test_single_packing_list_can_be_expected(delivery: Path) -> None:
    found = verify(delivery, "packinglist_A002.mhl")
    assert [each.has_arrived for each in found.arrivals] == [True]


def test_changed_packing_list_says_so_and_hides_no_other(delivery: Path) -> None:
    flip(delivery.parent / "sent/packinglist_A001.mhl", 60)
    found = verify(delivery)
    assert [fault.code for each in found.arrivals for fault in each.faults] == ["manifest-changed"]
    assert found.arrivals[1].has_arrived
    assert found.reasons == ("not-arrived",)


@pytest.mark.parametrize("name", ["nothing.mhl", "../drive/A001/A001C001.mov"])
def test_what_is_no_packing_list_is_wrong_usage(delivery: Path, name: str) -> None:
    with pytest.raises(UsageError):
        verify(delivery, name)


def test_collection_on_the_drive_itself_is_checked(delivery: Path) -> None:
    for path in (delivery.parent / "sent").iterdir():
        path.rename(delivery / path.name)
    assert Copies(delivery).verify(delivery).answer is Answer.AS_RECORDED
    flip(delivery / "packinglist_A001.mhl", 60)
    assert "manifest-changed" in Copies(delivery).verify(delivery).reasons


# --- who vouches for the collection, or for the one packing list

SENDER = key_from_seed(bytes(31) + b"\x0b")
KNOWN = known(("set", SENDER))


def signed(delivery: Path, name: str = "ascmhl_collection.xml") -> Path:
    """Signed, and the signature put beside it, as the sender's packing-list does."""
    path = delivery.parent / "sent" / name
    signature = path.with_name(name + ".sig")
    signature.write_bytes(sign(SENDER, path.read_bytes()))
    return path


@pytest.mark.parametrize("name", ["ascmhl_collection.xml", "packinglist_A001.mhl"])
@pytest.mark.parametrize(
    ("signers", "state", "says"),
    [
        (KNOWN, SignatureState.GOOD, "is signed by set, key SHA256:"),
        (Signers(), SignatureState.UNKNOWN_KEY, "signed by a key that is not known here"),
        (
            replace(KNOWN, revoked=frozenset({SENDER.public})),
            SignatureState.REVOKED,
            "signed by a key of set that was revoked",
        ),
    ],
)
def test_signature_of_what_is_expected_is_judged(
    delivery: Path, name: str, signers: Signers, state: SignatureState, says: str
) -> None:
    signed(delivery, name)
    found = verify(delivery, name, signers)
    (report,) = found.expected_signatures
    assert (report.state, report.about) == (state, os.fsencode(name))
    assert says in of_signature(report)
    is_revoked = state is SignatureState.REVOKED
    assert found.answer is (Answer.DIFFERS if is_revoked else Answer.AS_RECORDED)
    assert found.reasons == (("signature-revoked",) if is_revoked else ())


@pytest.mark.parametrize("name", ["ascmhl_collection.xml", "packinglist_A001.mhl"])
def test_expectation_changed_after_signing_is_no_success(delivery: Path, name: str) -> None:
    path = signed(delivery, name)
    path.write_bytes(path.read_bytes().replace(b"\n</", b"\n </", 1))
    found = verify(delivery, name, KNOWN)
    # All of it came, by the changed list; but nobody signed that list.
    assert all(each.has_arrived for each in found.arrivals)
    assert found.reasons == ("signature-changed",)
    assert found.answer.exit_code == 1
    said = "\n".join(line.text for line in verification_lines(found, Pen(None)))
    assert f"signature-changed: {name} is not what was signed" in said


def test_signature_that_is_none_is_no_success(delivery: Path) -> None:
    path = signed(delivery)
    path.with_name(path.name + ".sig").write_bytes(b"no signature")
    found = verify(delivery, signers=KNOWN)
    assert found.reasons == ("signature-malformed",)


def test_expectation_without_signature_says_that_nobody_vouches(delivery: Path) -> None:
    found = verify(delivery, signers=KNOWN)
    (report,) = found.expected_signatures
    assert report.state is SignatureState.ABSENT
    assert found.answer is Answer.AS_RECORDED
    said = "\n".join(line.text for line in verification_lines(found, Pen(None)))
    assert "ascmhl_collection.xml is not signed: nobody vouches for it" in said


def test_signed_packing_list_of_a_collection_is_judged_too(delivery: Path) -> None:
    signed(delivery)
    path = signed(delivery, "packinglist_A002.mhl")
    path.with_name(path.name + ".sig").write_bytes(sign(SENDER, b"another"))
    found = verify(delivery, signers=KNOWN)
    states = {each.about: each.state for each in found.expected_signatures}
    assert states == {
        b"ascmhl_collection.xml": SignatureState.GOOD,
        b"packinglist_A002.mhl": SignatureState.CHANGED,
    }
    assert found.answer is Answer.DIFFERS


def test_signed_expectation_vouches_for_no_record(delivery: Path) -> None:
    signed(delivery)
    found = verify(delivery, signers=KNOWN)
    assert "nobody known here has signed these" in headline(found)
