"""What a tired person reads: the answer's reasons, names made harmless, commands that work."""

import shlex
from dataclasses import replace

import pytest

from offload.clearance import Context, command_line, decide
from offload.clearance.words import counted, grouped, listed, phrase, safe
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CopyState, Facts, Policy
from offload.values.findings import Finding
from offload.values.inventory import Inventory
from offload.values.verdict import Hold
from tests.clearance.cases import (
    BAD,
    CLIP,
    clip_finding,
    drive,
    good,
    with_card,
    with_copy,
    with_drive,
)

A003 = Context(roll="A003", code="K7-4M2P", mount=b"/media/post-room/A001 [CAM B]")
HOSTILE = "a\x1b]0;X\x07b\rSAFE TO ERASE\x1b[2J[/b]\u202e<script>\x85"


def _only(facts: Facts, context: Context = A003) -> Hold:
    (hold,) = decide(facts, context).holds
    return hold


def test_one_file_is_called_by_its_name() -> None:
    assert _only(with_copy(CopyState.ABSENT)).text == (
        "CLIP/A001C001.mov is on fewer than 2 drives that count."
    )


def test_many_files_are_grouped() -> None:
    entries = Entries(Entry(b"A003C%03d.mov" % at, Kind.FILE, 1) for at in range(11, 49))
    facts = Facts(Inventory(entries), b"\2" * 38, ())
    hold = _only(facts)
    assert hold.text == "A003C011.mov and 37 more could not be read from the card."
    assert len(hold.paths) == 38
    assert list(hold.paths[:2]) == [b"A003C011.mov", b"A003C012.mov"]


def test_failed_drive_is_named_with_its_reason() -> None:
    states = bytes([1, 1, 0, 0, 0])
    failure = "stopped answering at 02:04 (input/output error)"
    hold = _only(with_drive(1, states=states, failure=failure))
    assert hold.code == "too-few-copies"
    assert hold.details[0] == (
        "shuttle-2: stopped answering at 02:04 (input/output error); "
        "1 of 3 files had been proven there."
    )


def test_remedy_names_the_command() -> None:
    hold = _only(with_copy(CopyState.UNREADABLE))
    assert hold.remedy == (
        "use another cable or port; what is wrong is written anew: offload copy A003\n"
        "or give a drive of its own for it: "
        "offload copy A003 --to shuttle-1 --to shuttle-2 --to DRIVE"
    )


def test_new_drive_stands_beside_those_that_count() -> None:
    hold = _only(with_drive(1, is_ram=True))
    assert command_line(hold.ways[0].command) == "offload copy A003 --to shuttle-1 --to DRIVE"


def test_settling_is_offered_with_its_command() -> None:
    hold = _only(good(clip_findings=(clip_finding("clip-unfinished"),)))
    assert hold.is_settleable
    assert command_line(hold.ways[-1].command) == (
        "offload settle A003 clip-unfinished CLIP/A001C001.mov --by NAME --because TEXT"
    )


def test_name_that_begins_with_a_dash_is_no_option() -> None:
    entries = Entries([Entry(b"-n.MOV", Kind.FILE, 1)])
    drives = (drive("a", "x", b"\1"), drive("b", "y", b"\1"))
    found = (clip_finding("clip-cut-short", b"-n.MOV"),)
    hold = _only(Facts(Inventory(entries), b"\1", drives, clip_findings=found))
    assert command_line(hold.ways[-1].command) == (
        "offload settle --by NAME --because TEXT -- A003 clip-cut-short -n.MOV"
    )


def test_drive_that_begins_with_a_dash_is_no_option() -> None:
    drives = (drive("-d", "disk:8:0"), drive("b", "disk:8:16", is_ram=True))
    hold = _only(good(drives=drives))
    assert command_line(hold.ways[0].command) == "offload copy A003 --to=-d --to DRIVE"


@pytest.mark.parametrize(
    ("context", "line"),
    [
        pytest.param(A003, "offload check A003 --read", id="roll"),
        pytest.param(replace(A003, roll=""), "offload check K7-4M2P --read", id="code"),
        pytest.param(
            replace(A003, roll="", code=""),
            "offload check '/media/post-room/A001 [CAM B]' --read",
            id="mount point",
        ),
        pytest.param(Context(), "offload check --read", id="nothing known"),
    ],
)
def test_card_is_called_by_what_is_known(context: Context, line: str) -> None:
    hold = _only(good(is_same_mounting=False), context)
    assert command_line(hold.ways[0].command) == line


def test_card_that_was_away_says_since_when_and_how_long() -> None:
    context = replace(A003, safe_at="14:32", reading_takes="about 6 minutes")
    hold = _only(good(is_same_mounting=False), context)
    assert hold.details == ("It lists as at 14:32, when it was safe.",)
    assert hold.remedy == "prove it anew, about 6 minutes: offload check A003 --read"


def test_card_that_lists_otherwise_was_never_safe_like_this() -> None:
    context = replace(A003, safe_at="14:32")
    holds = decide(good(is_same_mounting=False, is_as_listed=False), context).holds
    assert all("14:32" not in detail for hold in holds for detail in hold.details)


def test_copies_made_by_hand_get_what_is_missing() -> None:
    facts = with_copy(CopyState.ABSENT)
    drives = tuple(replace(each, is_hand_made=True) for each in facts.drives)
    hold = _only(replace(facts, drives=drives))
    where = [b"--to", drives[0].path, b"--to", drives[1].path]
    assert hold.ways[0].command == (b"offload", b"copy", b"A003", b"--missing", *where)


def test_copies_made_by_hand_are_proven_where_they_are() -> None:
    facts = with_card(0)
    drives = tuple(replace(each, is_hand_made=True) for each in facts.drives)
    hold = _only(replace(facts, drives=drives))
    assert command_line(hold.ways[0].command) == "offload check A003 --read"


def test_same_drive_is_not_offered_twice() -> None:
    facts = BAD["one device allowed, none seen"][1]
    commands = [way.command for way in _only(facts).ways]
    assert not any(b"--same-drive-ok" in command for command in commands)


def test_one_drive_alone_is_told_to_get_another() -> None:
    hold = _only(good(drives=good().drives[:1]))
    assert hold.details[-1] == "Only 1 drive was given."
    assert command_line(hold.ways[0].command) == "offload copy A003 --to shuttle-1 --to DRIVE"


def test_details_are_bounded() -> None:
    found = tuple(Finding("not-listed", "denied", b"F%d" % at) for at in range(5000))
    hold = _only(good(listing_errors=found))
    assert len(hold.details) < 20
    assert hold.details[-1] == "And 4,988 more."


def _texts(facts: Facts, context: Context) -> list[str]:
    verdict = decide(facts, context)
    found = [verdict.headline, *verdict.declarations, *verdict.settled]
    found += [notice.text for notice in verdict.notices]
    found += [copy.why_not for copy in verdict.copies]
    for hold in verdict.holds:
        found += [hold.text, *hold.remedy.split("\n"), *hold.details]
        found += [way.words for way in hold.ways]
    return found


@pytest.mark.parametrize("name", BAD)
def test_hostile_names_are_harmless_everywhere(name: str) -> None:
    raw = HOSTILE.encode()
    facts = BAD[name][1]
    entries = Entries(replace(entry, path=entry.path + raw) for entry in facts.inventory.entries)
    finding = Finding("x", HOSTILE, raw, HOSTILE)
    facts = replace(
        facts,
        inventory=Inventory(entries, facts.inventory.left_out),
        drives=tuple(
            replace(each, name=each.name + HOSTILE, failure=each.failure and HOSTILE)
            for each in facts.drives
        ),
        notices=(finding,),
        clip_findings=tuple(replace(each, text=HOSTILE) for each in facts.clip_findings),
        listing_errors=(*facts.listing_errors, finding),
        sent_differs=facts.sent_differs and (finding,),
    )
    context = Context(roll=HOSTILE, mount=raw, safe_at="14:32")
    for text in _texts(facts, context):
        assert not any(char in text for char in "\x1b\x07\r\n\u202e\x85")


def test_half_a_surrogate_pair_ends_nothing() -> None:
    facts = replace(with_drive(1, name="\ud800"), notices=(Finding("x", "\udfff"),))
    assert decide(facts).is_cleared
    assert safe("\ud800") == "?"


def test_names_of_files_keep_their_letters() -> None:
    entries = Entries([Entry(b"the card", Kind.FILE, 1)])
    facts = Facts(Inventory(entries), b"\2", ())
    assert _only(facts).text.startswith("the card could not be read")


def test_commands_parse_back_to_their_words() -> None:
    # shlex knows the quoting of POSIX but for $'...', which plain names do not need.
    for _, facts in BAD.values():
        for hold in decide(facts, A003).holds:
            for way in hold.ways:
                words = [word.decode() for word in way.command]
                assert shlex.split(command_line(way.command)) == words


def test_small_words() -> None:
    assert counted(1, "file") == "1 file"
    assert counted(40000, "file") == "40,000 files"
    assert grouped((b"a", b"b")) == "a and b"
    assert grouped((b"",)) == "the card's top folder"
    assert listed(("a", "b", "c")) == "a, b and c"
    assert phrase("a\\x1b and \x1b") == "a\\x1b and \\x1b"


def test_needed_number_is_said() -> None:
    facts = good(policy=Policy(copies_needed=3))
    assert _only(facts).text.endswith("are on fewer than 3 drives that count.")
    assert CLIP in list(_only(facts).paths)


@pytest.mark.parametrize(
    ("state", "code"),
    [
        (CopyState.FAILED, "copy-failed"),
        (CopyState.CACHED, "copy-cached"),
        (CopyState.UNREADABLE, "copy-unreadable"),
    ],
)
def test_record_that_waits_for_a_copy_is_no_reason_of_its_own(state: CopyState, code: str) -> None:
    facts = with_copy(state)
    first, second = facts.drives
    waiting = replace(facts, drives=(first, replace(second, is_recorded=False)))
    assert [hold.code for hold in decide(waiting).holds] == [code]
    refused = replace(good(), drives=(first, replace(good().drives[1], is_recorded=False)))
    assert [hold.code for hold in decide(refused).holds] == ["record-not-written"]
