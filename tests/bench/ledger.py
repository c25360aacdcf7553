"""Measure the ledger at the size of years: 10,000 rolls, 5 million files.

Run from the repository's root:  python -m tests.bench.ledger [--rolls N] [--home FOLDER] [--plans]

Prints how long it takes to fill, how large the file gets, and for each question that a face asks
the median and the slowest of five runs, on a connection that was just opened (cold cache of the
database, warm cache of the system).
"""

import argparse
import contextlib
import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from offload.ledger import (
    Ledger,
    cards,
    clearances,
    clips,
    copies,
    drives,
    files,
    inventories,
    offloads,
    queue,
    rolls,
    standing,
)
from offload.values.clips import ClipKind
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CardState, CopyState, Policy, ReadBack
from offload.values.inventory import Inventory
from offload.values.verdict import Answer
from tests.ledger.test_plans import traced

FILES = 500
CLIPS = 40
CARDS = 400
DRIVES = 12
RUNS = 5
HOUR_NS = 3600 * 10**9
BEGIN_NS = 1_700_000_000 * 10**9

PROVEN = bytes([CopyState.PROVEN_DEVICE])
EQUAL = bytes([CardState.READ_EQUAL])


def made_inventory(number: int) -> Inventory:
    """The listing of one roll."""
    name = b"A%05dC" % number
    entries = (
        Entry(b"CLIP/%s%03d.mov" % (name, at), Kind.FILE, 200_000_000 + at, BEGIN_NS)
        for at in range(FILES)
    )
    return Inventory(Entries(entries))


def fill_roll(ledger: Ledger, number: int, chance: random.Random) -> None:
    """One card, offloaded to two drives and cleared."""
    at_ns = BEGIN_NS + number * HOUR_NS
    inventory = made_inventory(number)
    hints = cards.CardHints(f"{number % CARDS:08X}", "UNTITLED", 128 * 10**9, "exfat")
    key = f"boot-{number // 100}:{number}"
    with ledger.writing():
        card = cards.add(ledger, hints, at_ns)
        cards.arrived(ledger, card, key, b"/media/UNTITLED", at_ns)
        kept = inventories.keep(ledger, inventory)
        cards.tell_listing(ledger, card, inventory.digest, at_ns, mounting=key, inventory=kept)
        code = f"{number:06X}"
        cards.tell_code(ledger, card, code)
        day = f"{2024 + number // 4000}-{number // 330 % 12 + 1:02}-{number // 12 % 28 + 1:02}"
        roll = rolls.add(
            ledger,
            rolls.NewRoll(
                f"A{number:05}", card, code, chance.randbytes(16), "Night Ferry", day, at_ns
            ),
        )
        offload = offloads.start(
            ledger,
            offloads.NewOffload(
                f"{number:032x}", card, kept, inventory.digest, Policy(), ("xxh128", "c4"), key,
                "cart", 1, at_ns, roll=roll,
            ),
        )  # fmt: skip
        columns = {"xxh128": chance.randbytes(16 * FILES), "c4": chance.randbytes(64 * FILES)}
        files.add(ledger, offload, range(FILES), EQUAL * FILES, columns)
        for drive in (number // 900 % DRIVES, (number // 900 + 1) % DRIVES):
            fill_copy(ledger, offload, drive, at_ns)
        clips.keep(
            ledger,
            roll,
            (
                clips.KeptClip(b"CLIP/A%05dC%03d.mov" % (number, at), ClipKind.FILE, 1, 10**9)
                for at in range(CLIPS)
            ),
        )
        is_cleared = number % 400 != 7
        if is_cleared:
            given = clearances.NewClearance(
                offload, card, roll, inventory.digest, f"c4{number}", "key", key, "2", at_ns
            )
            clearances.add(ledger, given)
        answer = Answer.CLEARED if is_cleared else Answer.HELD
        offloads.end(ledger, offload, answer, {"verdict": answer.value}, at_ns + HOUR_NS // 2)
        cards.left(ledger, key, at_ns + HOUR_NS // 2)


def fill_copy(ledger: Ledger, offload: int, number: int, at_ns: int) -> None:
    """All files of a roll, proven on one drive."""
    hints = drives.DriveHints(
        f"shuttle-{number}", f"id-{number}", "m", b"/media/s", "exfat", frozenset({f"d{number}"}),
        10**13, 10**12,
    )  # fmt: skip
    drive = drives.use(ledger, hints, at_ns)
    copy = copies.start(
        ledger, copies.NewCopy(offload, drive, b"/media/s/A", hints.devices, "m", at_ns)
    )
    facts = [(2049, 10**6 + at, 200_000_000 + at, at_ns, at_ns) for at in range(FILES)]
    copies.add_files(ledger, copy, range(FILES), PROVEN * FILES, facts)
    result = copies.CopyResult(
        copies.Stage.PROVEN, b"/media/s/A", ReadBack.DEVICE, FILES, FILES * 200_000_000
    )
    copies.tell(ledger, copy, result, at_ns)


def questions(ledger: Ledger, count: int) -> dict[str, Callable[[Ledger], Any]]:
    """What faces ask, by the face."""
    middle = count // 2
    digest = made_inventory(middle).digest
    hints = cards.CardHints(f"{middle % CARDS:08X}", "UNTITLED", 128 * 10**9, "exfat")
    now_ns = BEGIN_NS + count * HOUR_NS
    (roll,) = rolls.find(ledger, f"A{middle:05}")
    (offload,) = offloads.of_roll(ledger, roll.roll)
    return {
        "status: cards of the day": lambda it: standing.seen_since(it, now_ns - 24 * HOUR_NS),
        "status: out and not proven": standing.not_proven,
        "status: line, unfinished": lambda it: (queue.in_line(it), offloads.all_unfinished(it)),
        "status: drives, today's pace": lambda it: [
            copies.written_between(it, drive.drive, now_ns - 24 * HOUR_NS, now_ns)
            for drive in drives.all_known(it)
        ],
        "rolls: newest 100": standing.newest_rolls,
        "rolls: newest 1000": lambda it: standing.newest_rolls(it, 1000),
        "rolls A...: one roll whole": lambda it: whole_roll(it, roll.roll),
        "check: known by listing": lambda it: (
            clearances.last_of_card(it, roll.card),
            offloads.of_digest(it, digest),
            cards.find_by_hints(it, hints),
        ),
        "check: by card code": lambda it: cards.find_by_code(it, roll.code),
        "copy: earlier checksums": lambda it: files.load_earlier(
            it, roll.card, made_inventory(middle).entries
        ),
        "copy: unfinished of a card": lambda it: offloads.unfinished(it, roll.card),
        "search: clip by its name": lambda it: clips.find(it, f"A{middle:05}C00"),
        "handover: all on a drive (1000)": lambda it: copies.on_drive(it, 1),
        "page: files and copies": lambda it: (
            files.load(it, offload.offload, FILES),
            [copies.load(it, each.copy, FILES) for each in copies.of_offload(it, offload.offload)],
        ),
    }


def whole_roll(ledger: Ledger, number: int) -> tuple[Any, ...]:
    """All that is shown of one roll."""
    roll = rolls.get(ledger, number)
    runs = offloads.of_roll(ledger, number)
    return (
        roll,
        [inventories.load(ledger, each.inventory) for each in runs],
        copies.of_roll(ledger, number),
        clearances.of_roll(ledger, number),
        clips.of_roll(ledger, number),
        rolls.names_before(ledger, number),
        standing.of_card(ledger, roll.card),
    )


def measured(home: bytes, ask: Callable[[Ledger], Any]) -> tuple[float, float]:
    """Median and slowest of a question, milliseconds, opening included."""
    times = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        with Ledger(home) as ledger:
            ask(ledger)
        times.append((time.perf_counter() - begun) * 1000)
    return statistics.median(times), max(times)


def fill(home: bytes, count: int) -> None:
    """Make the ledger, roll by roll as a station would, each in one transaction."""
    chance = random.Random(1)
    begun = time.perf_counter()
    with Ledger(home) as ledger:
        for number in range(count):
            fill_roll(ledger, number, chance)
        path = ledger.path
    took = time.perf_counter() - begun
    size = os.stat(path).st_size
    print(f"{count} rolls, {count * FILES} files, {count * CLIPS} clips: {size / 1e6:.0f} MB")
    print(f"filled in {took:.0f} s, {took / count * 1000:.1f} ms a roll")


def million(home: bytes) -> None:
    """One card of a million frames through the ledger: listing, checksums, two copies, loading."""
    count = 1_000_000
    entries = Entries(
        Entry(b"A001C001/%07d.dpx" % at, Kind.FILE, 8_000_000, BEGIN_NS) for at in range(count)
    )
    inventory = Inventory(entries)
    begun = time.perf_counter()
    with Ledger(home) as ledger:
        card = cards.add(ledger, cards.CardHints("v", "FRAMES", 10**13, "exfat"), BEGIN_NS)
        kept = inventories.keep(ledger, inventory)
        new = offloads.NewOffload(
            "k", card, kept, inventory.digest, Policy(), ("xxh128", "c4"), "m", "h", 1, BEGIN_NS
        )
        offload = offloads.start(ledger, new)
        listed = time.perf_counter()
        batch = 256
        columns = {"xxh128": bytes(16 * batch), "c4": bytes(64 * batch)}
        for start in range(0, count - count % batch, batch):
            files.add(ledger, offload, range(start, start + batch), EQUAL * batch, columns)
        noted = time.perf_counter()
        loaded = files.load(ledger, offload, count)
        assert loaded.states.count(EQUAL) == count - count % batch
        read = time.perf_counter()
    print(
        f"1,000,000 files: listing kept in {listed - begun:.1f} s, checksums in"
        f" {noted - listed:.1f} s ({count // batch} batches, each synced), loaded in"
        f" {read - noted:.1f} s"
    )


@contextlib.contextmanager
def folder(given: str) -> Iterator[bytes]:
    """The folder named, kept, or one that is removed afterwards."""
    if given:
        yield os.fsencode(given)
    else:
        with tempfile.TemporaryDirectory(prefix="ledger-bench-") as made:
            yield os.fsencode(made)


def show_plans(home: bytes, asked: dict[str, Callable[[Ledger], Any]]) -> None:
    """How SQLite goes about each statement of each question; tables it scans are marked."""
    with Ledger(home) as ledger:
        for name, ask in asked.items():
            print(f"\n{name}")
            steps = {
                row[3]
                for statement in traced(ledger, ask)
                for row in ledger.rows(f"EXPLAIN QUERY PLAN {statement}")
            }
            for step in sorted(steps):
                print(f"  {'!' if step.startswith('SCAN') else ' '} {step}")


def main() -> int:
    """Fill, ask, print; 1 when a question took 300 ms or more."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--rolls", type=int, default=10_000)
    parser.add_argument("--home", default="", help="folder for the ledger; kept and used again")
    parser.add_argument("--plans", action="store_true", help="show how each question is answered")
    chosen = parser.parse_args()
    is_slow = False
    with folder(chosen.home) as home:
        if not Path(os.fsdecode(home), "ledger.sqlite").exists():
            fill(home, chosen.rolls)
        with Ledger(home) as ledger:
            asked = questions(ledger, chosen.rolls)
        print(f"{'question':34} {'median':>9} {'slowest':>9}")
        for name, ask in asked.items():
            median, slowest = measured(home, ask)
            is_slow |= slowest >= 300
            print(f"{name:34} {median:6.1f} ms {slowest:6.1f} ms")
        if chosen.plans:
            show_plans(home, asked)
    with folder("") as home:
        million(home)
    return int(is_slow)


if __name__ == "__main__":
    sys.exit(main())
