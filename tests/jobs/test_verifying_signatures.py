"""What is said of signatures and clearances: each state by a record brought into it for real."""

import json
import os
import subprocess
from pathlib import Path

import pytest

from offload.checksum import digest_of, digest_text
from offload.clearance.statement_json import from_bytes, to_bytes
from offload.jobs.verify_result import (
    Answer,
    ClearanceState,
    SignatureReport,
    SignatureState,
    Verification,
)
from offload.record.mhl.chain import ChainEntry, chain_bytes, read_chain
from offload.record.public_key import read_public_line
from offload.record.signers import SignerEntry, Signers
from offload.record.sshsig import sign
from tests.jobs.verify_scene import (
    POST,
    STATION,
    STRANGER,
    TRUSTED,
    Copies,
    flip,
    known,
    signature,
)

CHAIN_SIG = "ascmhl_chain.xml.sig"


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> Copies:
    return Copies.make(tmp_path_factory.mktemp("master"), {"A001C001.mov": b"take 1"})


def chain_of(copies: Copies) -> tuple[ChainEntry, ...]:
    with copies.chain.open("rb") as stream:
        return read_chain(stream).entries


def state(found: Verification, name: str = CHAIN_SIG) -> SignatureState:
    return signature(found, name).state


def second_generation(copies: Copies) -> Verification:
    found = copies.verify(append_as=("station", STATION))
    assert found.answer is Answer.AS_RECORDED and len(found.appended) == 1
    return found


def test_good_signature_names_its_signer(copies: Copies) -> None:
    report = signature(copies.verify(), CHAIN_SIG)
    assert (report.state, report.signer) == (SignatureState.GOOD, "station")
    assert report.fingerprint == STATION.public.fingerprint
    assert report.about == b"A001/ascmhl/ascmhl_chain.xml"


def test_unknown_key_vouches_for_nothing_and_contradicts_nothing(copies: Copies) -> None:
    found = copies.verify(signers=Signers())
    report = signature(found, CHAIN_SIG)
    assert report.state is SignatureState.UNKNOWN_KEY
    # The drive says whose it is; that proves nothing, and is told as its word.
    assert (report.signer, report.claimed) == ("", "station")
    assert found.answer is Answer.AS_RECORDED
    assert [each.state for each in found.clearances] == [ClearanceState.UNKNOWN_KEY]


def test_revoked_key_is_a_difference(copies: Copies) -> None:
    found = copies.verify(signers=known(("station", STATION), revoked=(STATION,)))
    assert state(found) is SignatureState.REVOKED
    assert "signature-revoked" in found.reasons
    assert [each.state for each in found.clearances] == [ClearanceState.BAD_SIGNATURE]


def test_manifest_changed_after_signing_is_told(copies: Copies) -> None:
    text = copies.manifest.read_bytes()
    copies.manifest.write_bytes(text.replace(b"<hostname>", b"<hostname>x", 1))
    found = copies.verify()
    assert state(found, ".mhl.sig") is SignatureState.CHANGED
    assert {"signature-changed", "manifest-changed"} <= set(found.reasons)


def test_manifest_and_chain_forged_together_are_told(copies: Copies) -> None:
    # Everything agrees with everything but the signatures.
    clip = copies.roll / "A001C001.mov"
    text = copies.manifest.read_bytes()
    old, new = clip.read_bytes(), b"take 9"
    for one, other in (
        (digest_text(name, digest_of(name, old)), digest_text(name, digest_of(name, new)))
        for name in ("xxh128", "c4")
    ):
        text = text.replace(one.encode(), other.encode())
    clip.write_bytes(new)
    copies.manifest.write_bytes(text)
    c4 = digest_of("c4", text)
    entry = chain_of(copies)[0]
    copies.chain.write_bytes(chain_bytes([ChainEntry(1, entry.path, c4)]))
    for path in copies.records.glob("A001.*"):
        path.unlink()
    found = copies.verify()
    assert "differs" not in found.reasons
    assert found.answer is Answer.DIFFERS
    assert state(found) is SignatureState.CHANGED


def test_signature_on_another_manifest_names_it(copies: Copies) -> None:
    second_generation(copies)
    first, second = sorted(copies.records.glob("0*.mhl.sig"))
    second.write_bytes(first.read_bytes())
    report = signature(copies.verify(), second.name)
    assert report.state is SignatureState.OTHER_MANIFEST
    assert report.fits == b"A001/ascmhl/" + os.fsencode(copies.manifest.name)


def test_chain_that_grew_after_signing_is_good_so_far(copies: Copies) -> None:
    kept = (copies.records / CHAIN_SIG).read_bytes()
    second_generation(copies)
    (copies.records / CHAIN_SIG).write_bytes(kept)
    found = copies.verify()
    report = signature(found, CHAIN_SIG)
    assert (report.state, report.generations) == (SignatureState.GREW, 1)
    assert found.answer is Answer.AS_RECORDED


def test_chain_that_leaves_one_out_is_told(copies: Copies) -> None:
    second_generation(copies)
    copies.chain.write_bytes(chain_bytes(chain_of(copies)[:1]))
    found = copies.verify()
    report = signature(found, CHAIN_SIG)
    assert report.state is SignatureState.LEAVES_OUT
    assert os.path.basename(report.fits).startswith(b"0002_")
    # Its own signature is there as well, and on something that is in no chain.
    assert SignatureState.NOTHING_SIGNED in {each.state for each in found.signatures}
    assert "signature-leaves-out" in found.reasons


def test_chain_that_leaves_the_first_out_and_renumbers_is_told(copies: Copies) -> None:
    second_generation(copies)
    entry = chain_of(copies)[1]
    copies.chain.write_bytes(chain_bytes([ChainEntry(1, entry.path, entry.c4)]))
    found = copies.verify()
    assert state(found) is SignatureState.LEAVES_OUT
    assert "chain-renumbered" in found.reasons


def test_manifest_taken_away_with_its_entry_is_told(copies: Copies) -> None:
    second_generation(copies)
    entries = chain_of(copies)
    copies.chain.write_bytes(chain_bytes(entries[:1]))
    (copies.roll / "ascmhl" / os.fsdecode(entries[1].path)).unlink()
    found = copies.verify()
    assert state(found) is SignatureState.CHANGED
    assert SignatureState.NOTHING_SIGNED in {each.state for each in found.signatures}


def test_one_signature_taken_away_is_told(copies: Copies) -> None:
    (copies.records / CHAIN_SIG).unlink()
    found = copies.verify()
    assert [each.state for each in found.signatures if not each.path] == [SignatureState.TAKEN_AWAY]
    assert found.reasons == ("signature-taken-away",)


def test_record_that_nobody_signed_is_told_and_contradicts_nothing(copies: Copies) -> None:
    for path in {*copies.records.glob("*.sig"), *copies.records.glob("clearance-*")}:
        path.unlink()
    found = copies.verify()
    assert found.answer is Answer.AS_RECORDED
    assert {each.state for each in found.signatures} == {SignatureState.ABSENT}


def test_damaged_signature_is_told(copies: Copies) -> None:
    flip(copies.records / CHAIN_SIG, 3)
    report = signature(copies.verify(), CHAIN_SIG)
    assert report.state is SignatureState.MALFORMED
    assert report.why


def test_signature_for_another_purpose_is_told(copies: Copies) -> None:
    content = sign(STATION, copies.chain.read_bytes(), namespace="file")
    (copies.records / CHAIN_SIG).write_bytes(content)
    assert state(copies.verify()) is SignatureState.WRONG_NAMESPACE


def test_signature_by_a_key_in_the_drives_own_list_is_not_believed(copies: Copies) -> None:
    # Whoever can write on the drive can write its allowed_signers too.
    content = sign(STRANGER, copies.chain.read_bytes())
    (copies.records / CHAIN_SIG).write_bytes(content)
    with (copies.records / "allowed_signers").open("a") as out:
        out.write(f"station {STRANGER.public.line()}\n")
    report = signature(copies.verify(), CHAIN_SIG)
    assert (report.state, report.claimed) == (SignatureState.UNKNOWN_KEY, "station")


def test_signature_by_ssh_keygen_is_good(copies: Copies, tmp_path: Path) -> None:
    key = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    sums = tmp_path / "delivery"
    sums.mkdir()
    (sums / "a.mov").write_bytes(b"x")
    (sums / "A.md5").write_bytes(b"9dd4e461268c8034f5c8564e155c67a6  a.mov\n")
    subprocess.run(
        ["ssh-keygen", "-q", "-Y", "sign", "-f", key, "-n", "offload-record", sums / "A.md5"],
        check=True,
    )
    public = read_public_line(key.with_suffix(".pub").read_text())[0]
    found = copies.verify(sums, signers=Signers((SignerEntry("sender", public),)))
    report: SignatureReport = signature(found, "A.md5.sig")
    assert (report.state, report.signer) == (SignatureState.GOOD, "sender")
    flip(sums / "A.md5", 0)
    assert state(copies.verify(sums), "A.md5.sig") is SignatureState.CHANGED


# --- clearances


def clearance(copies: Copies) -> Path:
    return copies.records / "clearance-0001.json"


def cleared(found: Verification) -> ClearanceState:
    (report,) = found.clearances
    return report.state


def resigned(copies: Copies, content: bytes) -> None:
    clearance(copies).write_bytes(content)
    clearance(copies).with_suffix(".json.sig").write_bytes(sign(STATION, content))


def test_clearance_alone_proves_this_copy_only(copies: Copies) -> None:
    found = copies.verify()
    assert cleared(found) is ClearanceState.PROVES_THIS_COPY
    assert found.clearances[0].drives == ("shuttle-1", "shuttle-2")


def test_clearance_without_signature_is_not_in_force(copies: Copies) -> None:
    clearance(copies).with_suffix(".json.sig").unlink()
    found = copies.verify()
    assert cleared(found) is ClearanceState.NOT_SIGNED
    assert found.reasons == ("clearance-not-signed",)


def test_clearance_changed_after_signing_is_not_in_force(copies: Copies) -> None:
    content = clearance(copies).read_bytes()
    clearance(copies).write_bytes(content.replace(b'"copies_counted": 2', b'"copies_counted": 3'))
    found = copies.verify()
    assert cleared(found) is ClearanceState.BAD_SIGNATURE


def test_clearance_of_another_record_is_not_in_force(copies: Copies) -> None:
    # A sound clearance, carried over from another card's record.
    content = to_bytes(from_bytes(clearance(copies).read_bytes()))
    resigned(copies, content.replace(b"ascmhl/0001_", b"ascmhl/0009_"))
    assert cleared(copies.verify()) is ClearanceState.MANIFEST_MISSING
    resigned(copies, changed_c4(content))
    assert cleared(copies.verify()) is ClearanceState.OTHER_MANIFEST


def changed_c4(content: bytes) -> bytes:
    """The same statement about manifests with other bytes."""
    document = json.loads(content)
    for copy in document["copies"]:
        c4 = copy["manifest"]["c4"]
        copy["manifest"]["c4"] = c4[:-1] + ("2" if c4[-1] != "2" else "3")
    text = json.dumps(document, ensure_ascii=False, indent=2, sort_keys=True) + "\n"
    return text.encode()


def test_clearance_signed_by_another_known_key_is_not_in_force(copies: Copies) -> None:
    content = clearance(copies).read_bytes()
    clearance(copies).with_suffix(".json.sig").write_bytes(sign(POST, content))
    found = copies.verify(signers=known(("station", STATION), ("post", POST)))
    assert cleared(found) is ClearanceState.OTHER_KEY


def test_clearance_about_other_content_is_not_in_force(copies: Copies) -> None:
    document = json.loads(clearance(copies).read_bytes())
    digits = document["content"]["xxh128"]
    document["content"]["xxh128"] = ("0" if digits[0] != "0" else "1") + digits[1:]
    text = json.dumps(document, ensure_ascii=False, indent=2, sort_keys=True) + "\n"
    resigned(copies, text.encode())
    assert cleared(copies.verify()) is ClearanceState.OTHER_CONTENT


def test_file_that_is_no_clearance_is_told(copies: Copies) -> None:
    resigned(copies, b'{"answer": "cleared"}\n')
    found = copies.verify()
    assert cleared(found) is ClearanceState.MALFORMED
    assert found.answer is Answer.DIFFERS


def test_clearance_beside_a_damaged_copy_does_not_count(copies: Copies) -> None:
    flip(copies.roll / "A001C001.mov")
    assert cleared(copies.verify(signers=TRUSTED)) is ClearanceState.COPY_DIFFERS
