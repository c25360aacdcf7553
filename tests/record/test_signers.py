"""``allowed_signers`` and revoked keys; each row also put to the real ``ssh-keygen``."""

import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.errors import RecordError
from offload.record.keys import key_from_seed
from offload.record.signature import Standing, judge
from offload.record.signers import matches_list, read_revoked, read_signers, signer_line
from offload.record.sshsig import NAMESPACE, sign

KEY = key_from_seed(
    bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
)
K = KEY.public.line()
OTHER = key_from_seed(bytes(32)).public.line()
MESSAGE = b"card A001 verified\n"
NOW = datetime(2026, 11, 24, tzinfo=UTC)

# ssh-keygen(1), ALLOWED SIGNERS; verdicts measured with ssh-keygen 9.2:
# name, file, verify for dit@example.org and namespace file, what find-principals prints.
ENTRIES = [
    ("plain", f"dit@example.org {K}", True, ["dit@example.org"]),
    (
        "two-principals",
        f"dit@example.org,post@example.org {K}",
        True,
        ["dit@example.org", "post@example.org"],
    ),
    ("pattern", f"*@example.org {K}", True, ["*@example.org"]),
    ("quoted", f'"dit@example.org" {K}', True, ["dit@example.org"]),
    ("leading-blanks", f"  dit@example.org {K}", True, ["dit@example.org"]),
    ("comment", f"dit@example.org {K} on the cart", True, ["dit@example.org"]),
    ("crlf", f"dit@example.org {K}\r\n", True, ["dit@example.org"]),
    ("other-case", f"DIT@example.org {K}", False, ["DIT@example.org"]),
    (
        "denied",
        f"!dit@example.org,*@example.org {K}",
        False,
        ["!dit@example.org", "*@example.org"],
    ),
    ("namespaces", f'dit@example.org namespaces="git,file" {K}', True, ["dit@example.org"]),
    ("namespaces-upper", f'dit@example.org NAMESPACES="file" {K}', True, ["dit@example.org"]),
    ("namespaces-pattern", f'dit@example.org namespaces="fi*" {K}', True, ["dit@example.org"]),
    ("other-namespace", f'dit@example.org namespaces="git" {K}', False, ["dit@example.org"]),
    ("unquoted-value", f"dit@example.org namespaces=file {K}", False, None),
    ("unknown-option", f'dit@example.org foo="x" {K}', False, None),
    ("expired", f'dit@example.org valid-before="20200101Z" {K}', False, None),
    ("not-yet", f'dit@example.org valid-after="20990101Z" {K}', False, None),
    ("authority", f"dit@example.org cert-authority {K}", False, None),
    ("bad-line-first", f"garbage\ndit@example.org {K}", True, ["dit@example.org"]),
    ("two-names", f"a@b {K}\ndit@example.org {K}", True, ["a@b"]),
    ("comments-and-blanks", f"# us\n\ndit@example.org {K}", True, ["dit@example.org"]),
    ("not-listed", f"dit@example.org {OTHER}", False, None),
]


@pytest.mark.parametrize(
    ("content", "is_allowed", "principals"),
    [row[1:] for row in ENTRIES],
    ids=[row[0] for row in ENTRIES],
)
def test_entries(
    tmp_path: Path, content: str, is_allowed: bool, principals: list[str] | None
) -> None:
    signers = read_signers(content.encode())
    assert signers.allows("dit@example.org", KEY.public, "file", NOW) is is_allowed
    assert keygen(tmp_path, "verify", content, "-I", "dit@example.org", "-n", "file") == (
        0 if is_allowed else 255
    )
    found = keygen_output(tmp_path, "find-principals", content)
    assert found == principals


def test_time_asked_for_decides(tmp_path: Path) -> None:
    content = f'dit@example.org valid-before="20200101Z" {K}'
    then = datetime(2019, 6, 1, tzinfo=UTC)
    assert read_signers(content.encode()).allows("dit@example.org", KEY.public, "file", then)
    options = ["-I", "dit@example.org", "-n", "file", "-O", "verify-time=20190601Z"]
    assert keygen(tmp_path, "verify", content, *options) == 0


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("20200102Z", datetime(2020, 1, 2, tzinfo=UTC)),
        ("202001021530Z", datetime(2020, 1, 2, 15, 30, tzinfo=UTC)),
        ("20200102153045Z", datetime(2020, 1, 2, 15, 30, 45, tzinfo=UTC)),
    ],
)
def test_forms_of_a_time(text: str, moment: datetime) -> None:
    (entry,) = read_signers(f'a valid-after="{text}" {K}'.encode()).entries
    assert entry.valid_after == moment


@pytest.mark.parametrize("text", ["2020", "20201301Z", "2020-01-01", "", "20200101T10Z"])
def test_time_that_is_none_makes_no_entry(text: str) -> None:
    signers = read_signers(f'a valid-after="{text}" {K}'.encode())
    assert signers.allows("a", KEY.public, "file", NOW) is (text == "")
    assert len(signers.unread) == (text != "")


def test_limits_of_a_key_give_each_its_own_standing() -> None:
    ours = sign(KEY, MESSAGE)
    expired = read_signers(f'a valid-before="20200101Z" {K}'.encode())
    assert judge(MESSAGE, ours, expired, at=NOW).standing is Standing.OUT_OF_TIME
    other = read_signers(f'a namespaces="git" {K}'.encode())
    assert judge(MESSAGE, ours, other, at=NOW).standing is Standing.NOT_ALLOWED
    authority = read_signers(f"a cert-authority {K}".encode())
    assert judge(MESSAGE, ours, authority, at=NOW).standing is Standing.NOT_ALLOWED
    # A later line that does fit is enough.
    both = read_signers(f'a valid-before="20200101Z" {K}\nb {K}'.encode())
    judged = judge(MESSAGE, ours, both, at=NOW)
    assert (judged.standing, judged.signer) == (Standing.GOOD, "b")


@pytest.mark.parametrize("name", ["dit@example.org", "Night Ferry", "Ünï"])
def test_our_line_is_read_by_both(tmp_path: Path, name: str) -> None:
    line = signer_line(name, KEY.public)
    assert read_signers(line.encode()).allows(name, KEY.public, NAMESPACE, NOW)
    command = ["-I", name, "-n", NAMESPACE]
    assert keygen(tmp_path, "verify", line, *command, namespace=NAMESPACE) == 0


@pytest.mark.parametrize("name", ["", 'a"b', "a,b", "*", "!a", "#a", "a\nb", " a", "a\x1b[31m"])
def test_name_that_would_say_something_else_is_refused(name: str) -> None:
    with pytest.raises(RecordError) as caught:
        signer_line(name, KEY.public)
    assert "\x1b" not in str(caught.value)


def test_revoked_keys_as_ssh_keygen_takes_them(tmp_path: Path) -> None:
    revoked = tmp_path / "revoked"
    revoked.write_text(f"# lost with the laptop\n{K} comment\n")
    assert read_revoked(revoked.read_bytes()).keys == {KEY.public}
    options = ["-I", "dit@example.org", "-n", "file", "-r", str(revoked)]
    content = f"dit@example.org {K}"
    assert keygen(tmp_path, "verify", content, *options) == 255
    signers = read_signers(content.encode(), revoked.read_bytes())
    assert not signers.allows("dit@example.org", KEY.public, "file", NOW)


def test_revocation_that_cannot_be_read_is_never_passed_over(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="line 2"):
        read_revoked(f"{K}\nssh-ed25519 AAAAdamaged\n".encode())


# What goes into the list (ssh-keygen(1), KEY REVOCATION LISTS), and whether it revokes the key.
KRL = {
    "key": ("{line}", True),
    "key-statement": ("key: {line}", True),
    "sha1": ("sha1: {line}", True),
    "sha256": ("sha256: {line}", True),
    "hash": ("hash: {fingerprint}", True),
    "other-key": ("{other}", False),
    "other-hash": ("sha256: {other}", False),
    "many": ("{other}\nsha1: {line}", True),
}


def krl(folder: Path, specification: str) -> bytes:
    """A list made by ``ssh-keygen``, and what it answers when asked for the key (-Q)."""
    said = specification.format(line=K, other=OTHER, fingerprint=KEY.public.fingerprint)
    (folder / "said").write_text(said + "\n")
    (folder / "key.pub").write_text(K + "\n")
    # Bare lines are the content of a public key file, all others are statements.
    subprocess.run(
        ["ssh-keygen", "-q", "-k", "-f", folder / "krl", "-z", "7", folder / "said"], check=True
    )
    return (folder / "krl").read_bytes()


@pytest.mark.parametrize("name", KRL)
def test_binary_list_revokes_what_ssh_keygen_says(tmp_path: Path, name: str) -> None:
    specification, expected = KRL[name]
    content = krl(tmp_path, specification)
    asked = subprocess.run(
        ["ssh-keygen", "-Q", "-f", tmp_path / "krl", tmp_path / "key.pub"],
        check=False,
        capture_output=True,
    )
    assert (asked.returncode != 0) is expected
    assert (KEY.public in read_revoked(content)) is expected
    signers = read_signers(f"dit@example.org {K}".encode(), content)
    assert signers.allows("dit@example.org", KEY.public, "file", NOW) is not expected


def test_binary_list_for_certificates_revokes_no_key(tmp_path: Path) -> None:
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", tmp_path / "ca"], check=True
    )
    (tmp_path / "said").write_text("serial: 1-20\nid: somebody\n")
    making = ["ssh-keygen", "-q", "-k", "-f", tmp_path / "krl", "-s", tmp_path / "ca.pub"]
    subprocess.run([*making, tmp_path / "said"], check=True)
    assert read_revoked((tmp_path / "krl").read_bytes()).keys == frozenset()


def test_binary_list_that_is_cut_is_never_passed_over(tmp_path: Path) -> None:
    content = krl(tmp_path, "{line}")
    for end in range(8, len(content)):
        try:
            read = read_revoked(content[:end])
        except RecordError:
            continue
        # A list may end before its first section, and then revokes nothing.
        assert read.keys == frozenset()
        assert end == 44


@pytest.mark.parametrize(
    "more", [b"\x09\0\0\0\0", b"\xff\0\0\0\6\0\0\0\1x\1", b"\3\0\0\0\4\0\0\0\0"]
)
def test_binary_list_with_something_unknown_is_refused(tmp_path: Path, more: bytes) -> None:
    with pytest.raises(RecordError, match="cannot be read"):
        read_revoked(krl(tmp_path, "{line}") + more)


@pytest.mark.parametrize(
    ("text", "patterns", "expected"),
    [
        ("a[1]", "a[1]", True),
        ("a1", "a[1]", False),
        ("abc", "a?c", True),
        ("ac", "a?c", False),
        ("ab", "*,!ab", False),
        ("ab", "!ab,*", False),
        ("ab", "!x", False),
    ],
)
def test_patterns(text: str, patterns: str, expected: bool) -> None:
    # ssh_config(5), PATTERNS: only * and ? are signs, a denial wins and allows nothing by itself.
    assert matches_list(text, patterns) is expected


@given(st.text(max_size=200))
def test_any_text_is_read_or_skipped(text: str) -> None:
    content = text.encode("utf-8", "surrogatepass")
    read_signers(content)
    with_good = read_signers(content.replace(b"\n", b" ") + f"\na {K}\n".encode())
    assert with_good.entries_of(KEY.public)


def keygen(folder: Path, verb: str, signers: str, *options: str, namespace: str = "file") -> int:
    return _keygen(folder, verb, signers, namespace, *options).returncode


def keygen_output(folder: Path, verb: str, signers: str) -> list[str] | None:
    done = _keygen(folder, verb, signers, "file")
    return done.stdout.decode().splitlines() if done.returncode == 0 else None


def _keygen(
    folder: Path, verb: str, signers: str, namespace: str, *options: str
) -> subprocess.CompletedProcess[bytes]:
    (folder / "allowed").write_text(signers, newline="")
    (folder / "sig").write_bytes(sign(KEY, MESSAGE, namespace=namespace))
    command = ["ssh-keygen", "-Y", verb, "-f", str(folder / "allowed")]
    command += ["-s", str(folder / "sig"), *options]
    return subprocess.run(command, input=MESSAGE, capture_output=True, check=False)
