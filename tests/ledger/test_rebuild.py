"""A lost ledger is written back from records: everything returns, nothing counts as proven."""

from dataclasses import replace

import pytest

from offload.ledger import (
    Ledger,
    cards,
    clearances,
    copies,
    drives,
    files,
    inventories,
    offloads,
    rebuild,
    rolls,
    standing,
)
from offload.ledger.copies import Stage
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CardState, CopyState, ReadBack
from offload.values.inventory import Inventory
from offload.values.verdict import Answer
from tests.ledger.conftest import NOON

INVENTORY = Inventory(
    Entries(
        [
            Entry(b"A001C001.mov", Kind.FILE, 1000, NOON),
            Entry(b"EMPTY", Kind.FOLDER),
            Entry(b"link", Kind.LINK),
        ]
    )
)
CLEARANCE = rebuild.RecordedClearance(
    "c4x", "SHA256:abc", "2 separate drives", NOON + 5, "boot:9", withdrawn_ns=None
)
WITHDRAWN = replace(CLEARANCE, withdrawn_ns=NOON + 7)


def drive(name: str) -> drives.DriveHints:
    return drives.DriveHints(
        name, f"id-{name}", "c0ffee", b"/media/" + name.encode(), "exfat",
        frozenset({f"disk:{name}"}), 100, 50,
    )  # fmt: skip


FOUND = rebuild.FoundRecord(
    roll="A001",
    code="K7-4M2P",
    content_root=b"r" * 16,
    production="Night Ferry",
    day="2026-11-24",
    made_ns=NOON,
    inventory=INVENTORY,
    digests={"xxh128": b"a" * 16 + bytes(32), "c4": b"b" * 64 + bytes(128)},
    drive=drive("shuttle-1"),
    path=b"/media/shuttle-1/A001",
    clearance=CLEARANCE,
)


def test_record_is_written_back_whole(ledger: Ledger) -> None:
    roll = rebuild.write_back(ledger, FOUND, NOON + 9)
    (found,) = rolls.find(ledger, "A001")
    assert (found.roll, found.code, found.day) == (roll, "K7-4M2P", "2026-11-24")
    (offload,) = offloads.of_roll(ledger, roll)
    assert offload.work is offloads.Work.REBUILT
    assert inventories.load(ledger, offload.inventory) == INVENTORY
    columns = files.load(ledger, offload.offload, 3)
    assert columns.digest("c4", 0) == b"b" * 64
    kept = clearances.by_c4(ledger, "c4x")
    assert kept is not None
    assert (kept.given.key, kept.given.at_ns, kept.given.roll) == ("SHA256:abc", NOON + 5, roll)


def test_nothing_written_back_counts_as_proven(ledger: Ledger) -> None:
    roll = rebuild.write_back(ledger, FOUND, NOON)
    (copy,) = copies.of_roll(ledger, roll)
    assert (copy.result.stage, copy.result.read_back) == (Stage.RECORDED, ReadBack.NONE)
    assert copy.result.proven_files == 0
    columns = copies.load(ledger, copy.copy, 3)
    assert columns.states == bytes([CopyState.WRITTEN, CopyState.WRITTEN, CopyState.ABSENT])
    assert files.load(ledger, copy.offload, 3).states == bytes([CardState.NOT_READ] * 3)
    assert standing.newest_rolls(ledger)[0].proven_copies == 0


def test_second_drive_adds_a_copy_and_nothing_else(ledger: Ledger) -> None:
    roll = rebuild.write_back(ledger, FOUND, NOON)
    other = replace(FOUND, drive=drive("shuttle-2"), path=b"/media/shuttle-2/A001")
    for found in (FOUND, other, other):
        assert rebuild.write_back(ledger, found, NOON) == roll
    assert len(offloads.of_roll(ledger, roll)) == 1
    names = {copy.drive_name for copy in copies.of_roll(ledger, roll)}
    assert names == {"shuttle-1", "shuttle-2"}
    assert len(copies.of_roll(ledger, roll)) == 2
    assert len(clearances.of_roll(ledger, roll)) == 1


def test_other_roll_of_the_same_name_stays_another(ledger: Ledger) -> None:
    one = rebuild.write_back(ledger, FOUND, NOON)
    two = rebuild.write_back(ledger, replace(FOUND, content_root=b"s" * 16, code="X"), NOON)
    assert one != two
    assert len(rolls.find(ledger, "A001")) == 2


def test_old_card_without_clearance_raises_no_alarm(ledger: Ledger) -> None:
    rebuild.write_back(ledger, replace(FOUND, clearance=None), NOON)
    assert standing.not_proven(ledger) == ()
    rebuild.write_back(ledger, replace(FOUND, roll="A002", code="Y", content_root=b"t" * 16), NOON)
    assert standing.not_proven(ledger) == ()


def test_clearance_that_is_found_later_counts(ledger: Ledger) -> None:
    """The key that signed it was not known before, or the first drive had none."""
    for found in (replace(FOUND, clearance=None), FOUND):
        rebuild.write_back(ledger, found, NOON)
    (card,) = standing.seen_since(ledger, 0)
    assert card.place is standing.Place.OUT_WAS_SAFE
    rebuild.write_back(ledger, replace(FOUND, clearance=WITHDRAWN), NOON)
    (card,) = standing.not_proven(ledger)
    assert card.place is standing.Place.OUT_NOT_PROVEN


@pytest.mark.parametrize("told_first", ["in force", "withdrawn"])
def test_clearance_withdrawn_on_any_drive_is_void(ledger: Ledger, told_first: str) -> None:
    """One drive was away when the card was held: its copy of the clearance lies there unchanged."""
    away = replace(FOUND, drive=drive("shuttle-2"), path=b"/media/shuttle-2/A001")
    found = [away, replace(FOUND, clearance=WITHDRAWN)]
    for each in found if told_first == "in force" else reversed(found):
        rebuild.write_back(ledger, each, NOON + 9)
    kept = clearances.by_c4(ledger, "c4x")
    assert kept is not None
    assert (kept.voided_ns, kept.voided_because) == (NOON + 7, "withdrawn on a drive")
    (stood,) = standing.not_proven(ledger)
    assert stood.place is standing.Place.OUT_NOT_PROVEN
    assert stood.offload is not None
    assert stood.offload.answer is Answer.HELD
    assert standing.newest_rolls(ledger)[0].answer is Answer.HELD


def test_clearance_after_a_withdrawn_one_stands(ledger: Ledger) -> None:
    rebuild.write_back(ledger, replace(FOUND, clearance=WITHDRAWN), NOON + 9)
    later = replace(CLEARANCE, c4="c4y", at_ns=NOON + 20)
    for found in (later, WITHDRAWN):
        rebuild.write_back(ledger, replace(FOUND, clearance=found), NOON + 30)
    kept = clearances.by_c4(ledger, "c4y")
    assert kept is not None
    assert kept.voided_ns is None
    (roll,) = standing.newest_rolls(ledger)
    assert roll.answer is Answer.CLEARED
    assert standing.not_proven(ledger) == ()


def test_record_of_many_files_is_written_in_batches(ledger: Ledger) -> None:
    entries = Entries(Entry(b"%05d.dpx" % number, Kind.FILE, 1) for number in range(5000))
    digests = {"xxh128": b"".join(number.to_bytes(16, "big") for number in range(5000))}
    found = replace(FOUND, inventory=Inventory(entries), digests=digests)
    roll = rebuild.write_back(ledger, found, NOON)
    (offload,) = offloads.of_roll(ledger, roll)
    columns = files.load(ledger, offload.offload, 5000)
    assert columns.digest("xxh128", 4999) == (4999).to_bytes(16, "big")


def test_failed_writing_back_leaves_nothing(ledger: Ledger) -> None:
    broken = replace(FOUND, digests={"xxh128": b"short"})
    try:
        rebuild.write_back(ledger, broken, NOON)
    except RuntimeError:
        pass
    else:
        raise AssertionError("a column of the wrong length was taken")
    assert rolls.find(ledger, "A001") == ()
    assert drives.all_known(ledger) == ()


def test_card_is_known_by_what_the_clearance_says_of_it(ledger: Ledger) -> None:
    """The first drive may have no clearance that counts, and then nothing tells the card."""
    hints = cards.CardHints("c4-rd", "NIGHT", 64, "exfat")
    other = replace(FOUND, drive=drive("shuttle-2"), path=b"/media/shuttle-2/A001")
    rebuild.write_back(ledger, replace(other, clearance=None), NOON)
    assert cards.find_by_hints(ledger, hints) == ()
    for given in (hints, replace(hints, volume_id="another")):
        rebuild.write_back(ledger, replace(FOUND, card=given), NOON)
    (known,) = cards.find_by_hints(ledger, hints)
    assert known.code == "K7-4M2P"


def test_what_a_run_of_this_ledger_found_stays_as_it_is(ledger: Ledger) -> None:
    roll = rebuild.write_back(ledger, FOUND, NOON)
    ledger.change("UPDATE offloads SET kind = ?", (offloads.Work.COPY.value,))
    before = (
        copies.of_roll(ledger, roll),
        offloads.of_roll(ledger, roll),
        drives.all_known(ledger),
    )
    other = replace(FOUND, drive=drive("shuttle-2"), path=b"/media/shuttle-2/A001")
    rebuild.write_back(ledger, replace(other, clearance=replace(CLEARANCE, c4="c4y")), NOON + 9)
    after = (copies.of_roll(ledger, roll), offloads.of_roll(ledger, roll), drives.all_known(ledger))
    assert before == after
    assert clearances.by_c4(ledger, "c4y") is None
    rebuild.write_back(ledger, replace(other, clearance=WITHDRAWN), NOON + 9)
    kept = clearances.by_c4(ledger, "c4x")
    assert kept is not None
    assert kept.voided_ns == NOON + 7
