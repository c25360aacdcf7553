"""A manifest of a million entries, read as a stream, and loaded as a history to be asked.

By hand:  python -m tests.bench.manifest read|history FOLDER
"""

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

from offload.checksum import digest_of
from offload.record.mhl.chain import ChainEntry, chain_bytes
from offload.record.mhl.history import load_history
from offload.record.mhl.model import Action, Creator, Hash, HashRecord, Head, Process
from offload.record.mhl.read import ManifestReader
from offload.record.mhl.write import write_manifest
from tests.bench.running import Sample, measured
from tests.bench.steps import Bench, Step
from tests.record.plain_folder import PlainFolder

ENTRIES = 1_000_000
NAME = "0001_A001_2026-11-24_080000Z.mhl"
BEGIN_NS = 1_790_000_000 * 10**9


def _record(at: int) -> HashRecord:
    c4 = digest_of("c4", at.to_bytes(8, "big"))
    hashes = (Hash("c4", c4, Action.ORIGINAL), Hash("xxh128", c4[:16], Action.ORIGINAL))
    path = b"A001C%04d/A001C%04d.%07d.dpx" % (at // 1000, at // 1000, at)
    return HashRecord(path, hashes, 8_000_000 + at, BEGIN_NS + at // 24 * 10**9)


def made(folder: Path) -> Path:
    """A folder with such a history, made once."""
    place = folder / f"history-{ENTRIES}"
    history = place / "ascmhl"
    if not (history / "ascmhl_chain.xml").exists():
        history.mkdir(parents=True, exist_ok=True)
        creator = Creator(datetime(2026, 11, 24, 8, tzinfo=UTC), "cart1", "offload")
        with (history / NAME).open("wb", buffering=0) as out:
            head = Head(creator, Process.TRANSFER)
            written = write_manifest(out, head, (_record(at) for at in range(ENTRIES)))
        chain = chain_bytes([ChainEntry(1, NAME.encode(), written.c4)])
        (history / "ascmhl_chain.xml").write_bytes(chain)
    return place


def _reading(bench: Bench) -> Sample:
    return _asked(bench, "read")


def _loading(bench: Bench) -> Sample:
    return _asked(bench, "history")


def _asked(bench: Bench, what: str) -> Sample:
    place = made(bench.folder)
    return measured([sys.executable, "-m", "tests.bench.manifest", what, os.fspath(place)])


READ = Step("read as a stream", _reading)
HISTORY = Step("load as a history", _loading)


def main(what: str, place: Path) -> None:
    """Read or load the one in a folder."""
    if what == "read":
        with (place / "ascmhl" / NAME).open("rb") as content:
            count = sum(1 for _ in ManifestReader(content))
    else:
        count = sum(1 for _ in load_history(PlainFolder(place)).current())
    if count != ENTRIES:
        raise SystemExit(f"{count} entries")


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
