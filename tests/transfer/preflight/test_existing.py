"""What lies under a roll's name already: never overwritten, never believed, used if it can be."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.transfer.preflight.existing import (
    FOLDER_SIZE,
    OTHER_SIZE,
    Existing,
    Lies,
    Owner,
    Use,
    weigh_existing,
)
from offload.transfer.preflight.mapping import mapped_names
from offload.transfer.preflight.name_map import NameMap
from offload.transfer.preflight.names import EXFAT, LINUX, NameRules
from offload.values.entries import Entries, Entry, Kind

CARD = Entries(
    [
        Entry(b"DCIM/C1.MOV", Kind.FILE, 100),
        Entry(b"DCIM/C2.MOV", Kind.FILE, 200),
        Entry(b"EMPTY", Kind.FOLDER),
        Entry(b"link", Kind.LINK),
    ]
)
WHOLE = {b"DCIM": FOLDER_SIZE, b"DCIM/C1.MOV": 100, b"DCIM/C2.MOV": 200, b"EMPTY": FOLDER_SIZE}


def weigh(
    found: dict[bytes, int],
    lies: Lies = Lies.DONE,
    owner: Owner = Owner.UNKNOWN,
    rules: NameRules = LINUX,
    **more: object,
) -> Existing:
    return weigh_existing(CARD, NameMap(), rules, found, lies, owner, **more)  # type: ignore[arg-type]


def test_nothing_there_means_all_is_copied() -> None:
    answer = weigh({}, Lies.NOTHING)
    assert answer.use is Use.COPY_ALL
    assert not any(answer.has(number) for number in range(len(CARD)))


def test_whole_copy_is_proven_in_place() -> None:
    answer = weigh(WHOLE)
    assert (answer.use, answer.present) == (Use.PROVE, b"\x01\x01\x01\x00")


def test_record_and_desktop_files_beside_it_do_not_disturb() -> None:
    found = {**WHOLE, b"ascmhl": FOLDER_SIZE, b"ascmhl/0001_A001.mhl": 9, b"DCIM/.DS_Store": 6148}
    assert weigh(found).use is Use.PROVE


def test_missing_clip_is_an_addition() -> None:
    found = {path: size for path, size in WHOLE.items() if path != b"DCIM/C2.MOV"}
    answer = weigh(found)
    assert (answer.use, answer.present) == (Use.ADD, b"\x01\x00\x01\x00")


@pytest.mark.parametrize(
    "change",
    [
        {b"DCIM/C1.MOV": 101},
        {b"DCIM/C1.MOV": FOLDER_SIZE},
        {b"DCIM/C1.MOV": OTHER_SIZE},
        {b"DCIM/C9.MOV": 5},
        {b"EMPTY": 3},
        {b"ascmhlx": 3},
        {b"DCIM/ascmhl/x": 3},
    ],
)
def test_anything_else_under_the_name_is_other_material(change: dict[bytes, int]) -> None:
    # The same clip name on two cards: same path, other content. Size is the first sign of it.
    answer = weigh({**WHOLE, **change}, owner=Owner.THIS_CARD)
    assert answer.use is Use.REFUSE
    assert answer.others == tuple(change)
    assert not answer.present


def test_foreign_or_empty_folder_of_that_name_is_other_material() -> None:
    assert weigh({}).use is Use.REFUSE
    assert weigh({b"thesis.doc": 5}).others == (b"thesis.doc",)
    assert weigh(WHOLE, owner=Owner.OTHER_CARD).use is Use.REFUSE


def test_earlier_part_in_the_record_is_no_other_material() -> None:
    found = {**WHOLE, b"DCIM/C0.MOV": 50}
    assert weigh(found, recorded={b"DCIM/C0.MOV"}).use is Use.PROVE


@pytest.mark.parametrize("lies", [Lies.GROWING, Lies.PARTIAL])
def test_half_done_copy_goes_on_when_its_record_says_so(lies: Lies) -> None:
    found = {b"DCIM": FOLDER_SIZE, b"DCIM/C1.MOV": 100, b"DCIM/C2.MOV": 64, b"odd": OTHER_SIZE}
    answer = weigh(found, lies, Owner.THIS_CARD)
    assert answer.use is Use.GO_ON
    assert answer.present == b"\x01\x00\x00\x00"
    assert answer.stale == (b"DCIM/C2.MOV",), "a file of the card that is not whole"
    assert answer.foreign == (b"odd",), "what somebody has put there is not removed"


@pytest.mark.parametrize("owner", [Owner.UNKNOWN, Owner.OTHER_CARD])
def test_half_done_copy_of_anybody_else_is_left_alone(owner: Owner) -> None:
    answer = weigh(WHOLE, Lies.GROWING, owner)
    assert (answer.use, answer.stale) == (Use.REFUSE, ())
    assert answer.others


def test_folder_where_a_file_grows_is_not_removed() -> None:
    answer = weigh({b"DCIM/C1.MOV": FOLDER_SIZE}, Lies.GROWING, Owner.THIS_CARD)
    assert (answer.use, answer.stale) == (Use.REFUSE, ())
    assert answer.others == (b"DCIM/C1.MOV",)


def test_names_shown_in_another_case_are_still_the_same() -> None:
    # FAT drivers show short names in lower or upper case, by mount option.
    shown = {path.lower(): size for path, size in WHOLE.items()}
    answer = weigh(shown, rules=EXFAT)
    assert (answer.use, answer.shown_differently) == (Use.PROVE, 3)
    assert weigh(shown, rules=LINUX).use is Use.REFUSE


def test_one_file_never_stands_for_two() -> None:
    pair = Entries([Entry(b"A.MOV", Kind.FILE, 1), Entry(b"a.mov", Kind.FILE, 1)])
    names = mapped_names(pair, EXFAT)
    answer = weigh_existing(pair, names, EXFAT, {b"A.MOV": 1}, Lies.DONE)
    assert (answer.use, answer.present) == (Use.ADD, b"\x01\x00")


def test_names_written_otherwise_are_found() -> None:
    card = Entries([Entry(b"a:b/c?.mov", Kind.FILE, 7)])
    names = mapped_names(card, EXFAT)
    found = {b"a%3Ab": FOLDER_SIZE, b"a%3Ab/c%3F.mov": 7}
    assert weigh_existing(card, names, EXFAT, found, Lies.DONE).use is Use.PROVE


FOUND = st.dictionaries(
    st.sampled_from([*WHOLE, b"x", b"DCIM/y", b"ascmhl/z", b"dcim/c1.mov"]),
    st.sampled_from([FOLDER_SIZE, OTHER_SIZE, 100, 200, 0]),
)


@settings(deadline=None)
@given(FOUND, st.sampled_from(Lies), st.sampled_from(Owner), st.sampled_from([LINUX, EXFAT]))
def test_only_what_fits_is_ever_used_or_removed(
    found: dict[bytes, int], lies: Lies, owner: Owner, rules: NameRules
) -> None:
    answer = weigh(found, lies, owner, rules)
    shown = {path.lower(): size for path, size in found.items()} if rules.folds else found
    for number, entry in enumerate(CARD):
        if answer.has(number):
            wanted = FOLDER_SIZE if entry.kind is Kind.FOLDER else entry.size_bytes
            there = entry.path.lower() if rules.folds else entry.path
            assert wanted in (found.get(entry.path), shown.get(there))
    if answer.stale:
        # Only in a half-done copy of this very card, and never a candidate or a folder.
        assert lies in (Lies.GROWING, Lies.PARTIAL) and owner is Owner.THIS_CARD
        assert all(found[path] != FOLDER_SIZE for path in (*answer.stale, *answer.foreign))
        # Only where a file of the card belongs.
        own = {entry.path.lower() for entry in CARD}
        assert all(path.lower() in own for path in answer.stale)
    if answer.use is Use.REFUSE:
        assert not answer.present and not answer.stale
    if answer.use is Use.PROVE:
        assert all(answer.has(at) for at, entry in enumerate(CARD) if entry.kind.is_copied)
