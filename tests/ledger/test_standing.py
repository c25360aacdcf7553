"""Where cards and rolls stand: nothing that is out and not proven is ever forgotten."""

from offload.ledger import Ledger, cards, clearances, copies, drives, offloads, rolls, standing
from offload.ledger.standing import Place
from offload.values.verdict import Answer
from tests.ledger.conftest import HINTS, NOON, begin, listing

HOUR = 3600 * 10**9
INVENTORY = listing(b"A001C001.mov", b"A001C002.mov")


def put_in(
    ledger: Ledger, *, at_ns: int = NOON, card: int | None = None, key: str = "boot:1"
) -> int:
    """A card is put in and listed; returns its number."""
    if card is None:
        card = cards.add(ledger, HINTS, at_ns)
    cards.arrived(ledger, card, key, b"/media/UNTITLED", at_ns, reader="usb-1")
    cards.tell_listing(ledger, card, INVENTORY.digest, at_ns, mounting=key)
    return card


def give_verdict(ledger: Ledger, card: int, answer: Answer) -> int:
    offload = begin(ledger, INVENTORY, card=card)
    offloads.end(ledger, offload, answer, {}, NOON)
    return offload


def place(ledger: Ledger, card: int) -> Place:
    return standing.of_card(ledger, card).place


def unproven(ledger: Ledger) -> list[int]:
    return [each.card.card for each in standing.not_proven(ledger)]


def test_card_in_the_reader_is_there(ledger: Ledger) -> None:
    card = put_in(ledger)
    assert place(ledger, card) is Place.IN_READER
    assert unproven(ledger) == [card]


def test_card_that_leaves_cleared_was_safe(ledger: Ledger) -> None:
    card = put_in(ledger)
    give_verdict(ledger, card, Answer.CLEARED)
    assert place(ledger, card) is Place.IN_READER
    cards.left(ledger, "boot:1", NOON + 1)
    assert place(ledger, card) is Place.OUT_WAS_SAFE
    assert unproven(ledger) == []


def test_card_that_leaves_held_is_out_and_not_proven(ledger: Ledger) -> None:
    card = put_in(ledger)
    give_verdict(ledger, card, Answer.HELD)
    cards.left(ledger, "boot:1", NOON + 1)
    assert place(ledger, card) is Place.OUT_NOT_PROVEN
    assert unproven(ledger) == [card]


def test_card_that_leaves_before_it_was_listed_is_not_forgotten(ledger: Ledger) -> None:
    card = cards.add(ledger, HINTS, NOON)
    cards.arrived(ledger, card, "boot:1", b"/media/UNTITLED", NOON)
    cards.left(ledger, "boot:1", NOON + 1)
    assert place(ledger, card) is Place.OUT_NOT_PROVEN
    assert unproven(ledger) == [card]


def test_card_with_new_clips_since_its_clearance_is_not_proven(ledger: Ledger) -> None:
    card = put_in(ledger)
    give_verdict(ledger, card, Answer.CLEARED)
    cards.tell_listing(ledger, card, listing(b"A001C003.mov").digest, NOON + 1)
    cards.left(ledger, "boot:1", NOON + 2)
    assert place(ledger, card) is Place.OUT_NOT_PROVEN


def test_later_question_does_not_undo_a_clearance(ledger: Ledger) -> None:
    card = put_in(ledger)
    give_verdict(ledger, card, Answer.CLEARED)
    give_verdict(ledger, card, Answer.HELD)  # such as card-was-away
    cards.left(ledger, "boot:1", NOON + 2)
    assert place(ledger, card) is Place.OUT_WAS_SAFE


def test_voided_clearance_makes_its_card_unproven(ledger: Ledger) -> None:
    card = put_in(ledger)
    offload = give_verdict(ledger, card, Answer.CLEARED)
    given = clearances.NewClearance(
        offload, card, None, INVENTORY.digest, "c4x", "key", "boot:1", "2 drives", NOON
    )
    number = clearances.add(ledger, given)
    cards.left(ledger, "boot:1", NOON + 1)
    clearances.void(ledger, number, "shuttle-1 was formatted", NOON + 2)
    clearances.void(ledger, number, "later reason", NOON + 3)
    assert place(ledger, card) is Place.OUT_NOT_PROVEN
    found = clearances.last_of_card(ledger, card)
    assert found is not None
    assert (found.voided_ns, found.voided_because) == (NOON + 2, "shuttle-1 was formatted")


def test_dismissed_card_raises_no_alarm_until_it_comes_back(ledger: Ledger) -> None:
    card = put_in(ledger)
    cards.left(ledger, "boot:1", NOON + 1)
    standing.dismiss(ledger, card)
    assert place(ledger, card) is Place.DISMISSED
    assert unproven(ledger) == []
    put_in(ledger, card=card, key="boot:2", at_ns=NOON + 2)
    cards.left(ledger, "boot:2", NOON + 3)
    assert place(ledger, card) is Place.OUT_NOT_PROVEN


def test_cards_of_the_day_are_those_seen_in_it(ledger: Ledger) -> None:
    yesterday = put_in(ledger, at_ns=NOON - 24 * HOUR, key="boot:1")
    first = put_in(ledger, key="boot:2")
    second = put_in(ledger, at_ns=NOON + 1, key="boot:3")
    today = standing.seen_since(ledger, NOON - HOUR)
    assert [each.card.card for each in today] == [second, first]
    assert yesterday in unproven(ledger)


def test_standing_has_roll_offload_and_mounting(ledger: Ledger) -> None:
    card = put_in(ledger)
    new = rolls.NewRoll("A001", card, "K7-4M2P", bytes(16), "Night Ferry", "2026-11-24", NOON)
    roll = rolls.add(ledger, new)
    offload = give_verdict(ledger, card, Answer.HELD)
    found = standing.of_card(ledger, card)
    assert [each.roll for each in found.rolls] == [roll]
    assert found.offload is not None
    assert found.offload.offload == offload
    assert found.mounting is not None
    assert found.mounting.reader == "usb-1"


def test_list_of_rolls_shows_the_last_offload_of_each(ledger: Ledger) -> None:
    drive = drives.use(
        ledger, drives.DriveHints("d", "v", "m", b"/d", "ext4", frozenset(), 2, 1), NOON
    )
    made = []
    for number in range(3):
        card = cards.add(ledger, HINTS, NOON + number)
        new = rolls.NewRoll(
            f"A00{number}", card, f"K7-4M2{number}", bytes(16), "N", "2026-11-24", NOON + number
        )
        made.append(rolls.add(ledger, new))
        first = begin(ledger, listing(b"a"), card=card, roll=made[-1])
        last = begin(ledger, INVENTORY, card=card, roll=made[-1], continues=first)
        copy = copies.start(ledger, copies.NewCopy(last, drive, b"/d/A", frozenset(), "", NOON))
        copies.tell(ledger, copy, copies.CopyResult(copies.Stage.PROVEN, b"/d/A"), NOON)
    bare = rolls.add(ledger, rolls.NewRoll("B001", card, "", bytes(16), "N", "d", NOON + 9))
    found = standing.newest_rolls(ledger)
    assert [each.roll.roll for each in found] == [bare, *reversed(made)]
    assert (found[0].offload, found[0].proven_copies) == (None, 0)
    assert (found[1].files, found[1].total_bytes, found[1].proven_copies) == (2, 2000, 1)
    older = standing.newest_rolls(ledger, 1, before_ns=NOON + 2)
    assert [each.roll.roll for each in older] == [made[1]]


def test_pace_of_a_drive_is_what_went_onto_it_that_day(ledger: Ledger) -> None:
    drive = drives.use(
        ledger, drives.DriveHints("d", "v", "m", b"/d", "ext4", frozenset(), 2, 1), NOON
    )
    for at_ns, written in ((NOON - 1, 5), (NOON, 7), (NOON + HOUR, 11), (NOON + 24 * HOUR, 13)):
        offload = begin(ledger, INVENTORY)
        copy = copies.start(ledger, copies.NewCopy(offload, drive, b"/", frozenset(), "", at_ns))
        result = copies.CopyResult(copies.Stage.GROWING, b"/", written_bytes=written)
        copies.tell(ledger, copy, result, at_ns)
    found = copies.written_between(ledger, drive, NOON, NOON + 24 * HOUR)
    assert (found.copies, found.written_bytes) == (2, 18)


def test_card_mounted_somewhere_is_found_there(ledger: Ledger) -> None:
    card = put_in(ledger)
    assert [each.card for each in cards.find_mounted_at(ledger, b"/media/UNTITLED")] == [card]
    cards.left(ledger, "boot:1", NOON + 1)
    assert cards.find_mounted_at(ledger, b"/media/UNTITLED") == ()
