"""Taking out any one safeguard is noticed: some card that must be held no longer is, for its
reason, or some card that may go no longer does."""

from typing import Any

import pytest

from offload.clearance import case, counting, decide, decisions, groups, rules, shortage
from offload.clearance.holds import HOLDS, PLACES
from offload.values.facts import CopyState
from tests.clearance.cases import BAD, GOOD, expected


def _survives() -> bool:
    """Whether every case still comes out as it must."""
    held = all([hold.code for hold in decide(BAD[each][1]).holds] == expected(each) for each in BAD)
    return held and all(decide(facts).is_cleared for facts in GOOD.values())


def test_nothing_is_noticed_when_nothing_is_taken_out() -> None:
    assert _survives()


@pytest.mark.parametrize("rule", rules.RULES, ids=lambda rule: rule.__name__)
def test_rule_taken_out_is_noticed(rule: rules.Rule, monkeypatch: pytest.MonkeyPatch) -> None:
    rest = tuple(each for each in rules.RULES if each is not rule)
    monkeypatch.setattr(rules, "RULES", rest)
    assert not _survives()


@pytest.mark.parametrize("exclusion", counting.EXCLUSIONS, ids=lambda each: each[0])
def test_exclusion_taken_out_is_noticed(
    exclusion: counting.Exclusion, monkeypatch: pytest.MonkeyPatch
) -> None:
    rest = tuple(each for each in counting.EXCLUSIONS if each is not exclusion)
    monkeypatch.setattr(counting, "EXCLUSIONS", rest)
    assert not _survives()
    # And not only by its name: one of the cases is wrongly cleared.
    assert any(decide(facts).is_cleared for code, facts in BAD.values() if code == exclusion[0])


MUTATIONS: dict[str, tuple[object, str, Any]] = {
    "any number may be asked for": (rules, "is_count", lambda value: True),
    "every drive is known": (counting, "is_known", lambda drive: True),
    "no drive is known": (counting, "is_known", lambda drive: False),
    "any two drives are separate": (counting, "is_separate", lambda one, other, policy: True),
    "no two drives are separate": (counting, "is_separate", lambda one, other, policy: False),
    "a declaration beats what is seen": (
        counting,
        "is_declared",
        lambda one, other, policy: bool(policy.declared_separate),
    ),
    "a declaration is worth nothing": (counting, "is_declared", lambda one, other, policy: False),
    "copies are counted, separate or not": (
        counting.Separation,
        "copies",
        lambda self, mask: mask.bit_count(),
    ),
    "every copy is proven": (case, "is_proven", lambda state, drive: True),
    "a cached copy is proven": (
        case,
        "is_proven",
        lambda state, drive: state in (CopyState.PROVEN_DEVICE, CopyState.CACHED),
    ),
    "a server's word always counts": (
        case,
        "is_proven",
        lambda state, drive: state in (CopyState.PROVEN_DEVICE, CopyState.PROVEN_SERVER),
    ),
    "a server's word never counts": (
        case,
        "is_proven",
        lambda state, drive: state is CopyState.PROVEN_DEVICE,
    ),
    "any amount may be left out": (rules, "LEFT_OUT_LIMIT_BYTES", 1 << 60),
    "nothing may be left out": (rules, "LEFT_OUT_LIMIT_BYTES", -1),
    "every finding is settled": (rules, "in_force", lambda facts, finding: object()),
    "no finding is settled": (rules, "in_force", lambda facts, finding: None),
    "anything is settleable, in the rules": (rules, "is_settleable", lambda code: code in PLACES),
    "card states are not looked at": (rules, "_code_on_card", lambda group: ""),
    "states of copies have no names": (shortage, "_CODES", {}),
}


@pytest.mark.parametrize("name", MUTATIONS)
def test_mutation_is_noticed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    where, what, instead = MUTATIONS[name]
    monkeypatch.setattr(where, what, instead)
    assert not _survives()


def _cut(column: bytes, count: int) -> bytes:
    return bytes(column[:count]).ljust(count, b"\1")


def test_columns_cut_to_fit_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    # Either of the two safeguards holds alone, so both are taken out.
    monkeypatch.setattr(rules, "fits", lambda column, count: True)
    monkeypatch.setattr(groups, "_fitted", _cut)
    assert not _survives()


def test_bytes_made_settleable_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rules, "is_settleable", lambda code: code in PLACES)
    monkeypatch.setattr(decisions, "is_settleable", lambda code: True)
    assert decide(BAD["bytes passed off as a clip"][1]).is_cleared


def test_every_code_that_rules_give_has_a_case() -> None:
    given = {code for code, _ in BAD.values()}
    clips = {kind.code for kind in HOLDS if kind.code.startswith("clip-")}
    assert given | clips == {kind.code for kind in HOLDS}
