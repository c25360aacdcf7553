"""A ledger in a folder of its own, and the few rows that most tests begin with."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from offload.ledger import Ledger, cards, inventories, offloads
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import Policy
from offload.values.inventory import Inventory

NOON = 1_795_000_000 * 10**9
HINTS = cards.CardHints("4F2A-11C0", "UNTITLED", 128_000_000_000, "exfat")

Starter = Callable[..., int]


@pytest.fixture
def home(tmp_path: Path) -> bytes:
    return bytes(tmp_path / "home")


@pytest.fixture
def ledger(home: bytes) -> Iterator[Ledger]:
    with Ledger(home, wait_s=1) as opened:
        yield opened


def listing(*paths: bytes, size: int = 1000) -> Inventory:
    """An inventory of files of one size."""
    return Inventory(Entries(Entry(path, Kind.FILE, size, NOON) for path in paths))


def begin(
    ledger: Ledger,
    inventory: Inventory,
    *,
    card: int | None = None,
    mounting: str = "boot:41",
    key: str = "5d0c",
    roll: int | None = None,
    continues: int | None = None,
    at_ns: int = NOON,
) -> int:
    """An offload of this inventory, begun; with a new card unless one is given."""
    if card is None:
        card = cards.add(ledger, HINTS, at_ns)
    kept = inventories.keep(ledger, inventory)
    return offloads.start(
        ledger,
        offloads.NewOffload(
            key=key,
            card=card,
            inventory=kept,
            digest=inventory.digest,
            policy=Policy(declared_separate=frozenset({frozenset({"shuttle-1", "shuttle-2"})})),
            checksums=("xxh128", "c4"),
            mounting=mounting,
            host="cart",
            pid=4711,
            started_ns=at_ns,
            roll=roll,
            continues=continues,
        ),
    )
