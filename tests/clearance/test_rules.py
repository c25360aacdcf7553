"""Every single thing that can be wrong keeps the card, under its own code; all well clears it."""

from dataclasses import replace

import pytest

from offload.clearance import decide, rules
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CardState, CopyState, Facts, Policy
from offload.values.findings import Finding
from offload.values.inventory import Inventory
from offload.values.verdict import Answer
from tests.clearance.cases import (
    BAD,
    CLIP,
    GOOD,
    clip_finding,
    decision,
    drive,
    expected,
    good,
    with_card,
    with_copy,
    with_entry,
)

DOUBTS = {
    "card-changed",
    "clip-unfinished",
    "drive-suspect",
    "facts-incomplete",
    "left-out-footage",
    "left-out-too-large",
    "listed-twice",
    "nothing-to-prove",
    "sent-differs",
    "unknown-finding",
}
"""Holds that say more than that bytes are not proven, and so more than the last look can see."""


@pytest.mark.parametrize("name", GOOD)
def test_card_is_cleared_when_all_is_proven(name: str) -> None:
    verdict = decide(GOOD[name])
    assert verdict.answer is Answer.CLEARED
    assert verdict.is_cleared
    assert verdict.holds == ()


@pytest.mark.parametrize("name", BAD)
def test_card_is_held_for_its_reason_alone(name: str) -> None:
    verdict = decide(BAD[name][1])
    assert verdict.answer is Answer.HELD
    assert [hold.code for hold in verdict.holds] == expected(name)


@pytest.mark.parametrize("name", [name for name, (code, _) in BAD.items() if code not in DOUBTS])
def test_card_is_held_without_any_rule(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rules, "RULES", ())
    assert not decide(BAD[name][1]).is_cleared


def test_good_card_is_cleared_without_any_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rules, "RULES", ())
    assert decide(good()).is_cleared


def test_links_need_no_copy() -> None:
    assert decide(with_entry(Entry(b"z", Kind.LINK), CardState.FROM_LINK)).is_cleared


def test_reasons_come_in_the_order_of_mending() -> None:
    facts = replace(
        with_copy(CopyState.CACHED, 2),
        card_states=with_card(CardState.UNREADABLE).card_states,
        clip_findings=(clip_finding("clip-unfinished"),),
        is_ledger_written=False,
        is_same_mounting=False,
    )
    assert [hold.code for hold in decide(facts).holds] == [
        "card-was-away",
        "unreadable-on-card",
        "copy-cached",
        "ledger-not-written",
        "clip-unfinished",
    ]


def test_file_that_the_card_cannot_give_is_told_once() -> None:
    facts = replace(with_copy(CopyState.ABSENT), card_states=with_card(2).card_states)
    holds = decide(facts).holds
    assert [hold.code for hold in holds] == ["unreadable-on-card"]
    assert list(holds[0].paths) == [CLIP]


def test_unread_card_still_says_what_is_nowhere() -> None:
    states = bytes([8, 8, 0, 8, 0])
    drives = tuple(replace(each, states=states) for each in good().drives)
    facts = good(card_states=bytes([0, 0, 0, 0, 7]), drives=drives)
    holds = {hold.code: hold for hold in decide(facts).holds}
    assert list(holds) == ["card-not-read", "too-few-copies"]
    assert list(holds["too-few-copies"].paths) == [b"CLIP/A001C002.mov"]


def test_card_that_was_away_is_not_called_unread_too() -> None:
    facts = good(card_states=bytes([0, 0, 0, 0, 7]), is_same_mounting=False)
    assert [hold.code for hold in decide(facts).holds] == ["card-was-away"]


def test_unlistable_card_is_not_called_empty() -> None:
    denied = (Finding("not-listed", "permission denied (EACCES)"),)
    facts = Facts(Inventory(Entries()), b"", (), listing_errors=denied)
    codes = [hold.code for hold in decide(facts).holds]
    assert codes == ["not-listed"]


@pytest.mark.parametrize(
    "states",
    [
        pytest.param((bytes([1, 1, 1, 1, 0]), bytes(5)), id="second drive empty"),
        pytest.param((bytes([1, 1, 3, 3, 0]), bytes([3, 3, 1, 1, 0])), id="each has half"),
    ],
)
def test_two_drives_must_both_hold_every_file(states: tuple[bytes, bytes]) -> None:
    drives = (drive("a", "disk:8:0", states[0]), drive("b", "disk:8:16", states[1]))
    assert not decide(good(drives=drives)).is_cleared


def test_files_may_be_on_different_pairs_of_drives() -> None:
    drives = (
        drive("a", "disk:8:0", bytes([1, 1, 1, 0, 0])),
        drive("b", "disk:8:16", bytes([1, 1, 0, 1, 0])),
        drive("c", "disk:8:32", bytes([1, 0, 1, 1, 0])),
    )
    verdict = decide(good(drives=drives))
    assert verdict.is_cleared
    assert verdict.copies_counted == 2
    assert verdict.headline.startswith("Every byte is on at least 2 separate drives")


def test_causes_that_one_mending_leaves_are_told_together() -> None:
    drives = (
        drive("a", "disk:8:0"),
        drive("b", "disk:8:0"),
        drive("c", "disk:8:32", bytes([1, 3, 1, 1, 0])),
    )
    facts = good(drives=drives, policy=Policy(copies_needed=3))
    holds = {hold.code: hold for hold in decide(facts).holds}
    assert set(holds) == {"copy-cached", "shared-drive"}
    assert holds["shared-drive"].drives == ("a", "b")


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"code": "clip-damaged"}, id="other code"),
        pytest.param({"path": b"CLIP/A001C002.mov"}, id="other clip"),
        pytest.param({"checksum": b"\x09" * 16}, id="other content"),
        pytest.param({"checksum": b""}, id="no content"),
        pytest.param({"by": " "}, id="nobody"),
        pytest.param({"because": ""}, id="no reason"),
    ],
)
def test_decision_lapses_when_anything_differs(change: dict[str, object]) -> None:
    settled = replace(decision("clip-unfinished"), **change)  # type: ignore[arg-type]
    finding = clip_finding("clip-unfinished")
    verdict = decide(good(clip_findings=(finding,), decisions=(settled,)))
    assert [hold.code for hold in verdict.holds] == ["clip-unfinished"]
    assert verdict.settled == ()


def test_decision_lapses_when_content_is_unknown() -> None:
    finding = clip_finding("clip-unfinished")
    nothing = replace(decision("clip-unfinished"), checksum=bytes(16))
    facts = good(clip_findings=(finding,), decisions=(nothing,), checksums=bytes(16 * 5))
    assert not decide(facts).is_cleared


def test_decision_about_one_clip_leaves_the_other() -> None:
    findings = tuple(clip_finding("clip-unfinished", each) for each in (CLIP, b"CLIP/A001C002.mov"))
    verdict = decide(good(clip_findings=findings, decisions=(decision("clip-unfinished"),)))
    assert list(verdict.holds[0].paths) == [b"CLIP/A001C002.mov"]
    assert verdict.settled == (
        "CLIP/A001C001.mov: clip-unfinished was settled by the wrangler: battery died, no take",
    )


def test_decision_for_other_content_is_told() -> None:
    old = replace(decision("clip-unfinished"), checksum=b"\x09" * 16)
    verdict = decide(good(clip_findings=(clip_finding("clip-unfinished"),), decisions=(old,)))
    assert [notice.code for notice in verdict.notices] == ["decision-lapsed"]


def test_bytes_are_never_settled() -> None:
    for code, facts in BAD.values():
        if code.startswith("clip-"):
            continue
        every = tuple(
            replace(decision(code, path, number), checksum=sum_)
            for path in (b"", CLIP)
            for number in range(5)
            for sum_ in (b"", facts.checksums[16 * number : 16 * number + 16])
        )
        assert not decide(replace(facts, decisions=every)).is_cleared


def test_notices_keep_nothing_and_come_together() -> None:
    findings = tuple(
        Finding("wrong-rate", "25 frames a second, the brief says 24000/1001", b"C%02d.mov" % at)
        for at in range(40)
    )
    verdict = decide(good(notices=findings))
    assert verdict.is_cleared
    (notice,) = verdict.notices
    assert notice.text == "C00.mov and 39 more: 25 frames a second, the brief says 24000/1001"
    assert len(notice.paths) == 40


def test_cleared_card_tells_of_the_drive_that_lacks() -> None:
    failed = decide(GOOD["third drive failed"])
    assert [each.text for each in failed.notices] == ["c does not count: stopped answering"]
    by_hand = decide(GOOD["a copy made by hand, another file of that name beside it"])
    assert "b has 2 of 3 files" in [each.text for each in by_hand.notices]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("one copy asked for, one drive", "1 drive and was read back from it; one copy was asked"),
        ("one device, allowed", "copies on one physical drive were allowed"),
        ("device not known, declared", "shuttle-1 and shuttle-2 were declared separate"),
        ("server's word accepted", "shuttle-2 by its server's word"),
        ("folder card beside its copies, allowed", "the card is a folder beside its copies"),
    ],
)
def test_headline_says_what_was_declared(name: str, words: str) -> None:
    verdict = decide(GOOD[name])
    assert words in verdict.headline
    assert verdict.declarations


def test_headline_says_that_the_card_was_read_once() -> None:
    verdict = decide(good(policy=Policy(card_reads=1)))
    assert verdict.is_cleared
    assert verdict.headline.endswith("; the card was read once.")


def test_headline_calls_one_device_never_separate() -> None:
    assert "separate" not in decide(GOOD["one device, allowed"]).headline


def test_held_headline_counts_what_is_safe() -> None:
    verdict = decide(with_copy(CopyState.ABSENT))
    assert verdict.headline == "1 reason. 2 of 3 files are proven on 2 drives."


def test_copies_say_how_they_were_read_and_why_not() -> None:
    by_server = decide(GOOD["server's word accepted"]).copies
    assert [each.read_back.value for each in by_server] == ["device", "server"]
    away = decide(BAD["drive away"][1]).copies
    assert [(each.counts, each.why_not) for each in away] == [
        (True, ""),
        (False, "it is not there now"),
    ]


def test_files_are_counted_by_number_of_drives() -> None:
    states = (bytes([1, 1, 1, 0, 0]), bytes([1, 1, 0, 0, 0]))
    drives = tuple(drive(name, name, each) for name, each in zip("ab", states, strict=True))
    verdict = decide(good(drives=drives))
    assert verdict.files_on == ((2, 1), (1, 1), (0, 1))
