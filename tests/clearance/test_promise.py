"""The promise, by property: no facts with one byte unproven ever clear a card.

The oracle below shares no line with the rules. It is naive on purpose: for every entry it tries
every subset of the drives.
"""

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from typing import Any

from hypothesis import event, given, settings
from hypothesis import strategies as st

from offload.clearance import decide, rules
from offload.clearance.case import Case
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import Decision, DriveFacts, Facts, Policy
from offload.values.findings import Finding
from offload.values.inventory import Inventory
from offload.values.verdict import Answer

CLIP_CODES = ("clip-unfinished", "clip-cut-short")


def _mostly(good: Any, *others: Any, of: int = 60) -> st.SearchStrategy[Any]:
    """The good value, and now and then one of the others."""
    return st.integers(0, of).map(lambda at: others[at % len(others)] if at == of else good)


def _often(good: Any, *others: Any) -> st.SearchStrategy[Any]:
    return _mostly(good, *others, of=12)


_KINDS = st.sampled_from([Kind.FILE] * 12 + [Kind.FOLDER] * 4 + [Kind.LINK] * 3 + list(Kind))


@st.composite
def _entries(draw: st.DrawFn) -> Entries:
    kinds = draw(st.lists(_KINDS, max_size=4))
    names = [b"A001C%03d.mov" % at for at in range(len(kinds))]
    if len(names) > 1 and draw(_mostly(False, True, of=40)):
        names[1] = names[0]
    return Entries(Entry(name, kind, 7) for name, kind in zip(names, kinds, strict=True))


def _card_state(kind: Kind) -> st.SearchStrategy[int]:
    good = {Kind.FILE: 1, Kind.FOLDER: 1, Kind.LINK: 7}.get(kind, 6)
    return _mostly(good, *range(10), 200, of=40)


@st.composite
def _drive(draw: st.DrawFn, number: int, count: int) -> DriveFacts:
    length = draw(_mostly(count, count + 1, max(0, count - 1), of=60))
    column = st.lists(_often(1, *range(13), 99), min_size=length, max_size=length)
    return DriveFacts(
        name=draw(_mostly(f"drive-{number}", "drive-0", of=60)),
        path=draw(_mostly(b"/mnt/%d/A001" % number, b"/mnt/0/A001/", of=40)),
        devices=draw(
            _often(
                frozenset({f"disk:8:{16 * number}"}),
                frozenset({"disk:8:0"}),
                frozenset({"disk:8:0", "disk:8:16"}),
                frozenset({"enclosure:1"}),
                frozenset(),
                frozenset({""}),
            )
        ),
        states=bytes(draw(column)),
        is_known=draw(_often(True, False, None)),
        is_ram=draw(_mostly(False, True)),
        is_card=draw(_mostly(False, True)),
        is_on_card=draw(_mostly(False, True)),
        is_present=draw(_mostly(True, False)),
        accepts_server=draw(_often(False, True)),
        names_read=draw(st.booleans()),
        is_recorded=draw(_mostly(True, False)),
        failure=draw(_mostly("", "stopped answering")),
        is_hand_made=draw(_often(False, True)),
    )


_PAIRS = st.frozensets(
    st.sampled_from(
        [frozenset({f"drive-{one}", f"drive-{other}"}) for one, other in combinations(range(4), 2)]
        + [frozenset({"drive-0"})]
    ),
    max_size=3,
)


@st.composite
def _facts(draw: st.DrawFn) -> Facts:
    entries = draw(_entries())
    count = len(entries)
    kinds = [entry.kind for entry in entries]
    card = bytes([draw(_card_state(kind)) for kind in kinds])
    paths = [entry.path for entry in entries] or [b"x"]
    path, code = draw(st.sampled_from(paths)), draw(st.sampled_from(CLIP_CODES))
    found = (Finding(code, "never closed", path),)
    checksums = b"".join(bytes([at + 1]) * 16 for at in range(count))
    settled = Decision(
        draw(_often(code, *CLIP_CODES, "copy-differs")),
        path,
        draw(_often(bytes([paths.index(path) + 1]) * 16, b"", bytes(16))),
        draw(_mostly("the wrangler", "")),
        draw(_mostly("battery died", " ")),
    )
    one = (Finding("x", "x", b"x"),)
    return Facts(
        inventory=Inventory(entries),
        card_states=card + draw(_mostly(b"", b"\1", of=60)),
        drives=tuple(draw(_drive(at, count)) for at in range(draw(_often(2, 0, 1, 3, 4)))),
        policy=Policy(
            copies_needed=draw(_often(2, -1, 0, 1, 3)),
            separate_drives=draw(_often(True, False)),
            card_reads=draw(_mostly(2, 0, 1)),
            declared_separate=draw(st.one_of(st.just(frozenset()), _PAIRS)),
        ),
        is_same_mounting=draw(_mostly(True, False, None)),
        is_as_listed=draw(_mostly(True, False)),
        is_layout_without_clip=draw(_mostly(False, True)),
        left_out_footage=draw(_mostly(False, True)),
        left_out_bytes=draw(_mostly(0, 16 << 20, (16 << 20) + 1)),
        checksums=draw(_mostly(checksums, b"")),
        clip_findings=draw(_often((), found)),
        sent_differs=draw(_mostly((), one)),
        notices=draw(_often((), one)),
        decisions=(settled,),
        uncrossed_mounts=draw(_mostly((), one)),
        listing_errors=draw(_mostly((), one)),
        is_card_present=draw(_mostly(True, False)),
        is_ledger_written=draw(_mostly(True, False)),
        is_folder_card=draw(_often(False, True)),
        card_changes=draw(_mostly((), one)),
        left_out_clips=draw(_mostly((), (b"x",))),
    )


# The oracle. A copy is on a drive or it is not; drives are one or two things; try every subset.


def _seen(drive: DriveFacts) -> bool:
    return drive.is_known is True and len(drive.devices) > 0 and "" not in drive.devices


def _declared(one: DriveFacts, other: DriveFacts, facts: Facts) -> bool:
    return {one.name, other.name} in [set(pair) for pair in facts.policy.declared_separate]


def _two_things(one: DriveFacts, other: DriveFacts, facts: Facts) -> bool:
    if one.path.strip(b"/") == other.path.strip(b"/"):
        return False
    if not facts.policy.separate_drives:
        return True
    common = set(one.devices).intersection(other.devices)
    if _seen(one) and _seen(other) and len(common) == 0:
        return True
    same_disk = len([device for device in common if device[:5] == "disk:"]) > 0
    return _declared(one, other, facts) and one.name != other.name and not same_disk


def _may_hold_a_copy(drive: DriveFacts, facts: Facts) -> bool:
    if drive.is_ram or drive.is_card or drive.failure:
        return False
    if not drive.is_present or not drive.is_recorded:
        return False
    if drive.is_on_card and (facts.policy.separate_drives or not facts.is_folder_card):
        return False
    if 4 in drive.states and not drive.is_hand_made:
        return False
    if _seen(drive):
        return True
    names = [other.name for other in facts.drives]
    by_word = any(
        drive.name in pair and len(pair) == 2 and all(name in names for name in pair)
        for pair in facts.policy.declared_separate
    )
    return by_word or (not facts.policy.separate_drives and len(drive.devices) > 0)


def _is_there(drive: DriveFacts, at: int) -> bool:
    return drive.states[at] == 1 or (drive.states[at] == 2 and drive.accepts_server)


def _has_enough(facts: Facts, at: int) -> bool:
    """Whether some subset of drives, large enough, holds the entry, any two of it separate."""
    drives = [
        each for each in facts.drives if _may_hold_a_copy(each, facts) and _is_there(each, at)
    ]
    return any(
        all(_two_things(one, other, facts) for one, other in combinations(some, 2))
        for some in combinations(drives, facts.policy.copies_needed)
    )


def _is_settled(facts: Facts, finding: Finding) -> bool:
    at = [entry.path for entry in facts.inventory.entries].index(finding.path)
    content = facts.checksums[16 * at : 16 * at + 16]
    return any(
        (each.code, each.path, each.checksum) == (finding.code, finding.path, content)
        and each.by.strip() != ""
        and each.because.strip() != ""
        for each in facts.decisions
        if content != b"" and content != bytes(16)
    )


def _columns_fit(facts: Facts) -> bool:
    count = len(facts.inventory.entries)
    names = [drive.name for drive in facts.drives]
    return (
        len(facts.card_states) == count
        and all(len(drive.states) == count for drive in facts.drives)
        and len(names) == len(set(names))
    )


def _entries_are_proven(facts: Facts) -> bool:
    paths = [entry.path for entry in facts.inventory.entries]
    if len(set(paths)) < len(paths):
        return False
    for at, entry in enumerate(facts.inventory.entries):
        if entry.kind is Kind.LINK and facts.card_states[at] != 7:
            return False
        if entry.kind not in (Kind.LINK, Kind.FILE, Kind.FOLDER):
            return False
        if entry.kind in (Kind.FILE, Kind.FOLDER) and (
            facts.card_states[at] != 1 or not _has_enough(facts, at)
        ):
            return False
    return any(entry.kind is Kind.FILE for entry in facts.inventory.entries)


def may_be_erased(facts: Facts) -> bool:
    """What the promise says of these facts."""
    policy = facts.policy
    if policy.copies_needed < 1 or policy.card_reads < 1:
        return False
    bad = (
        not facts.is_same_mounting,
        not facts.is_as_listed,
        facts.is_layout_without_clip,
        facts.left_out_footage,
        facts.left_out_bytes > 16 * 1024 * 1024,
        len(facts.sent_differs) > 0,
        len(facts.uncrossed_mounts) > 0,
        len(facts.listing_errors) > 0,
        len(facts.card_changes) > 0,
        len(facts.left_out_clips) > 0,
        not facts.is_card_present,
        not facts.is_ledger_written,
    )
    if any(bad) or not _columns_fit(facts) or not _entries_are_proven(facts):
        return False
    return all(_is_settled(facts, finding) for finding in facts.clip_findings)


@settings(max_examples=500, deadline=None)
@given(_facts())
def test_card_is_cleared_exactly_when_all_is_proven(facts: Facts) -> None:
    verdict = decide(facts)
    event(f"may be erased: {may_be_erased(facts)}")
    assert verdict.is_cleared == may_be_erased(facts)
    assert (verdict.answer is Answer.HELD) == bool(verdict.holds)


@settings(max_examples=300, deadline=None)
@given(_facts())
def test_rules_alone_find_every_reason(facts: Facts) -> None:
    case = Case.of(facts)
    reasons = [reason for rule in rules.RULES for reason in rule(case)]
    assert bool(reasons) is not may_be_erased(facts)


@settings(max_examples=300, deadline=None)
@given(_facts())
def test_every_unproven_entry_is_named_by_some_hold(facts: Facts) -> None:
    if not _columns_fit(facts) or facts.policy.copies_needed < 1:
        return
    holds = decide(facts).holds
    about_all = any(not hold.paths for hold in holds)
    named = {path for hold in holds for path in hold.paths}
    for at, entry in enumerate(facts.inventory.entries):
        if entry.kind.is_copied and not (facts.card_states[at] == 1 and _has_enough(facts, at)):
            assert about_all or entry.path in named


Break = Callable[[Facts, int], Facts]


def _with_first(**changes: Any) -> Break:
    def change(facts: Facts, at: int) -> Facts:
        first = replace(facts.drives[0], **changes)
        return replace(facts, drives=(first, *facts.drives[1:]))

    return change


def _with_state(state: int) -> Break:
    def change(facts: Facts, at: int) -> Facts:
        states = bytearray(facts.drives[0].states)
        states[at % len(states)] = state
        return _with_first(states=bytes(states))(facts, at)

    return change


def _with_facts(**changes: Any) -> Break:
    return lambda facts, at: replace(facts, **changes)


_ABOUT_THE_CARD: dict[str, Break] = {
    "not the mounting": _with_facts(is_same_mounting=False),
    "a folder not listed": _with_facts(listing_errors=(Finding("x", "denied", b"CLIPS2"),)),
    "card not read": lambda facts, at: replace(facts, card_states=bytes(len(facts.card_states))),
}
_ABOUT_A_COPY: dict[str, Break] = {
    **{f"state {state}": _with_state(state) for state in (0, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 255)},
    "devices not known": _with_first(is_known=False),
    "no device": _with_first(devices=frozenset()),
    "in memory": _with_first(is_ram=True),
    "a card": _with_first(is_card=True),
    "on the card": _with_first(is_on_card=True),
    "away": _with_first(is_present=False),
    "not recorded": _with_first(is_recorded=False),
    "failed": _with_first(failure="input/output error (EIO)"),
    "on the last drive's device": lambda facts, at: _with_first(
        devices=frozenset({"disk:8:0", *facts.drives[-1].devices})
    )(facts, at),
}


@st.composite
def _all_good(draw: st.DrawFn) -> Facts:
    files = draw(st.integers(1, 6))
    entries = Entries(Entry(b"C%03d.mov" % at, Kind.FILE, at) for at in range(files))
    needed = draw(st.integers(1, 4))
    drives = tuple(
        DriveFacts(f"drive-{at}", b"/mnt/%d" % at, frozenset({f"disk:8:{at}"}), b"\1" * files)
        for at in range(needed)
    )
    policy = Policy(copies_needed=needed, card_reads=draw(st.integers(1, 2)))
    return Facts(Inventory(entries), b"\1" * files, drives, policy)


@given(_all_good())
def test_card_of_any_size_is_cleared_when_good(facts: Facts) -> None:
    assert may_be_erased(facts)
    assert decide(facts).is_cleared


@given(_all_good(), st.sampled_from(sorted(_ABOUT_THE_CARD)), st.integers(0, 5))
def test_one_thing_about_the_card_holds_it(facts: Facts, how: str, at: int) -> None:
    assert not decide(_ABOUT_THE_CARD[how](facts, at)).is_cleared


@given(_all_good(), st.sampled_from(sorted(_ABOUT_A_COPY)), st.integers(0, 5))
def test_one_thing_about_a_copy_holds_the_card(facts: Facts, how: str, at: int) -> None:
    if how.startswith("on the last") and len(facts.drives) == 1:
        return
    verdict = decide(_ABOUT_A_COPY[how](facts, at))
    assert not verdict.is_cleared
    assert verdict.copies_counted < facts.policy.copies_needed
    assert verdict.files_safe < verdict.files
