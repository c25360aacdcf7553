"""Which file of a recorder's card is in which roll: every one in exactly one, whatever was done."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.clearance import decide
from offload.jobs.card_rolls import Division, EarlierRoll, divide
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CardState, CopyState, DriveFacts, Facts, ReadBack
from offload.values.inventory import Inventory

MINUTE_NS = 60 * 10**9
names = st.sampled_from([b"A.WAV", b"B.WAV", b"C.WAV", b"D/E.WAV", b"SESSION.XML"])
sizes = st.integers(1, 3)
times = st.integers(0, 2).map(lambda number: number * MINUTE_NS)
cards = st.dictionaries(names, st.tuples(sizes, times), max_size=5)


def listing(files: dict[bytes, tuple[int, int]]) -> Inventory:
    return Inventory(
        Entries(Entry(path, Kind.FILE, size, time) for path, (size, time) in sorted(files.items()))
    )


def roll(number: int, files: dict[bytes, tuple[int, int]], day: str = "") -> EarlierRoll:
    name = "S1" if number == 1 else f"S1-{number}"
    return EarlierRoll(number, name, "K7-4M2P", day or f"2030-11-{number:02}", listing(files))


def divided(
    card: dict[bytes, tuple[int, int]],
    earlier: list[dict[bytes, tuple[int, int]]],
    day: str = "2030-11-29",
) -> Division | None:
    known = [roll(at, files) for at, files in enumerate(earlier, 1)]
    return divide(listing(card).entries, known, day, by_rule="unnamed-0")


@given(card=cards, earlier=st.lists(cards, max_size=3), day=st.integers(1, 5))
def test_every_file_is_in_one_roll(
    card: dict[bytes, tuple[int, int]], earlier: list[dict[bytes, tuple[int, int]]], day: int
) -> None:
    found = divided(card, earlier, f"2030-11-{day:02}")
    if found is None:
        return
    numbers = sorted(number for each in found.rolls for number in each.numbers)
    assert numbers == list(range(len(card)))
    assert len({each.name for each in found.rolls}) == len(found.rolls)
    entries = listing(card).entries
    for each in found.rolls:
        here = {entries.path(number) for number in each.numbers}
        assert not here & each.gone
        held = each.inventory.entries
        assert {held.path(at) for at in range(len(held))} == here | each.gone


@settings(max_examples=300)
@given(
    card=cards.filter(bool),
    earlier=st.lists(cards, max_size=3),
    spoiled=st.integers(0, 9),
    drive=st.integers(0, 1),
    state=st.sampled_from([each for each in CopyState if each is not CopyState.PROVEN_DEVICE]),
)
def test_one_unproven_file_of_any_roll_keeps_the_card(
    card: dict[bytes, tuple[int, int]],
    earlier: list[dict[bytes, tuple[int, int]]],
    spoiled: int,
    drive: int,
    state: CopyState,
) -> None:
    inventory = listing(card)
    count = len(card)
    columns = [bytearray([CopyState.PROVEN_DEVICE] * count) for _ in range(2)]
    found = divided(card, earlier)
    numbers = [at for each in found.rolls for at in each.numbers] if found else list(range(count))
    facts = Facts(inventory, bytes([CardState.READ_EQUAL] * count), _drives(columns))
    assert decide(facts).is_cleared
    columns[drive][numbers[spoiled % count]] = state
    assert not decide(replace(facts, drives=_drives(columns))).is_cleared


def _drives(columns: list[bytearray]) -> tuple[DriveFacts, ...]:
    return tuple(
        DriveFacts(
            f"shuttle-{at}",
            b"/mnt/%d" % at,
            frozenset({f"disk:8:{at}"}),
            bytes(states),
            read_back=ReadBack.DEVICE,
        )
        for at, states in enumerate(columns)
    )


DAY1 = {b"A.WAV": (1, 0), b"SESSION.XML": (1, 0)}


def test_new_files_make_next_roll() -> None:
    found = divided(DAY1 | {b"B.WAV": (1, 0)}, [DAY1])
    assert found is not None
    assert [(each.name, each.numbers, each.is_new) for each in found.rolls] == [
        ("S1", (0, 2), False),
        ("S1-2", (1,), True),
    ]


@pytest.mark.parametrize("change", [(2, 0), (1, MINUTE_NS)], ids=["size", "time"])
def test_rewritten_file_is_new(change: tuple[int, int]) -> None:
    found = divided(DAY1 | {b"SESSION.XML": change}, [DAY1])
    assert found is not None
    assert found.rewritten == (b"SESSION.XML",)
    assert found.rolls[0].gone == {b"SESSION.XML"}
    assert found.rolls[1].numbers == (1,)


def test_summer_time_makes_no_new_roll() -> None:
    moved = {path: (size, time + 60 * MINUTE_NS) for path, (size, time) in DAY1.items()}
    assert divided(moved, [DAY1]) is None


def test_same_day_joins_but_not_what_was_rewritten() -> None:
    day = "2030-11-01"
    assert divided(DAY1 | {b"B.WAV": (1, 0)}, [DAY1], day) is None
    found = divided(DAY1 | {b"SESSION.XML": (2, 0)}, [DAY1], day)
    assert found is not None
    assert len(found.rolls) == 2


def test_wiped_card_is_one_roll() -> None:
    assert divided({b"C.WAV": (1, 0)}, [DAY1]) is None


def test_given_name_is_for_the_new_roll() -> None:
    entries = listing(DAY1 | {b"B.WAV": (1, 0)}).entries
    found = divide(entries, [roll(1, DAY1)], "2030-11-29", "S7", "unnamed-0")
    assert found is not None
    assert [each.name for each in found.rolls] == ["S1", "S7"]
