"""Which machine a share lies on."""

from collections.abc import Iterable
from pathlib import Path

import pytest

from offload.volumes.servers import Servers, server_name
from offload.volumes.volume import Volume

NAMES = {"nas": ["10.0.0.7", "fd00::7"], "nas-too": ["10.0.0.7"], "here": ["192.168.5.2"]}


def share(fs_type: str, source: bytes, *options: bytes) -> Volume:
    return Volume(b"/m", source, fs_type, options, False, "0:50", 9, True)


def resolve(name: str) -> Iterable[str]:
    if name not in NAMES:
        raise OSError(-2, "Name or service not known")
    return NAMES[name]


def servers(tmp_path: Path) -> Servers:
    table = tmp_path / "arp"
    # Columns as in proc_net(5).
    table.write_text(
        "IP address HW type Flags HW address Mask Device\n"
        "10.0.0.7 0x1 0x2 02:00:00:00:00:07 * eth0\n"
        "10.0.0.9 0x1 0x2 02:00:00:00:00:07 * eth0\n"
        "10.0.0.8 0x1 0x0 00:00:00:00:00:00 * eth0\n"
    )
    return Servers(resolve, lambda: ["192.168.5.2", "fe80::1%eth0"], str(table))


@pytest.mark.parametrize(
    ("fs_type", "source", "name"),
    [
        ("nfs4", b"nas:/export/footage", "nas"),
        ("nfs4", b"[fe80::1%eth0]:/export", "fe80::1%eth0"),
        ("cifs", b"//nas/footage", "nas"),
        ("fuse.sshfs", b"dit@nas:/srv", "nas"),
        ("fuse.sshfs", b"nas:", "nas"),
        ("davfs", b"https://nas:8443/dav", "nas"),
        ("9p", b"hostshare", ""),
        ("nfs4", b"\xff\x1b[1m", ""),
    ],
)
def test_server_in_the_source(fs_type: str, source: bytes, name: str) -> None:
    assert server_name(share(fs_type, source)) == name


def test_9p_over_tcp_names_its_server() -> None:
    assert server_name(share("9p", b"10.0.0.7", b"trans=tcp")) == "10.0.0.7"


def test_address_of_the_mount_and_of_the_name(tmp_path: Path) -> None:
    volume = share("nfs4", b"nas:/x", b"addr=10.0.0.70")
    assert servers(tmp_path).addresses(volume) == {"10.0.0.70", "10.0.0.7", "fd00::7"}


def test_one_form_for_one_address(tmp_path: Path) -> None:
    found = servers(tmp_path).addresses(share("cifs", b"//::ffff:10.0.0.7/x", b"addr=10.0.0.7"))
    assert found == {"10.0.0.7"}


def test_unknown_name_has_no_address(tmp_path: Path) -> None:
    assert servers(tmp_path).addresses(share("nfs", b"elsewhere:/x")) == frozenset()


@pytest.mark.parametrize("address", ["127.0.0.1", "127.9.9.9", "::1", "192.168.5.2", "fe80::1"])
def test_own_address(tmp_path: Path, address: str) -> None:
    assert servers(tmp_path).is_own([address])


def test_other_address_is_not_own(tmp_path: Path) -> None:
    assert not servers(tmp_path).is_own(["10.0.0.7"])


def test_two_addresses_with_one_network_card(tmp_path: Path) -> None:
    known = servers(tmp_path)
    assert known.cards(["10.0.0.7"]) == known.cards(["10.0.0.9"]) == {"02:00:00:00:00:07"}
    assert known.cards(["10.0.0.8", "10.0.0.99"]) == frozenset()
