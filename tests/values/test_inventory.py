"""The packed entries, the digest and the card code."""

from hypothesis import given
from hypothesis import strategies as st

from offload.values.entries import Entries, Entry, Kind
from offload.values.inventory import Inventory, card_code, inventory_digest

names = st.binary(min_size=1, max_size=20).filter(lambda b: b"\0" not in b)
entries = st.builds(
    Entry,
    names,
    st.sampled_from(Kind),
    st.integers(0, 2**63),
    st.integers(-(2**63), 2**63 - 1),
    st.sampled_from(["", "a note"]),
)


@given(st.lists(entries, max_size=30, unique_by=lambda e: e.path))
def test_packed_entries_are_the_entries_sorted(found: list[Entry]) -> None:
    packed = Entries(found)
    assert list(packed) == sorted(found, key=lambda entry: entry.path)
    for entry in found:
        assert packed[packed.index(entry.path)] == entry
    assert packed == Entries(reversed(found))


@given(st.lists(entries, min_size=1, max_size=10, unique_by=lambda e: e.path), st.data())
def test_digest_sees_path_kind_and_size_but_not_time(
    found: list[Entry], data: st.DataObject
) -> None:
    digest = inventory_digest(Entries(found))
    at = data.draw(st.integers(0, len(found) - 1))
    old = found[at]
    moved = Entry(old.path, old.kind, old.size_bytes, old.mtime_ns // 2 + 1, old.note)
    assert inventory_digest(Entries([*found[:at], moved, *found[at + 1 :]])) == digest
    grown = Entry(old.path, old.kind, old.size_bytes + 1, old.mtime_ns, old.note)
    assert inventory_digest(Entries([*found[:at], grown, *found[at + 1 :]])) != digest


def test_no_name_can_imitate_another_line() -> None:
    two = Entries([Entry(b"a", Kind.FILE, 1), Entry(b"b", Kind.FILE, 2)])
    one = Entries([Entry(b"a\n1 f 2 b", Kind.FILE, 1)])
    assert inventory_digest(two) != inventory_digest(one)


def test_inventory_counts_files_and_bytes() -> None:
    inventory = Inventory(
        Entries([Entry(b"a", Kind.FILE, 5), Entry(b"b", Kind.FOLDER), Entry(b"c", Kind.FILE, 7)])
    )
    assert (inventory.file_count, inventory.total_bytes) == (2, 12)


@given(st.binary(min_size=16, max_size=16))
def test_code_is_easy_to_write_and_to_say(root: bytes) -> None:
    code = card_code(root)
    assert len(code) == 7 and code[2] == "-"
    assert not set(code) & set("0O1IL8B5SUV")
    assert card_code(root) == code
