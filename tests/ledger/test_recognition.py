"""A card that was seen before is recognised by its content, and a twin never is."""

import pytest

from offload.ledger import Ledger, cards, inventories, standing
from offload.ledger.recognition import recognise
from offload.values.entries import Entries, Entry, Kind
from offload.values.inventory import Inventory
from tests.ledger.conftest import HINTS, NOON

HOUR = 3600 * 10**9


def shot(*names: str, at_ns: int = NOON, size: int = 1000) -> Inventory:
    """A card with clips of these names, recorded one after the other."""
    return Inventory(
        Entries(
            Entry(name.encode(), Kind.FILE, size, at_ns + number * 7 * 10**9)
            for number, name in enumerate(names)
        )
    )


TEN = shot(*(f"A001C{number:03}.mov" for number in range(10)))


def seen(ledger: Ledger, inventory: Inventory, key: str, hints: cards.CardHints = HINTS) -> int:
    """A card was put in and listed, and has left."""
    card = cards.add(ledger, hints, NOON)
    cards.arrived(ledger, card, key, b"/media/UNTITLED", NOON)
    kept = inventories.keep(ledger, inventory)
    cards.tell_listing(ledger, card, inventory.digest, NOON, mounting=key, inventory=kept)
    return card


def test_card_put_in_again_is_recognised(ledger: Ledger) -> None:
    card = seen(ledger, TEN, "boot:1")
    assert recognise(ledger, HINTS, TEN, "boot:2") == card


def test_card_in_its_mounting_is_itself(ledger: Ledger) -> None:
    card = seen(ledger, TEN, "boot:1")
    assert recognise(ledger, HINTS, shot("other"), "boot:1") == card


def test_card_with_more_clips_and_a_rewritten_index_is_recognised(ledger: Ledger) -> None:
    card = seen(ledger, TEN, "boot:1")
    now = [*TEN.entries, Entry(b"A001C010.mov", Kind.FILE, 5, NOON)]
    now[0] = Entry(now[0].path, Kind.FILE, 4, NOON + HOUR)
    assert recognise(ledger, HINTS, Inventory(Entries(now)), "boot:2") == card


@pytest.mark.parametrize("shift_ns", [HOUR, -HOUR, 2 * 10**9], ids=["summer", "winter", "fat"])
def test_times_that_moved_with_the_system_do_not_matter(ledger: Ledger, shift_ns: int) -> None:
    card = seen(ledger, TEN, "boot:1")
    names = [entry.path.decode() for entry in TEN.entries]
    assert recognise(ledger, HINTS, shot(*names, at_ns=NOON + shift_ns), "boot:2") == card


def test_formatted_card_with_other_clips_is_another(ledger: Ledger) -> None:
    seen(ledger, TEN, "boot:1")
    assert recognise(ledger, HINTS, shot("B001C001.mov"), "boot:2") is None
    assert recognise(ledger, HINTS, shot(), "boot:2") is None


def test_twin_with_equal_names_and_sizes_is_another(ledger: Ledger) -> None:
    """Cameras that start at 0001 on each card and cut clips at one size make such twins."""
    card = seen(ledger, TEN, "boot:1")
    names = [entry.path.decode() for entry in TEN.entries]
    twin = shot(*names, at_ns=NOON + 100 * 10**9)
    assert twin.digest == TEN.digest
    assert recognise(ledger, HINTS, twin, "boot:2") is None
    assert [each.card.card for each in standing.not_proven(ledger)] == [card]


def test_clone_that_is_in_at_the_same_time_is_another(ledger: Ledger) -> None:
    card = seen(ledger, TEN, "boot:1")
    assert recognise(ledger, HINTS, TEN, "boot:2", mounted={"boot:1", "boot:2"}) is None
    # A mounting whose end nobody saw is no reason to take the card for another.
    assert recognise(ledger, HINTS, TEN, "boot:2", mounted={"boot:2"}) == card


def test_other_hints_are_another_card(ledger: Ledger) -> None:
    seen(ledger, TEN, "boot:1")
    other = cards.CardHints("other", HINTS.label, HINTS.size_bytes, HINTS.fs_type)
    assert recognise(ledger, other, TEN, "boot:2") is None


def test_card_that_was_never_listed_is_not_claimed_by_another(ledger: Ledger) -> None:
    card = cards.add(ledger, HINTS, NOON)
    cards.arrived(ledger, card, "boot:1", b"/m", NOON)
    assert recognise(ledger, HINTS, TEN, "boot:2") is None


def test_mountings_that_ended_unseen_are_closed(ledger: Ledger) -> None:
    gone, here = seen(ledger, TEN, "boot:1"), seen(ledger, shot("x"), "boot:2")
    cards.still_mounted(ledger, ["boot:2", "boot:3"], NOON + 5)
    assert standing.of_card(ledger, gone).place is standing.Place.OUT_NOT_PROVEN
    assert standing.of_card(ledger, here).place is standing.Place.IN_READER
    last = cards.last_mounting(ledger, gone)
    assert last is not None
    assert last.left_ns == NOON + 5
