"""Rows merged by stretches come in the order that sorting them one by one gives."""

from array import array

from hypothesis import given
from hypothesis import strategies as st

from offload.values.entries import Entries, Entry, Kind
from offload.values.runs import in_order

# Long runs of short keys: many are equal, and runs lie in one another.
runs = st.lists(
    st.lists(st.binary(max_size=2), min_size=8, max_size=40).map(sorted), min_size=1, max_size=8
)


@given(runs)
def test_stretches_are_in_order(chosen: list[list[bytes]]) -> None:
    keys = [key for run in chosen for key in run]
    starts = array("Q", [sum(map(len, chosen[:at])) for at in range(len(chosen))])
    found = in_order(len(keys), starts, keys.__getitem__)
    order = [at for start, end in found for at in range(start, end)]
    assert order == sorted(range(len(keys)), key=keys.__getitem__)


@given(runs, st.sets(st.integers(0, 100)))
def test_entries_of_folders_are_sorted_and_whole(
    chosen: list[list[bytes]], noted: set[int]
) -> None:
    paths = [b"x" + path for run in chosen for path in run]
    entries = [
        Entry(path, Kind.LINK, 0, at, f"note {at}" if at in noted else "")
        for at, path in enumerate(paths)
    ]
    assert list(Entries(entries)) == sorted(entries, key=lambda entry: entry.path)


def test_folders_in_order_make_few_stretches() -> None:
    folders = [[b"%03d/%03d" % (folder, at) for at in range(50)] for folder in range(30)]
    keys = [key for folder in reversed(folders) for key in folder]
    found = in_order(len(keys), array("Q", range(0, 1500, 50)), keys.__getitem__)
    assert len(found) == 30


def test_entries_of_a_kind_are_found() -> None:
    kinds = [Kind.FILE, Kind.LINK, Kind.FOLDER, Kind.LINK]
    entries = Entries(Entry(b"%d" % at, kind) for at, kind in enumerate(kinds))
    assert [list(entries.of_kind(kind)) for kind in (Kind.LINK, Kind.MOUNT)] == [[1, 3], []]
