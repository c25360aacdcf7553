"""Packed rows and records come back as they went in; a plain list is the measure."""

import random

from hypothesis import given
from hypothesis import strategies as st

from offload.record.mhl.dates import read_date
from offload.record.mhl.model import Action, DirectoryRecord, Hash, HashRecord, Record
from offload.record.mhl.table import RecordTable
from offload.record.packed import PackedRows

DIGESTS = {"md5": 16, "xxh64": 8, "c4": 64}
paths = st.binary(max_size=4).map(lambda path: path.replace(b"x", b"/"))
rows = st.lists(st.tuples(st.integers(0, 3), paths, st.sampled_from("abc"), st.binary(max_size=3)))
numbers = st.none() | st.integers(-(2**66), 2**66)
actions = st.sampled_from([None, *Action])
dates = st.none() | st.just(read_date("2024-05-01T10:00:05+02:00"))


@st.composite
def hashes(draw: st.DrawFn, names: list[str]) -> tuple[Hash, ...]:
    return tuple(
        Hash(name, bytes(draw(st.integers(0, 255)) for _ in range(DIGESTS[name])), *draw(
            st.tuples(actions, dates)
        ))
        for name in names
    )  # fmt: skip


@st.composite
def records(draw: st.DrawFn) -> Record:
    names = sorted(draw(st.sets(st.sampled_from(sorted(DIGESTS)))))
    path, previous = draw(paths), draw(st.none() | paths)
    mtime, created = draw(numbers), draw(numbers)
    if draw(st.booleans()):
        content, structure = draw(hashes(names)), draw(hashes(names))
        return DirectoryRecord(path, content, structure, mtime, created, previous)
    return HashRecord(path, draw(hashes(names)), draw(numbers), mtime, created, previous)


@given(rows, st.integers(0, 100))
def test_rows_come_back_unchanged(added: list[tuple[int, bytes, str, bytes]], cut: int) -> None:
    packed: PackedRows[str] = PackedRows()
    for row in added:
        packed.add(*row)
    kept = added[:cut]
    packed.cut(len(kept))
    packed.seal()
    seen = [(packed.number(at), packed.path(at), *packed.row(at)) for at in range(len(packed))]
    assert seen == kept
    for number, path, _, _ in kept:
        assert packed.places(path) == [at for at, row in enumerate(kept) if row[1] == path]
        assert any(begin <= at < end for at in packed.places(path) for begin, end in packed.runs())
        assert number in {kept[begin][0] for begin, _ in packed.runs()}
    assert [at for begin, end in packed.runs() for at in range(begin, end)] == list(
        range(len(kept))
    )
    later = [{row[1] for row in kept[at + 1 :]} for at in range(len(kept))]
    assert [packed.is_last(at) for at in range(len(kept))] == [
        row[1] not in later[at] for at, row in enumerate(kept)
    ]


@given(st.lists(st.tuples(st.integers(1, 3), records()), max_size=8))
def test_records_come_back_unchanged(added: list[tuple[int, Record]]) -> None:
    added.sort(key=lambda one: one[0])
    table = RecordTable()
    for number, record in added:
        table.add(number, record)
    table.seal()
    for _, record in added:
        assert table.of_path(record.path) == [one for one in added if one[1].path == record.path]


def test_folders_beyond_number_come_back() -> None:
    packed: PackedRows[None] = PackedRows()
    count = (1 << 16) + 10
    for at in range(count):
        packed.add(0, b"%d/f" % at, None, b"")
    packed.seal()
    assert [packed.path(at) for at in range(count)] == [b"%d/f" % at for at in range(count)]


def test_ten_thousand_generations_of_one_path() -> None:
    packed: PackedRows[None] = PackedRows()
    for at in range(10_000):
        packed.add(at, b"A001C001.mov", None, b"")
    packed.seal()
    reads = []
    packed.path = lambda at: reads.append(at) or b"A001C001.mov"  # type: ignore[method-assign, func-returns-value]
    assert [at for at in range(10_000) if packed.is_last(at)] == [9_999]
    assert len(reads) <= 10_000


def test_paths_of_one_hash_are_told_apart(monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr("offload.record.packed.hash", lambda _: 7, raising=False)
    packed: PackedRows[None] = PackedRows()
    order = [at % 5 for at in range(50)]
    random.Random(1).shuffle(order)
    for at in order:
        packed.add(0, b"%d" % at, None, b"")
    packed.seal()
    for at in range(5):
        found = packed.places(b"%d" % at)
        assert found == [place for place, one in enumerate(order) if one == at]
        assert [place for place in found if packed.is_last(place)] == found[-1:]
