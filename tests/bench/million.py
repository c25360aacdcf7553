"""A card of a million frames: walked, kept in the ledger, written as a manifest.

Run by the table in a process of its own; by hand:  python -m tests.bench.million FOLDER HOME
"""

import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from offload.card.inventory import take_inventory
from offload.ledger import Ledger, inventories
from offload.record.mhl.model import Action, Creator, Hash, HashRecord, Head, Process
from offload.record.mhl.roots import depth_first
from offload.record.mhl.tree import tree_records, tree_root
from offload.record.mhl.write import write_manifest
from offload.storage.root import Root
from offload.values.entries import Entries
from tests.bench import made_data
from tests.bench.running import Sample, measured
from tests.bench.steps import Bench, Step

FILES = 1_000_000


def walk_and_write(card: Path, home: Path) -> None:
    """Everything but the bytes."""
    with Root(os.fsencode(card)) as root:
        inventory = take_inventory(root, lambda path, fd: False).inventory
    with Ledger(os.fsencode(home)) as ledger:
        inventories.keep(ledger, inventory)
    entries = inventory.entries
    root_hash = tree_root(_records(entries), ("xxh128",))
    moment = datetime.now(UTC)
    head = Head(Creator(moment, "station-1", "offload", "1"), Process.TRANSFER, root_hash, ())
    with (home / "manifest.mhl").open("wb", buffering=0) as out:
        write_manifest(out, head, tree_records(_records(entries), ("xxh128",)))


def _records(entries: Entries) -> Iterator[HashRecord]:
    order = sorted(range(len(entries)), key=lambda at: depth_first(entries.path(at)))
    for at in order:
        digest = Hash("xxh128", at.to_bytes(16, "big"), Action.ORIGINAL)
        yield HashRecord(entries.path(at), (digest,), entries.size_bytes(at), entries.mtime_ns(at))


def _ours(bench: Bench) -> Sample:
    card = made_data.small_card(bench.folder, FILES, 0)
    bench.clear()
    home = bench.work / "home"
    home.mkdir()
    return measured([sys.executable, "-m", "tests.bench.million", os.fspath(card), os.fspath(home)])


def _find(bench: Bench) -> Sample:
    card = made_data.small_card(bench.folder, FILES, 0)
    bench.clear()
    return measured(["sh", "-c", f"find '{card}' -printf '%s %T@ %p\\n' > /dev/null"])


OURS = Step("inventory, ledger, manifest", _ours)
FIND = Step("find with size and time", _find)

if __name__ == "__main__":
    walk_and_write(Path(sys.argv[1]), Path(sys.argv[2]))
