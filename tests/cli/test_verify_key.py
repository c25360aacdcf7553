"""Whose signatures are believed: made known, listed, revoked, in files that stock tools read."""

import subprocess
from pathlib import Path

import pytest

from offload.errors import RecordError, UsageError
from offload.jobs.verify_trust import key_in, read_trusted, revoke_key, trust_key
from offload.record.keys import key_from_seed
from tests.cli.stations import SETTINGS
from tests.lab.processes import Station

ONE, TWO = (key_from_seed(bytes([number]) * 32).public for number in (1, 2))


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return Station(tmp_path / "station", SETTINGS)


def test_key_of_a_pub_file_is_trusted_listed_and_revoked(station: Station, tmp_path: Path) -> None:
    made = tmp_path / "sender"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", made], check=True)
    shown = subprocess.run(["ssh-keygen", "-lf", made], capture_output=True, text=True, check=True)
    fingerprint = shown.stdout.split()[1]
    public = made.with_suffix(".pub")

    done = station.run("key", "trust", public, "--as", "camera cart")
    assert done.code == 0
    assert fingerprint in done.out

    done = station.run("key", "list", "--json")
    assert done.lines == [
        {
            "type": "key",
            "name": "camera cart",
            "fingerprint": fingerprint,
            "kind": "ssh-ed25519",
            "state": "trusted",
            "revoked": False,
        }
    ]
    message, signature = tmp_path / "message", tmp_path / "message.sig"
    message.write_bytes(b"card A001 verified\n")
    subprocess.run(
        ["ssh-keygen", "-q", "-Y", "sign", "-f", made, "-n", "offload-record", message], check=True
    )
    stock = ["ssh-keygen", "-Y", "verify", "-f", station.home / "allowed_signers"]
    stock += ["-I", "camera cart", "-n", "offload-record", "-s", signature]
    kept = message.read_bytes()
    assert subprocess.run(stock, input=kept, capture_output=True).returncode == 0

    assert station.run("key", "revoke", "camera", "cart").code == 0
    stock += ["-r", station.home / "revoked_keys"]
    assert subprocess.run(stock, input=kept, capture_output=True).returncode != 0
    assert station.run("key", "list", "--json").result["revoked"] is True
    done = station.run("key", "trust", public, "--as", "camera cart")
    assert done.code == 2
    assert "revoked" in done.err


def test_line_may_be_pasted_without_quotes(station: Station) -> None:
    words = f'cart namespaces="offload-record" {ONE.line()} a comment'.replace('"', "").split()
    done = station.run("key", "trust", *words, "--as", "cart")
    assert done.code == 0
    assert ONE.fingerprint in done.out


def test_own_key_is_shown_as_before_and_listed(station: Station) -> None:
    done = station.run("key", "--json")
    assert done.code == 0
    assert done.result["line"].split()[-2] == "ssh-ed25519"
    listed = station.run("key", "list", "--json").result
    assert (listed["state"], listed["fingerprint"]) == ("own", done.result["fingerprint"])


def test_asking_who_is_trusted_makes_no_key(station: Station) -> None:
    assert station.run("key", "list").code == 0
    assert not (station.home / "station_key").exists()


# --- the two files


def test_key_is_added_once(tmp_path: Path) -> None:
    home = bytes(tmp_path)
    assert trust_key(home, ONE, "cart") is True
    assert trust_key(home, ONE, "cart") is False
    assert trust_key(home, TWO, "cart") is True
    assert [entry.principals for entry in read_trusted(home).entries] == ["cart", "cart"]


def test_key_known_under_another_name_is_refused(tmp_path: Path) -> None:
    trust_key(bytes(tmp_path), ONE, "cart")
    with pytest.raises(UsageError):
        trust_key(bytes(tmp_path), ONE, "somebody else")


def test_comments_and_unread_lines_of_a_hand_edited_file_survive(tmp_path: Path) -> None:
    signers = tmp_path / "allowed_signers"
    signers.write_text("# our people\ngarbage")
    trust_key(bytes(tmp_path), ONE, "cart")
    assert signers.read_text().startswith("# our people\ngarbage\ncart namespaces=")
    assert len(read_trusted(bytes(tmp_path)).unread) == 1


def test_trusted_key_signs_records_and_nothing_else(tmp_path: Path) -> None:
    trust_key(bytes(tmp_path), ONE, "cart")
    (entry,) = read_trusted(bytes(tmp_path)).entries
    assert entry.is_for("offload-record")
    assert not entry.is_for("file")


def test_key_is_revoked_once_and_need_not_be_known(tmp_path: Path) -> None:
    assert revoke_key(bytes(tmp_path), ONE) is True
    assert revoke_key(bytes(tmp_path), ONE, "again") is False
    assert read_trusted(bytes(tmp_path)).revoked == {ONE}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "not a key",
        "ssh-ed25519 AAAA",
        ONE.line() + "\n" + TWO.line(),
        f'a valid-before="20300101Z" {ONE.line()}',
        f"a cert-authority {ONE.line()}",
        "# " + ONE.line(),
    ],
)
def test_what_is_not_one_plain_key_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        key_in(text)


@pytest.mark.parametrize(
    "text",
    [
        ONE.line(),
        ONE.line("a comment"),
        f'cart namespaces="offload-record" {ONE.line()}',
        f"# a note\n{ONE.line()}\n\n{ONE.line('twice')}\n",
    ],
)
def test_the_one_key_is_found(text: str) -> None:
    assert key_in(text) == ONE


@pytest.mark.parametrize("name", ["", "a,b", 'a"b', "#a", " a", "a*"])
def test_names_that_stock_tools_read_otherwise_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecordError):
        trust_key(bytes(tmp_path), ONE, name)
    assert not (tmp_path / "allowed_signers").exists()


def test_damaged_revocation_list_stops_everything(tmp_path: Path) -> None:
    # A key that may be revoked must never pass for a good one.
    (tmp_path / "revoked_keys").write_text("ssh-ed25519 AAAA\n")
    with pytest.raises(RecordError):
        read_trusted(bytes(tmp_path))
