"""The ledger's file: durable, shared, and honest about a disk that fails it."""

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from offload.errors import LedgerError
from offload.ledger import Ledger, cards, copies, drives, files, inventories, offloads, schema
from offload.ledger.columns import NO_FACTS
from offload.values.facts import CardState
from offload.values.inventory import Inventory
from tests.ledger.conftest import HINTS, NOON, begin, listing

_WRITE_UNTIL_KILLED = """
import os, sys
from offload.ledger import Ledger, files
from tests.ledger.conftest import begin, listing
ledger = Ledger(os.fsencode(sys.argv[1]))
names = [b"%05d.dpx" % number for number in range(6400)]
offload = begin(ledger, listing(*names))
print(offload, flush=True)
for batch in range(100):
    numbers = range(batch * 64, batch * 64 + 64)
    with ledger.writing():
        files.add(ledger, offload, numbers[:32], b"\\1" * 32, {"xxh128": b"a" * 512})
        files.add(ledger, offload, numbers[32:], b"\\1" * 32, {"xxh128": b"b" * 512})
    print(batch, flush=True)
"""

_HOLD_THE_LOCK = """
import os, sys, sqlite3
connection = sqlite3.connect(os.fsencode(sys.argv[1]), isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
print("locked", flush=True)
sys.stdin.read()
"""


def started(script: str, *arguments: bytes) -> "subprocess.Popen[str]":
    command = [sys.executable, "-c", script, *map(os.fsdecode, arguments)]
    pipe = subprocess.PIPE
    return subprocess.Popen(
        command, stdin=pipe, stdout=pipe, text=True, cwd=Path(__file__).parents[2]
    )


@pytest.mark.parametrize("seed", range(6))
def test_kill_loses_nothing_that_was_acknowledged(home: bytes, seed: int) -> None:
    process = started(_WRITE_UNTIL_KILLED, home)
    try:
        assert process.stdout is not None
        offload = int(process.stdout.readline())
        for _ in range(random.Random(seed).randrange(1, 60)):
            said = process.stdout.readline()
        os.kill(process.pid, signal.SIGKILL)
        # Not ``communicate``: it passes by what the stream has read ahead.
        rest = process.stdout.read()
    finally:
        process.kill()
        process.communicate()
    acknowledged = int((said + rest).split()[-1]) + 1
    with Ledger(home) as ledger:
        assert ledger.problems(thorough=True) == ()
        assert [each.offload for each in offloads.all_unfinished(ledger)] == [offload]
        states = files.load(ledger, offload, 6400).states
    known = states.count(CardState.READ_EQUAL)
    assert states == b"\1" * known + bytes(6400 - known)
    # Whole batches only, all that were acknowledged, and at most the one that was under way.
    assert known in (acknowledged * 64, acknowledged * 64 + 64)


def test_two_processes_write_side_by_side(ledger: Ledger, home: bytes) -> None:
    process = started(_WRITE_UNTIL_KILLED, home)
    number = begin(ledger, listing(b"a"))
    for _ in range(50):
        files.add(ledger, number, [0], b"\1", {"xxh128": b"x" * 16})
    out, _ = process.communicate()
    assert process.returncode == 0
    theirs = int(out.split()[0])
    assert files.load(ledger, theirs, 6400).states == b"\1" * 6400
    assert files.load(ledger, number, 1).states == b"\1"


def test_threads_share_one_ledger(ledger: Ledger) -> None:
    number = begin(ledger, listing(*(b"%d" % each for each in range(8))))
    failed: list[BaseException] = []

    def work(at: int) -> None:
        try:
            for state in (1, 2, 3, 1):
                with ledger.writing():
                    files.add(ledger, number, [at], bytes([state]), {})
                    assert files.load(ledger, number, 8).states[at] == state
                assert offloads.get(ledger, number).offload == number
        except BaseException as error:
            failed.append(error)
            raise

    threads = [threading.Thread(target=work, args=(at,)) for at in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert files.load(ledger, number, 8).states == b"\1" * 8


def test_reader_is_not_kept_by_an_open_transaction(ledger: Ledger) -> None:
    seen: list[int] = []
    with ledger.writing():
        cards.add(ledger, HINTS, NOON)
        other = threading.Thread(
            target=lambda: seen.append(len(cards.find_by_hints(ledger, HINTS)))
        )
        other.start()
        other.join(timeout=20)
        assert len(cards.find_by_hints(ledger, HINTS)) == 1
    assert seen == [0]


def test_failed_transaction_leaves_nothing(ledger: Ledger) -> None:
    with pytest.raises(ZeroDivisionError), ledger.writing():
        cards.add(ledger, HINTS, NOON)
        raise ZeroDivisionError
    assert cards.find_by_hints(ledger, HINTS) == ()
    cards.add(ledger, HINTS, NOON)
    assert len(cards.find_by_hints(ledger, HINTS)) == 1


def test_failed_part_takes_the_whole_with_it(ledger: Ledger) -> None:
    with pytest.raises(RuntimeError, match="cannot be kept"), ledger.writing():
        cards.add(ledger, HINTS, NOON)
        with pytest.raises(ZeroDivisionError), ledger.writing():
            cards.add(ledger, HINTS, NOON)
            raise ZeroDivisionError
    assert cards.find_by_hints(ledger, HINTS) == ()


def test_lock_of_another_process_is_waited_for_and_named(home: bytes) -> None:
    Ledger(home).close()
    with Ledger(home, wait_s=0.2) as ledger:
        process = started(_HOLD_THE_LOCK, ledger.path)
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "locked\n"
            with pytest.raises(LedgerError, match="another program keeps the ledger locked"):
                cards.add(ledger, HINTS, NOON)
            # What was there before can still be read, and works again afterwards.
            assert cards.find_by_hints(ledger, HINTS) == ()
        finally:
            process.communicate("")
        cards.add(ledger, HINTS, NOON)


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[bytes]:
    """A file system of a few blocks; taken down whatever happens."""
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", folder], check=True)
    try:
        yield bytes(folder)
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


@pytest.mark.lab
def test_full_disk_is_named_and_loses_nothing(tmp_path: Path) -> None:
    with small_disk(tmp_path / "small", "2m") as home, Ledger(home) as ledger:
        number = begin(ledger, listing(*(b"%04d" % each for each in range(1000))))
        written = 0
        with pytest.raises(LedgerError, match="disk with the ledger is full") as caught:
            while written < 1000:
                files.add(ledger, number, range(1000), b"\1" * 1000, {"xxh128": bytes(16000)})
                written += 1
        assert "nothing is cleared" in caught.value.meaning
        assert written > 0
        assert offloads.get(ledger, number).state is offloads.State.LISTED
        (batches,) = ledger.rows("SELECT count(*) FROM files")[0]
        assert batches == written
        subprocess.run(["mount", "-o", "remount,size=8m", os.fsdecode(home)], check=True)
        files.add(ledger, number, [0], b"\2", {})
        assert ledger.problems(thorough=True) == ()
        assert files.load(ledger, number, 1000).states[0] == 2


def filled(home: bytes) -> bytes:
    """A closed ledger of some 200 kB; returns its path."""
    with Ledger(home) as ledger:
        number = begin(ledger, listing(*(b"%04d" % each for each in range(1000))))
        for _ in range(10):
            files.add(ledger, number, range(1000), b"\1" * 1000, {"xxh128": bytes(16000)})
        return ledger.path


def test_ledger_cut_in_half_is_refused_at_once(home: bytes) -> None:
    path = filled(home)
    os.truncate(path, os.stat(path).st_size // 2)
    with pytest.raises(LedgerError, match="the ledger is damaged") as caught:
        Ledger(home)
    assert "offload verify FOLDER" in caught.value.meaning


def test_ledger_of_other_bytes_is_refused(home: bytes) -> None:
    path = filled(home)
    Path(os.fsdecode(path)).write_bytes(b"not a database" * 1000)
    with pytest.raises(LedgerError, match="not a ledger"):
        Ledger(home)


def test_damage_inside_is_found_by_the_check(home: bytes) -> None:
    path = filled(home)
    with open(path, "r+b") as file:
        file.seek(os.stat(path).st_size // 2)
        file.write(random.Random(1).randbytes(8192))
    with Ledger(home) as ledger:
        assert ledger.problems() != ()


def test_damaged_listing_is_never_taken_for_the_card(ledger: Ledger) -> None:
    number = inventories.keep(ledger, listing(b"A001C001.mov", b"A001C002.mov"))
    other = inventories.keep(ledger, listing(b"A001C001.mov"))
    ledger.change(
        "UPDATE inventories SET entries = (SELECT entries FROM inventories WHERE id = ?)"
        " WHERE id = ?",
        (other, number),
    )
    with pytest.raises(LedgerError, match="damaged"):
        inventories.load(ledger, number)


@pytest.mark.parametrize("column", ["entries", "states", "checksums", "digests"])
def test_damaged_batch_is_never_taken_for_proof(ledger: Ledger, column: str) -> None:
    number = begin(ledger, listing(b"a", b"b"))
    files.add(ledger, number, [0, 1], b"\1\1", {"xxh128": bytes(32)})
    flip_one_bit(ledger, "files", column)
    with pytest.raises(LedgerError, match="damaged"):
        files.load(ledger, number, 2)


@pytest.mark.parametrize("column", ["entries", "states", "facts"])
def test_damaged_batch_of_a_copy_is_never_taken_for_proof(ledger: Ledger, column: str) -> None:
    number = begin(ledger, listing(b"a", b"b"))
    hints = drives.DriveHints("d", "v", "m", b"/d", "ext4", frozenset(), 2, 1)
    drive = drives.use(ledger, hints, NOON)
    copy = copies.start(ledger, copies.NewCopy(number, drive, b"/d/A", frozenset(), "", NOON))
    copies.add_files(ledger, copy, [0, 1], b"\0\0", [NO_FACTS] * 2)
    flip_one_bit(ledger, "copied", column)
    with pytest.raises(LedgerError, match="damaged"):
        copies.load(ledger, copy, 2)


def flip_one_bit(ledger: Ledger, table: str, column: str) -> None:
    """What a disk that lies does: absent becomes proven, and all lengths still fit."""
    (kept,) = ledger.rows(f"SELECT {column} FROM {table}")[0]
    flipped = bytearray(kept.encode() if isinstance(kept, str) else kept)
    flipped[-3 if column == "checksums" else -1] ^= 1
    value = flipped.decode() if isinstance(kept, str) else bytes(flipped)
    ledger.change(f"UPDATE {table} SET {column} = ?", (value,))


def test_database_of_another_program_is_left_alone(home: bytes) -> None:
    os.makedirs(home)
    path = os.path.join(home, b"ledger.sqlite")
    with sqlite3.connect(os.fsdecode(path)) as other:
        other.execute("CREATE TABLE theirs (x)")
    other.close()
    before = Path(os.fsdecode(path)).read_bytes()
    with pytest.raises(LedgerError, match="another program"):
        Ledger(home)
    assert Path(os.fsdecode(path)).read_bytes() == before


def test_newer_ledger_is_left_alone(home: bytes) -> None:
    path = filled(home)
    with sqlite3.connect(os.fsdecode(path)) as newer:
        newer.execute(f"PRAGMA user_version = {schema.LATEST + 1}")
    newer.close()
    with pytest.raises(LedgerError, match="a newer version"):
        Ledger(home)


@pytest.mark.parametrize("how", ["removed", "replaced"])
def test_ledger_taken_away_under_us_is_noticed(ledger: Ledger, home: bytes, how: str) -> None:
    cards.add(ledger, HINTS, NOON)
    shutil.move(os.fsdecode(ledger.path), os.fsdecode(home + b"/aside"))
    if how == "replaced":
        shutil.copy(os.fsdecode(home + b"/aside"), os.fsdecode(ledger.path))
    with pytest.raises(LedgerError, match="moved, removed or replaced"):
        cards.add(ledger, HINTS, NOON)


def test_commit_waits_for_the_disk(ledger: Ledger) -> None:
    # 2 is FULL (https://www.sqlite.org/pragma.html#pragma_synchronous).
    with ledger.writing() as connection:
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)


def test_row_that_points_nowhere_is_refused(ledger: Ledger) -> None:
    with pytest.raises(sqlite3.IntegrityError):
        files.add(ledger, 99, [0], b"\1", {})


def test_ledger_in_a_folder_of_stray_bytes(tmp_path: Path) -> None:
    home = bytes(tmp_path) + b"/A001_\xff\xfe\n"
    with Ledger(home) as ledger:
        cards.add(ledger, HINTS, NOON)
    with Ledger(home) as ledger:
        assert len(cards.find_by_hints(ledger, HINTS)) == 1


def test_ledger_is_for_its_owner_alone(home: bytes) -> None:
    Ledger(home).close()
    assert os.stat(home).st_mode & 0o777 == 0o700


def test_equal_listings_are_kept_once(ledger: Ledger) -> None:
    one = inventories.keep(ledger, listing(b"a", b"b"))
    assert inventories.keep(ledger, listing(b"b", b"a")) == one
    assert inventories.keep(ledger, listing(b"a", b"b", size=2)) != one
    assert inventories.describe(ledger, one).total_bytes == 2000


def test_empty_listing_is_kept(ledger: Ledger) -> None:
    number = inventories.keep(ledger, Inventory(listing().entries))
    assert len(inventories.load(ledger, number).entries) == 0
