"""Who begins: shared readers one after another, separate readers side by side, nobody starved."""

import random

import pytest

from offload.station.lanes import MOST_AT_ONCE, MOST_ON_A_DRIVE, InLine, may_begin


def card(key: str, *readers: str, drives: str = "12") -> InLine:
    return InLine(key, frozenset(readers), frozenset(drives))


def test_cards_of_one_reader_go_one_after_another() -> None:
    waiting = [card("a", "reader-1"), card("b", "reader-1")]
    assert may_begin(waiting, []) == ["a"]
    assert may_begin(waiting[1:], waiting[:1]) == []
    assert may_begin(waiting[1:], []) == ["b"]


def test_cards_of_two_readers_go_side_by_side() -> None:
    assert may_begin([card("a", "reader-1"), card("b", "reader-2")], []) == ["a", "b"]


def test_nobody_overtakes_on_a_reader_that_somebody_waits_for() -> None:
    # A double reader: the first waits for either half, so the second's half is spoken for.
    waiting = [card("a", "slot-1", "slot-2"), card("b", "slot-2")]
    assert may_begin(waiting, [card("c", "slot-1")]) == []


def test_running_cards_are_left_alone_when_all_room_is_taken() -> None:
    working = [card(f"w{n}", f"reader-{n}", drives=str(n)) for n in range(MOST_AT_ONCE)]
    assert may_begin([card("new", "reader-9", drives="9")], working) == []


def test_drive_takes_no_more_than_its_few_runs() -> None:
    working = [card(f"w{n}", f"reader-{n}", drives="1") for n in range(MOST_ON_A_DRIVE)]
    waiting = [card("a", "reader-8", drives="1"), card("b", "reader-9", drives="2")]
    assert may_begin(waiting, working) == ["b"]


@pytest.mark.parametrize("seed", range(20))
def test_every_card_has_its_turn_in_the_order_of_its_reader(seed: int) -> None:
    source = random.Random(seed)
    waiting = [card(str(n), f"reader-{source.randrange(3)}") for n in range(20)]
    readers = {each.key: each.readers for each in waiting}
    working: list[InLine] = []
    ended: list[str] = []
    for _ in range(1000):
        begun = may_begin(waiting, working)
        working += [each for each in waiting if each.key in begun]
        waiting = [each for each in waiting if each.key not in begun]
        busy = [reader for each in working for reader in each.readers]
        assert len(busy) == len(set(busy)) and len(working) <= MOST_AT_ONCE
        if not working:
            break
        ended.append(working.pop(source.randrange(len(working))).key)
    assert sorted(map(int, ended)) == list(range(20))
    for reader in {frozenset({f"reader-{n}"}) for n in range(3)}:
        order = [int(key) for key in ended if readers[key] == reader]
        assert order == sorted(order)
