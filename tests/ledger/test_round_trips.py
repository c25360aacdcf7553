"""What goes into the ledger comes out of it, whatever names a card holds."""

from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.ledger import Ledger, cards, clearances, decisions, drives, inventories, rolls
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import Decision
from offload.values.inventory import Inventory
from tests.ledger.conftest import HINTS, NOON, begin, listing

ANY_LEDGER = settings(max_examples=60, deadline=None)
# Any text that Python can hold, half surrogate pairs from stray bytes too.
ANY_TEXT = st.text(st.characters(), max_size=20) | st.binary(max_size=9).map(
    lambda raw: raw.decode("utf-8", "surrogateescape")
)
STRAY = st.binary(max_size=20).map(lambda raw: raw.decode("utf-8", "surrogateescape"))

ENTRY = st.builds(
    Entry,
    path=st.binary(min_size=1, max_size=30).filter(lambda path: b"\0" not in path),
    kind=st.sampled_from(Kind),
    size_bytes=st.integers(0, 2**63 - 1),
    mtime_ns=st.integers(-(2**63), 2**63 - 1),
    note=st.text(st.characters(blacklist_categories=["Cs"]), max_size=10),
)
ENTRIES = st.lists(ENTRY, max_size=20, unique_by=lambda entry: entry.path).map(Entries)


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    with Ledger(bytes(tmp_path_factory.mktemp("home"))) as opened:
        yield opened


@ANY_LEDGER
@given(ENTRIES, ENTRIES)
def test_inventory_comes_back(ledger: Ledger, entries: Entries, left_out: Entries) -> None:
    inventory = Inventory(entries, left_out)
    found = inventories.load(ledger, inventories.keep(ledger, inventory))
    assert found == inventory


@settings(max_examples=200, deadline=None)
@given(ENTRIES)
def test_packed_entries_come_back(entries: Entries) -> None:
    found = Entries.from_bytes(entries.to_bytes())
    assert found == entries
    assert list(found) == list(entries)


@settings(max_examples=300, deadline=None)
@given(ENTRIES, st.data())
def test_damaged_packed_entries_are_refused_or_whole(entries: Entries, data: st.DataObject) -> None:
    packed = bytearray(entries.to_bytes())
    at = data.draw(st.integers(0, len(packed) - 1))
    packed[at] ^= data.draw(st.integers(1, 255))
    try:
        found = Entries.from_bytes(bytes(packed))
    except ValueError:
        return
    assert len(list(found)) == len(entries)


@settings(max_examples=100, deadline=None)
@given(ENTRIES, st.data())
def test_packed_entries_cut_short_are_refused(entries: Entries, data: st.DataObject) -> None:
    packed = entries.to_bytes()
    with pytest.raises(ValueError, match="packed entries"):
        Entries.from_bytes(packed[: data.draw(st.integers(0, len(packed) - 1))])


@ANY_LEDGER
@given(STRAY, ANY_TEXT, ANY_TEXT)
def test_card_with_any_label_is_found(
    ledger: Ledger, label: str, volume_id: str, fs_type: str
) -> None:
    hints = cards.CardHints(volume_id, label, 2**40, fs_type)
    number = cards.add(ledger, hints, NOON)
    assert number in [card.card for card in cards.find_by_hints(ledger, hints)]
    assert cards.get(ledger, number).hints.label == label
    assert cards.find_by_label(ledger, label) != ()


@ANY_LEDGER
@given(ANY_TEXT, ANY_TEXT, ANY_TEXT)
def test_roll_and_its_renaming_take_any_text(
    ledger: Ledger, name: str, by: str, because: str
) -> None:
    card = cards.add(ledger, HINTS, NOON)
    new = rolls.NewRoll(name, card, "K7-4M2P", bytes(16), name, "2026-11-24", NOON)
    number = rolls.add(ledger, new)
    assert number in [roll.roll for roll in rolls.find(ledger, name)]
    rolls.rename(ledger, number, rolls.Renaming(name, "Z999", by, because, NOON))
    assert number in [roll.roll for roll in rolls.find(ledger, "Z999")]
    (change,) = rolls.names_before(ledger, number)
    assert change.new == "Z999"


@ANY_LEDGER
@given(ANY_TEXT, st.binary(max_size=40), st.frozensets(st.text(max_size=8), max_size=4))
def test_drive_takes_any_path_and_devices(
    ledger: Ledger, name: str, path: bytes, devices: frozenset[str]
) -> None:
    hints = drives.DriveHints("d", "v", "m", path, name, devices, 2**50, 0)
    found = drives.get(ledger, drives.use(ledger, hints, NOON))
    assert (found.hints.path, found.hints.devices) == (path, devices)


@ANY_LEDGER
@given(st.binary(max_size=40), st.binary(max_size=16), ANY_TEXT, ANY_TEXT)
def test_decision_binds_to_the_bytes_it_was_given_for(
    ledger: Ledger, path: bytes, checksum: bytes, by: str, because: str
) -> None:
    card = cards.add(ledger, HINTS, NOON)
    decisions.add(
        ledger,
        decisions.NewDecision(
            decisions.SETTLE, by, because, NOON, card=card, code="clip-unfinished",
            path=path, checksum=checksum,
        ),
    )  # fmt: skip
    (found,) = decisions.settled(ledger, card)
    assert isinstance(found, Decision)
    assert (found.code, found.path, found.checksum) == ("clip-unfinished", path, checksum)


@ANY_LEDGER
@given(ANY_TEXT, ANY_TEXT)
def test_clearance_takes_any_headline_and_mounting(
    ledger: Ledger, headline: str, mounting: str
) -> None:
    offload = begin(ledger, listing(b"a"), mounting=mounting)
    new = clearances.NewClearance(offload, 1, None, "d", "c4", "k", mounting, headline, NOON)
    clearances.add(ledger, new)
    assert clearances.last_of_card(ledger, 1) is not None
