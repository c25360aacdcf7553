"""The table of holds is closed, in order, and the same as the one that developers read."""

import re
import string

from offload.clearance.holds import HOLDS, PLACES, Deed, holds_table, is_settleable
from offload.values.clips import ClipCode

ABOUT_BYTES = re.compile(r"^(card|copy|drive|shared|ram|server|record|ledger|left|sent|not|list)-")


def test_table_has_one_row_for_each_code_in_order() -> None:
    rows = holds_table().splitlines()[2:]
    found = [re.match(r"\| (\d+) \| `([a-z-]+)` \|", row) for row in rows]
    assert [(int(row[1]), row[2]) for row in found if row] == [
        (place, code) for code, place in PLACES.items()
    ]
    assert len(PLACES) == len(HOLDS) == len(rows)


def test_table_leaves_no_placeholder_open() -> None:
    assert "{" not in holds_table()
    assert "|" not in "".join(kind.sentence for kind in HOLDS)


def test_sentences_are_single_sentences() -> None:
    for kind in HOLDS:
        assert kind.sentence.endswith(".")
        assert ". " not in kind.sentence
        fields = {field for _, field, _, _ in string.Formatter().parse(kind.sentence) if field}
        assert fields <= {"files", "drives", "is", "was", "has", "d_is", "needed"}


def test_every_hold_says_what_to_do() -> None:
    for kind in HOLDS:
        assert kind.remedies
        assert all(remedy.words for remedy in kind.remedies)


def test_only_doubts_about_clips_are_settleable() -> None:
    assert {kind.code for kind in HOLDS if kind.is_settleable} == {
        kind.code for kind in HOLDS if kind.code.startswith("clip-")
    }
    assert not any(ABOUT_BYTES.match(kind.code) for kind in HOLDS if kind.is_settleable)
    assert not is_settleable("no-such-code")


def test_settling_is_offered_exactly_where_it_is_allowed() -> None:
    for kind in HOLDS:
        offers = any(remedy.deed is Deed.SETTLE for remedy in kind.remedies)
        assert offers == kind.is_settleable


def test_holds_about_clips_are_those_that_the_checks_give() -> None:
    # The codes of ``ClipCode`` whose weight is a hold, as its own comment parts them.
    given = {
        ClipCode.EMPTY,
        ClipCode.UNFINISHED,
        ClipCode.CUT_SHORT,
        ClipCode.DAMAGED,
        ClipCode.ZEROS,
        ClipCode.COUNTS_DIFFER,
        ClipCode.PART_MISSING,
        ClipCode.UNDECODABLE,
        ClipCode.UNCHECKED,
    }
    assert {kind.code for kind in HOLDS if kind.is_settleable} == given
