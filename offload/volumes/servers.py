"""Which machine a network file system lies on, by address.

The address in the mount's own options is the one that the kernel talks to; the name in the source
is resolved as well, since one machine may have several. Two addresses that answer with one network
card are one machine too (``/proc/net/arp``). An address of this machine means its own disks.
Sources: nfs(5), mount.cifs(8), sshfs(1), kernel documentation ``9p.rst``, RFC 4291 for addresses
that stand for IPv4 ones.
"""

import ipaddress
import re
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import psutil

from offload.volumes.bounded import CALLS, BoundedCalls
from offload.volumes.volume import Volume

_RESOLVE_S = 3.0
_MAX_TABLE = 1 << 20
_URL = re.compile(r"[a-z][a-z0-9+.-]*://(?:[^@/]*@)?(\[[^]]*\]|[^:/]+)", re.IGNORECASE)
_SHARE = re.compile(r"(?://|\\\\)(?:[^@/\\]*@)?([^/\\]+)")
_HOST = re.compile(r"(?:[^@/:\[\]]*@)?(\[[^]]*\]|[^:/\[\]]+):")
_NO_CARD = "00:00:00:00:00:00"

Resolver = Callable[[str], Iterable[str]]


def server_name(volume: Volume) -> str:
    """The server in a network file system's source; empty where none can be seen."""
    source = volume.source.decode("utf-8", "surrogateescape")
    if volume.fs_type == "9p":
        # Over anything but TCP the source is a mere tag.
        return source if volume.option(b"trans") == b"tcp" else ""
    for form in (_URL, _SHARE, _HOST):
        found = form.match(source)
        if found:
            return found.group(1).strip("[]")
    return ""


@dataclass(frozen=True, slots=True)
class Servers:
    """Finds the addresses of servers.

    Attributes:
        resolve: addresses of a name; raises ``OSError`` where it has none.
        own_addresses: addresses of this machine.
        neighbours: path of the kernel's table of network cards by IPv4 address.
        calls: bounds the resolving.
    """

    resolve: Resolver = lambda name: _resolve(name)
    own_addresses: Callable[[], Iterable[str]] = lambda: _own_addresses()
    neighbours: str = "/proc/net/arp"
    calls: BoundedCalls = CALLS

    def addresses(self, volume: Volume) -> frozenset[str]:
        """Every address known for the volume's server, in one form; empty when none is."""
        told = [volume.option(key) for key in (b"addr", b"ip")]
        found = {value.decode("ascii", "replace") for value in told if value}
        name = server_name(volume)
        if name:
            found |= self._resolved(name)
        return frozenset(filter(None, map(_canonical, found)))

    def is_own(self, addresses: Iterable[str]) -> bool:
        """Whether one of the addresses is this machine's own."""
        own = {_canonical(address) for address in self.own_addresses()}
        return any(ipaddress.ip_address(a).is_loopback or a in own for a in addresses)

    def cards(self, addresses: Iterable[str]) -> frozenset[str]:
        """Network cards that answer for the addresses, for those in the same network."""
        known = _cards_by_address(_read_text(self.neighbours))
        return frozenset(known[address] for address in addresses if address in known)

    def _resolved(self, name: str) -> set[str]:
        if _canonical(name):
            return {name}
        try:
            return self.calls.call(("resolve", name), lambda: set(self.resolve(name)), _RESOLVE_S)
        except (OSError, UnicodeError):
            return set()


def _canonical(address: str) -> str:
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return ""
    mapped = parsed.ipv4_mapped if isinstance(parsed, ipaddress.IPv6Address) else None
    return str(mapped or parsed)


def _resolve(name: str) -> set[str]:
    return {str(answer[4][0]) for answer in socket.getaddrinfo(name, None)}


def _own_addresses() -> set[str]:
    cards = psutil.net_if_addrs().values()
    families = (socket.AF_INET, socket.AF_INET6)
    return {entry.address for card in cards for entry in card if entry.family in families}


def _read_text(path: str) -> str:
    try:
        with open(path, "rb") as file:
            return file.read(_MAX_TABLE).decode("utf-8", "replace")
    except OSError:
        return ""


def _cards_by_address(table: str) -> dict[str, str]:
    rows = (line.split() for line in table.split("\n")[1:])
    return {row[0]: row[3] for row in rows if len(row) > 3 and row[3] != _NO_CARD}
