"""The largest set of separate copies, against trying every subset."""

from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.clearance.counting import Separation, exclusion, is_proven, is_separate, members
from offload.values.facts import CopyState, DriveFacts, Policy
from tests.clearance.cases import drive, good

DEVICES = [f"disk:8:{16 * at}" for at in range(6)]


def _drives(*devices: frozenset[str]) -> tuple[DriveFacts, ...]:
    return tuple(
        replace(drive(f"drive-{at}", "x"), devices=each) for at, each in enumerate(devices)
    )


@given(st.lists(st.frozensets(st.sampled_from(DEVICES), min_size=1, max_size=3), max_size=8))
def test_copies_are_the_largest_disjoint_set(devices: list[frozenset[str]]) -> None:
    separation = Separation(_drives(*devices), Policy())
    best = max(
        len(some)
        for size in range(len(devices) + 1)
        for some in combinations(devices, size)
        if all(not one & other for one, other in combinations(some, 2))
    )
    assert separation.copies((1 << len(devices)) - 1) == best


@pytest.mark.parametrize(
    ("devices", "copies"),
    [
        ([{"a"}, {"b"}], 2),
        ([{"a"}, {"a"}], 1),
        ([{"a", "b"}, {"b", "c"}, {"c"}], 2),
        ([{"a", "b"}, {"b", "c"}, {"c", "a"}], 1),
        ([{"a", "b"}, {"a"}, {"b"}], 2),
        ([], 0),
    ],
    ids=["apart", "same", "chain", "ring", "one over two", "none"],
)
def test_copies_of_worked_cases(devices: list[set[str]], copies: int) -> None:
    drives = _drives(*(frozenset(each) for each in devices))
    assert Separation(drives, Policy()).copies((1 << len(drives)) - 1) == copies


def test_copies_of_many_drives_are_counted_exactly() -> None:
    # A ring of 41 drives, each sharing a device with the next: half of them, rounded down.
    ring = [frozenset({f"disk:{at}", f"disk:{(at + 1) % 41}"}) for at in range(41)]
    assert Separation(_drives(*ring), Policy()).copies((1 << 41) - 1) == 20


def test_drive_given_twice_counts_once() -> None:
    one = drive("shuttle-1", "disk:8:0")
    for policy in (Policy(), Policy(separate_drives=False)):
        assert Separation((one, one), policy).copies(0b11) == 1


def test_clashing_drives_are_named() -> None:
    separation = Separation(_drives(frozenset("a"), frozenset("b"), frozenset("a")), Policy())
    assert members(separation.clashing(0b111)) == [0, 2]
    assert separation.clashing(0b011) == 0


def test_declaration_is_by_both_names() -> None:
    one, other = (drive(name, "enclosure:1", is_known=False) for name in ("a", "b"))
    assert not is_separate(one, other, Policy())
    assert not is_separate(one, other, Policy(declared_separate=frozenset({frozenset({"a", "c"})})))
    assert is_separate(one, other, Policy(declared_separate=frozenset({frozenset({"a", "b"})})))


def test_declaration_of_an_absent_pair_shows_nothing() -> None:
    # Declared separate from a drive that takes no part: that says nothing of where this one lies.
    unknown = drive("a", "enclosure:1", is_known=False)
    policy = Policy(declared_separate=frozenset({frozenset({"a", "elsewhere"})}))
    facts = good(drives=(unknown, drive("b", "disk:8:0")), policy=policy)
    assert exclusion(unknown, facts) == "drive-unknown"


@pytest.mark.parametrize("state", [*CopyState, None], ids=str)
def test_state_counts_only_when_proven(state: CopyState | None) -> None:
    by_device, by_server = drive("a", "x"), drive("b", "y", accepts_server=True)
    assert is_proven(state, by_device) == (state is CopyState.PROVEN_DEVICE)
    assert is_proven(state, by_server) == (
        state in (CopyState.PROVEN_DEVICE, CopyState.PROVEN_SERVER)
    )
