"""SSHSIG: the vectors of OpenSSH's form, and the real ``ssh-keygen`` in both directions."""

import base64
import hashlib
import io
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.record.keys import key_from_seed, load_key
from offload.record.public_key import PublicKey, read_public_line
from offload.record.signature import Standing, judge
from offload.record.signers import Signers, read_signers, signer_line
from offload.record.sshsig import (
    NAMESPACE,
    SignatureFormError,
    armored,
    read_signature,
    sign,
)
from offload.record.wire import string

# RFC 8032, section 7.1, test 1.
SEED = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
LINE = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAINdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea"
MESSAGE = b"card A001 verified\n"
NOW = datetime(2026, 11, 24, tzinfo=UTC)

# Made by ssh-keygen 9.2 with that key, namespace "file".
SHA512 = b"""-----BEGIN SSH SIGNATURE-----
U1NIU0lHAAAAAQAAADMAAAALc3NoLWVkMjU1MTkAAAAg11qYAYKxCrfVS/7TyWQHOg7hcv
PapiMlrwIaaPcHURoAAAAEZmlsZQAAAAAAAAAGc2hhNTEyAAAAUwAAAAtzc2gtZWQyNTUx
OQAAAEBUbFKsCUaTlFyJWOJwrpgI6i4EsT4XiL7IkUKVmyFwATkS8BVCV6HzFEZ13vsx1Y
cOVMyihOGGZKuVKIfhqEoG
-----END SSH SIGNATURE-----
"""
SHA256 = b"""-----BEGIN SSH SIGNATURE-----
U1NIU0lHAAAAAQAAADMAAAALc3NoLWVkMjU1MTkAAAAg11qYAYKxCrfVS/7TyWQHOg7hcv
PapiMlrwIaaPcHURoAAAAEZmlsZQAAAAAAAAAGc2hhMjU2AAAAUwAAAAtzc2gtZWQyNTUx
OQAAAECp9k8ElvGfFzCrNjE+UKtDswu4kupre/PbH2MDfkBC/6ZbbA6Ny6/T++GNtemRyX
lo2oI5HFFAJ4ovjWMm1/wK
-----END SSH SIGNATURE-----
"""


def blob_of(signature: bytes) -> bytes:
    return base64.b64decode(b"".join(signature.split(b"\n")[1:-2]))


BLOB = blob_of(SHA512)
KEY = key_from_seed(SEED)


def known(name: str = "dit@example.org") -> Signers:
    return read_signers(f"{name} {LINE}\n".encode())


def test_key_of_published_seed_has_published_line_and_fingerprint() -> None:
    assert KEY.public.line() == LINE
    assert KEY.public.fingerprint == "SHA256:bbXpuKG6zhzdmnxq256TlqzFBzRl2f6OOg722cYNbU8"
    assert len(KEY.public.blob) == 51


# RFC 8032, section 7.1, tests 1 to 3.
@pytest.mark.parametrize(
    ("seed", "public", "message", "signature"),
    [
        (
            SEED.hex(),
            "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            "",
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e3970"
            "1cf9b46bd25bf5f0595bbe24655141438e7a100b",
        ),
        (
            "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
            "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
            "72",
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613"
            "d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
        ),
        (
            "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
            "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
            "af82",
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760"
            "984dc6594a7c15e9716ed28dc027beceea1ec40a",
        ),
    ],
    ids=["empty", "one-byte", "two-bytes"],
)
def test_ed25519_published_vectors(seed: str, public: str, message: str, signature: str) -> None:
    key = key_from_seed(bytes.fromhex(seed))
    assert key.public.blob == string(b"ssh-ed25519") + string(bytes.fromhex(public))
    blob = string(b"ssh-ed25519") + string(bytes.fromhex(signature))
    assert len(blob) == 83
    assert key.sign(bytes.fromhex(message)) == blob
    assert key.public.has_signed(blob, bytes.fromhex(message))


def test_sign_makes_the_bytes_of_ssh_keygen() -> None:
    assert sign(KEY, MESSAGE, namespace="file") == SHA512
    assert sign(KEY, io.BytesIO(MESSAGE), namespace="file") == SHA512
    assert len(BLOB) == 174
    digest = "9fa8761c7313153bb33a1982a8aac5be4682dfc6d850b62f13a437b929e8edec"
    assert hashlib.sha256(BLOB).hexdigest() == digest


def test_what_is_signed_is_the_wrapper_and_not_the_message() -> None:
    # OpenSSH PROTOCOL.sshsig, section 3.
    signed = bytes.fromhex(
        "5353485349470000000466696c6500000000000000067368613531320000004083646da560ac269f625fe1fef960"
        "7cb522f131f2cc59d787b568195de3c386f9e1948ae01076ea1e3a139ec96a87f55e0d744b8f21a3c608854ff500"
        "1b6bfb55"
    )
    signature = read_signature(SHA512)
    assert KEY.public.has_signed(signature.blob, signed)
    bare = armored(BLOB[: -len(signature.blob)] + KEY.sign(MESSAGE))
    assert judge(MESSAGE, bare, known(), at=NOW, namespace="file").standing is Standing.BAD


@pytest.mark.parametrize("signature", [SHA512, SHA256], ids=["sha512", "sha256"])
def test_signature_of_ssh_keygen_is_good(signature: bytes) -> None:
    judged = judge(MESSAGE, signature, known(), at=NOW, namespace="file")
    assert (judged.standing, judged.signer) == (Standing.GOOD, "dit@example.org")
    assert judged.key == KEY.public


def wrapped(width: int, end: bytes = b"\n") -> bytes:
    text = base64.b64encode(BLOB)
    lines = [text[at : at + width] for at in range(0, len(text), width)]
    return (
        b"\n".join([b"-----BEGIN SSH SIGNATURE-----", *lines, b"-----END SSH SIGNATURE-----"]) + end
    )


def with_fields(
    version: int = 1, reserved: bytes = b"", name: bytes = b"sha512", after: bytes = b""
) -> bytes:
    """A signature whose fields are as told, really signed over them."""
    digest = hashlib.new(name.decode() if name != b"sha384" else "sha384", MESSAGE).digest()
    signed = b"SSHSIG" + b"".join(map(string, (b"file", reserved, name, digest)))
    return armored(
        b"SSHSIG"
        + version.to_bytes(4, "big")
        + b"".join(map(string, (KEY.public.blob, b"file", reserved, name, KEY.sign(signed))))
        + after
    )


# The form's table: what ssh-keygen 9.2 says, and what we say; we are the stricter.
FORMS = [
    ("lines-of-64", wrapped(64), True, Standing.GOOD),
    ("lines-of-76", wrapped(76), True, Standing.GOOD),
    ("one-line", wrapped(1000), True, Standing.GOOD),
    ("no-final-newline", wrapped(70, b""), True, Standing.GOOD),
    ("crlf", SHA512.replace(b"\n", b"\r\n"), False, Standing.MALFORMED),
    ("blank-line-first", b"\n" + SHA512, False, Standing.MALFORMED),
    ("text-first", b"hello\n" + SHA512, False, Standing.MALFORMED),
    ("trailing-blanks", SHA512.replace(b"\n", b" \n"), False, Standing.MALFORMED),
    ("text-after", SHA512 + b"hello\n", True, Standing.MALFORMED),
    ("second-after", SHA512 + SHA512, True, Standing.MALFORMED),
    ("version-2", with_fields(version=2), False, Standing.MALFORMED),
    ("version-0", with_fields(version=0), True, Standing.MALFORMED),
    ("reserved-signed-over", with_fields(reserved=b"x"), False, Standing.MALFORMED),
    ("sha256", with_fields(name=b"sha256"), True, Standing.GOOD),
    ("sha384", with_fields(name=b"sha384"), False, Standing.MALFORMED),
    ("bytes-after-the-blob", with_fields(after=b"\0"), False, Standing.MALFORMED),
    (
        "one-bit-of-the-signature",
        armored(BLOB[:-1] + bytes([BLOB[-1] ^ 1])),
        False,
        Standing.BAD,
    ),
]


@pytest.mark.parametrize(
    ("signature", "is_accepted", "standing"),
    [row[1:] for row in FORMS],
    ids=[row[0] for row in FORMS],
)
def test_forms_of_a_signature(
    tmp_path: Path, signature: bytes, is_accepted: bool, standing: Standing
) -> None:
    assert judge(MESSAGE, signature, known(), at=NOW, namespace="file").standing is standing
    assert (keygen_verify(tmp_path, signature, f"dit@example.org {LINE}\n") == 0) is is_accepted


def keygen_verify(
    folder: Path,
    signature: bytes,
    signers: str,
    *more: str,
    identity: str = "dit@example.org",
    namespace: str = "file",
    message: bytes = MESSAGE,
) -> int:
    (folder / "allowed").write_text(signers, newline="")
    (folder / "sig").write_bytes(signature)
    command = ["ssh-keygen", "-Y", "verify", "-f", str(folder / "allowed"), "-I", identity]
    command += ["-n", namespace, "-s", str(folder / "sig"), *more]
    return subprocess.run(command, input=message, capture_output=True, check=False).returncode


def test_ssh_keygen_accepts_ours_and_rejects_a_changed_message(tmp_path: Path) -> None:
    ours = sign(KEY, MESSAGE)
    signers = signer_line("Night Ferry", KEY.public) + "\n"
    options = {"identity": "Night Ferry", "namespace": NAMESPACE}
    assert keygen_verify(tmp_path, ours, signers, **options) == 0
    changed = bytes([MESSAGE[0] ^ 1]) + MESSAGE[1:]
    assert keygen_verify(tmp_path, ours, signers, message=changed, **options) == 255
    assert keygen_verify(tmp_path, ours, signers, identity="Night Ferry") == 255


@pytest.mark.parametrize(
    "kind",
    [
        ["-t", "ed25519"],
        ["-t", "rsa", "-b", "2048"],
        ["-t", "ecdsa", "-b", "256"],
        ["-t", "ecdsa", "-b", "384"],
        ["-t", "ecdsa", "-b", "521"],
    ],
    ids=["ed25519", "rsa", "nistp256", "nistp384", "nistp521"],
)
def test_keys_of_every_kind_both_ways(tmp_path: Path, kind: list[str]) -> None:
    path = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-N", "", "-C", "c", "-f", path, *kind], check=True)
    theirs = subprocess.run(
        ["ssh-keygen", "-Y", "sign", "-f", path, "-n", NAMESPACE],
        input=MESSAGE,
        capture_output=True,
        check=True,
    ).stdout
    key = load_key(bytes(path))
    line = signer_line("dit@example.org", key.public)
    signers = read_signers(line.encode())
    assert judge(MESSAGE, theirs, signers, at=NOW).standing is Standing.GOOD
    assert judge(MESSAGE + b"x", theirs, signers, at=NOW).standing is Standing.BAD
    for _ in range(8):  # ECDSA draws anew each time; leading zeros of its numbers must be right
        ours = sign(key, MESSAGE)
        assert judge(MESSAGE, ours, signers, at=NOW).standing is Standing.GOOD
    assert keygen_verify(tmp_path, ours, line, namespace=NAMESPACE) == 0
    assert path.with_suffix(".pub").read_text() == key.public.line("c") + "\n"


def test_rsa_never_signs_as_ssh_rsa(tmp_path: Path) -> None:
    # OpenSSH PROTOCOL.sshsig; RFC 8332.
    path = tmp_path / "key"
    command = ["ssh-keygen", "-q", "-N", "", "-t", "rsa", "-b", "2048", "-f", path]
    subprocess.run(command, check=True)
    key = load_key(bytes(path))
    blob = key.sign(b"data")
    assert blob.startswith(string(b"rsa-sha2-512"))
    assert key.public.has_signed(blob, b"data")
    body = blob[len(string(b"rsa-sha2-512")) :]
    assert not key.public.has_signed(string(b"ssh-rsa") + body, b"data")
    assert not key.public.has_signed(string(b"rsa-sha2-256") + body, b"data")


def test_namespace_is_compared_before_the_signature() -> None:
    # A good one and a broken one for another purpose get the same answer.
    broken = armored(BLOB[:-1] + bytes([BLOB[-1] ^ 1]))
    for signature in (SHA512, broken):
        judged = judge(MESSAGE, signature, known(), at=NOW)
        assert judged.standing is Standing.WRONG_NAMESPACE


def test_absent_unknown_and_revoked_are_told_apart() -> None:
    ours = sign(KEY, MESSAGE)
    other = key_from_seed(bytes(32)).public.line()
    assert judge(MESSAGE, None, known(), at=NOW).standing is Standing.ABSENT
    unknown = judge(MESSAGE, ours, read_signers(f"a {other}".encode()), at=NOW)
    assert unknown.standing is Standing.UNKNOWN_KEY
    revoked = read_signers(f"dit@example.org {LINE}".encode(), LINE.encode())
    judged = judge(MESSAGE, ours, revoked, at=NOW)
    assert (judged.standing, judged.signer) == (Standing.REVOKED, "dit@example.org")
    assert judge(b"other", ours, revoked, at=NOW).standing is Standing.BAD


def test_key_of_unsupported_type_is_neither_good_nor_bad() -> None:
    token = string(b"sk-ssh-ed25519@openssh.com") + string(bytes(32)) + string(b"ssh:")
    blob = b"SSHSIG\0\0\0\1" + b"".join(
        map(string, (token, NAMESPACE.encode(), b"", b"sha512", b"x"))
    )
    judged = judge(MESSAGE, armored(blob), Signers(), at=NOW)
    assert judged.standing is Standing.UNSUPPORTED
    assert judged.key == PublicKey(token)


def test_message_file_is_read_in_pieces() -> None:
    message = io.BytesIO(bytes(3_000_001))
    ours = sign(KEY, message)
    assert sign(KEY, bytes(3_000_001)) == ours


def test_empty_namespace_cannot_be_signed_for() -> None:
    # ssh-keygen returns 1.
    with pytest.raises(ValueError, match="namespace"):
        sign(KEY, MESSAGE, namespace="")
    blob = b"SSHSIG\0\0\0\1" + b"".join(
        map(string, (KEY.public.blob, b"", b"", b"sha512", KEY.sign(b"")))
    )
    with pytest.raises(SignatureFormError):
        read_signature(armored(blob))


def test_every_flipped_bit_of_a_signature_is_noticed() -> None:
    ours = sign(KEY, MESSAGE)
    signers = known()
    for at in range(len(ours)):
        for bit in range(8):
            flipped = ours[:at] + bytes([ours[at] ^ (1 << bit)]) + ours[at + 1 :]
            judged = judge(MESSAGE, flipped, signers, at=NOW)
            assert not judged.is_good, (at, bit)


def test_every_flipped_bit_of_a_message_is_noticed() -> None:
    ours = sign(KEY, MESSAGE)
    for at in range(len(MESSAGE)):
        for bit in range(8):
            flipped = MESSAGE[:at] + bytes([MESSAGE[at] ^ (1 << bit)]) + MESSAGE[at + 1 :]
            assert judge(flipped, ours, known(), at=NOW).standing is Standing.BAD


@given(st.binary(max_size=400))
def test_any_bytes_as_signature_are_answered(content: bytes) -> None:
    for signature in (content, armored(content), armored(BLOB[:40] + content)):
        assert not judge(MESSAGE, signature, known(), at=NOW, namespace="file").is_good


@given(st.binary(max_size=300))
def test_any_message_signed_is_good(message: bytes) -> None:
    assert judge(message, sign(KEY, message), known(), at=NOW).is_good


def test_public_line_must_agree_with_itself() -> None:
    with pytest.raises(Exception, match="type"):
        read_public_line(LINE.replace("ssh-ed25519", "ssh-rsa", 1))
    with pytest.raises(Exception, match="damaged"):
        read_public_line(LINE[:-4])
    assert read_public_line(LINE + " a comment")[1] == "a comment"


def test_ssh_keygen_is_here() -> None:
    # Every test above that names it would otherwise fail with a less clear reason.
    assert shutil.which("ssh-keygen")
