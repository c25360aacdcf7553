"""Offloads go forward, are found again after a kill, and keep runs apart."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from offload.ledger import Ledger, cards, copies, drives, files, findings, likeness, offloads, rolls
from offload.ledger.columns import NO_FACTS
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CardState, CopyState, ReadBack
from offload.values.findings import Finding
from offload.values.inventory import Inventory
from offload.values.verdict import Answer
from tests.ledger.conftest import HINTS, NOON, begin, listing

SHUTTLE = drives.DriveHints(
    "shuttle-1", "5f1c", "c0ffee", b"/media/SHUTTLE", "exfat", frozenset({"disk:8:0"}), 9, 5
)


def test_unfinished_offload_is_found_by_mounting_digest_and_card(ledger: Ledger) -> None:
    inventory = listing(b"A001C001.mov")
    number = begin(ledger, inventory)
    offloads.move(ledger, number, offloads.State.COPYING, NOON + 1)
    card = offloads.get(ledger, number).card
    for found in (
        offloads.unfinished_in(ledger, "boot:41"),
        offloads.unfinished_of(ledger, inventory.digest),
        offloads.unfinished(ledger, card),
        offloads.all_unfinished(ledger),
    ):
        assert [each.offload for each in found] == [number]
    assert offloads.unfinished_in(ledger, "boot:42") == ()


def test_ended_offload_is_no_longer_unfinished(ledger: Ledger) -> None:
    inventory = listing(b"A001C001.mov")
    number = begin(ledger, inventory)
    offloads.end(ledger, number, Answer.HELD, {"verdict": "held", "holds": []}, NOON + 9)
    kept = offloads.get(ledger, number)
    assert offloads.all_unfinished(ledger) == ()
    assert (kept.answer, kept.verdict["verdict"]) == (Answer.HELD, "held")
    assert kept.ended_ns == NOON + 9


def test_policy_and_declarations_come_back(ledger: Ledger) -> None:
    kept = offloads.get(ledger, begin(ledger, listing(b"a")))
    assert kept.policy.declared_separate == {frozenset({"shuttle-1", "shuttle-2"})}
    assert kept.checksums == ("xxh128", "c4")


def test_offload_never_goes_backwards(ledger: Ledger) -> None:
    number = begin(ledger, listing(b"a"))
    offloads.move(ledger, number, offloads.State.PROVING, NOON)
    with pytest.raises(RuntimeError, match="proving to copying"):
        offloads.move(ledger, number, offloads.State.COPYING, NOON)


def test_verdict_is_given_once(ledger: Ledger) -> None:
    number = begin(ledger, listing(b"a"))
    offloads.end(ledger, number, Answer.HELD, {}, NOON)
    with pytest.raises(RuntimeError, match="over already"):
        offloads.end(ledger, number, Answer.CLEARED, {}, NOON)
    assert offloads.get(ledger, number).answer is Answer.HELD


def test_continuing_ends_the_row_before(ledger: Ledger) -> None:
    first = begin(ledger, listing(b"a"))
    card = offloads.get(ledger, first).card
    second = begin(ledger, listing(b"a"), card=card, continues=first, mounting="boot:50")
    assert offloads.get(ledger, first).state is offloads.State.CONTINUED
    assert [each.offload for each in offloads.all_unfinished(ledger)] == [second]
    assert [each.offload for each in offloads.of_key(ledger, "5d0c")] == [second, first]


def test_proofs_of_one_run_are_not_those_of_the_next(ledger: Ledger) -> None:
    first = begin(ledger, listing(b"a"))
    files.add(ledger, first, [0], bytes([CardState.READ_EQUAL]), {"xxh128": b"x" * 16})
    card = offloads.get(ledger, first).card
    second = begin(ledger, listing(b"a"), card=card, continues=first)
    columns = files.load(ledger, second, 1)
    assert columns.states == bytes([CardState.NOT_READ])
    assert columns.digest("xxh128", 0) is None


def test_later_batch_overrules_earlier_one(ledger: Ledger) -> None:
    number = begin(ledger, listing(b"a", b"b", b"c"))
    equal = bytes([CardState.READ_EQUAL])
    digests = {"xxh128": b"A" * 16 + b"C" * 16, "c4": b"a" * 64 + b"c" * 64}
    files.add(ledger, number, [0, 2], equal * 2, digests)
    files.add(ledger, number, [2], bytes([CardState.DIFFERS]), {})
    columns = files.load(ledger, number, 3)
    assert columns.states == bytes([CardState.READ_EQUAL, 0, CardState.DIFFERS])
    assert columns.digest("c4", 2) == b"c" * 64
    assert columns.digest("xxh128", 1) is None
    assert columns.digest("md5", 0) is None


def test_batch_of_unequal_columns_is_refused(ledger: Ledger) -> None:
    number = begin(ledger, listing(b"a", b"b"))
    with pytest.raises(RuntimeError, match="differ in length"):
        files.add(ledger, number, [0, 1], b"\1", {})
    with pytest.raises(RuntimeError, match="differ in length"):
        files.add(ledger, number, [0, 1], b"\1\1", {"xxh128": b"x" * 31})


def test_earlier_checksums_are_found_by_path_size_and_time(ledger: Ledger) -> None:
    before = listing(b"A001C001.mov", b"A001C002.mov", b"index")
    number = begin(ledger, before)
    digests = {"xxh128": b"1" * 16 + b"2" * 16 + b"i" * 16}
    files.add(ledger, number, [0, 1, 2], bytes(3), digests)
    now = listing(b"A001C001.mov", b"A001C001b.mov", b"A001C002.mov").entries
    card = offloads.get(ledger, number).card
    found = files.load_earlier(ledger, card, now)
    assert found.digest("xxh128", 0) == b"1" * 16
    assert found.digest("xxh128", 1) is None
    assert found.digest("xxh128", 2) == b"2" * 16
    assert found.states == bytes(3)
    grown = listing(b"A001C001.mov", size=1001).entries
    assert files.load_earlier(ledger, card, grown).digest("xxh128", 0) is None


@pytest.mark.parametrize(
    ("apart_s", "is_same"),
    [(0, True), (2, True), (3, False), (3600, True), (-3601, True), (900, True), (450, False)],
)
def test_times_move_by_quarter_hours_and_two_seconds(apart_s: int, is_same: bool) -> None:
    assert likeness.is_same_time(NOON, NOON + apart_s * 10**9) is is_same


def test_copy_keeps_states_and_facts_for_each_file(ledger: Ledger) -> None:
    number = begin(ledger, listing(b"a", b"b"))
    drive = drives.use(ledger, SHUTTLE, NOON)
    copy = copies.start(
        ledger,
        copies.NewCopy(number, drive, b"/m/A\xff.incomplete", SHUTTLE.devices, "boot:7", NOON),
    )
    facts = (2**64 - 1, 2**63, 1000, -5, 2**62)
    copies.add_files(ledger, copy, [1], bytes([CopyState.WRITTEN]), [facts])
    copies.add_files(ledger, copy, [1, 0], bytes([CopyState.PROVEN_DEVICE, 6]), [facts, NO_FACTS])
    columns = copies.load(ledger, copy, 2)
    assert columns.states == bytes([CopyState.FAILED, CopyState.PROVEN_DEVICE])
    assert columns.fact(1) == facts
    assert columns.fact(0) is None


def test_result_of_a_copy_is_shown_with_its_drive(ledger: Ledger) -> None:
    number = begin(ledger, listing(b"a"))
    drive = drives.use(ledger, SHUTTLE, NOON)
    copy = copies.start(
        ledger, copies.NewCopy(number, drive, b"/m/A.incomplete", SHUTTLE.devices, "boot:7", NOON)
    )
    result = copies.CopyResult(
        copies.Stage.PROVEN, b"/m/A", ReadBack.DEVICE, proven_files=1, written_bytes=1000
    )
    copies.tell(ledger, copy, result, NOON + 5)
    (found,) = copies.of_offload(ledger, number)
    assert (found.drive_name, found.result) == ("shuttle-1", result)
    assert copies.on_drive(ledger, drive) == (found,)
    assert copies.on_drive(ledger, drive, before_ns=NOON) == ()


def test_copies_of_a_roll_come_from_all_its_offloads(ledger: Ledger) -> None:
    first = begin(ledger, listing(b"a"))
    card = offloads.get(ledger, first).card
    roll = rolls.add(ledger, rolls.NewRoll("A001", card, "K7-4M2P", b"r" * 16, "N", "d", NOON))
    second = begin(ledger, listing(b"a"), card=card, continues=first)
    drive = drives.use(ledger, SHUTTLE, NOON)
    for number in (first, second):
        offloads.give_roll(ledger, number, roll)
        copies.start(ledger, copies.NewCopy(number, drive, b"/m/A", SHUTTLE.devices, "", NOON))
    assert [copy.offload for copy in copies.of_roll(ledger, roll)] == [second, first]


def test_findings_beyond_the_bound_are_counted(ledger: Ledger) -> None:
    number = begin(ledger, listing(b"a"))
    found = [Finding("unreadable-on-card", "input/output error", b"\xff\n[bold]")]
    findings.add(ledger, number, found * (findings.MOST_KEPT - 1), NOON)
    findings.add(ledger, number, found * 3, NOON)
    kept = findings.of_offload(ledger, number)
    assert len(kept) == findings.MOST_KEPT
    assert kept[-1] == found[0]
    assert offloads.get(ledger, number).findings_beyond == 2


def test_card_is_found_by_its_hints_and_twins_stay_two(ledger: Ledger) -> None:
    one, two = cards.add(ledger, HINTS, NOON), cards.add(ledger, HINTS, NOON + 1)
    assert [card.card for card in cards.find_by_hints(ledger, HINTS)] == [two, one]


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.lists(
        st.tuples(
            st.dictionaries(st.integers(0, 30), st.integers(1, 3), max_size=25), st.integers()
        ),
        min_size=1,
        max_size=3,
    ),
    st.dictionaries(st.integers(0, 30), st.integers(1, 3), min_size=1, max_size=25),
)
def test_earlier_checksums_are_the_newest_that_fit(
    ledger: Ledger, earlier: list[tuple[dict[int, int], int]], now: dict[int, int]
) -> None:
    """Against the plain way: for each file the newest offload that saw it with this size."""
    card = cards.add(ledger, HINTS, NOON)
    expected: dict[int, bytes] = {}
    for run, (sizes, mask) in enumerate(earlier):
        entries = Entries(Entry(b"%02d" % at, Kind.FILE, size, NOON) for at, size in sizes.items())
        number = begin(ledger, Inventory(entries), card=card)
        read = [at for at in range(len(entries)) if mask >> at & 1]
        digests = [b"%8d%8d" % (run, at) for at in read]
        files.add(ledger, number, read, bytes(len(read)), {"xxh128": b"".join(digests)})
        for at, digest in zip(read, digests, strict=True):
            path = int(entries.path(at))
            if now.get(path) == sizes[path]:
                expected[path] = digest
    entries = Entries(Entry(b"%02d" % at, Kind.FILE, size, NOON) for at, size in now.items())
    columns = files.load_earlier(ledger, card, entries)
    found = {int(entries.path(at)): columns.digest("xxh128", at) for at in range(len(entries))}
    assert {path: digest for path, digest in found.items() if digest is not None} == expected
