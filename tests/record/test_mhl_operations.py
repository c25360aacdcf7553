"""Rename and flatten: ASC MHL 1.0, sections 5.3.3, 5.6 and 5.6.7."""

import io
import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from lxml import etree

from offload.checksum import digest_of
from offload.record.mhl.chain import append_manifest
from offload.record.mhl.custody import load_custody
from offload.record.mhl.flatten import Flattening
from offload.record.mhl.generation import add_generations
from offload.record.mhl.known import Comparison, compare, next_record
from offload.record.mhl.model import Action, DirectoryRecord, HashRecord, Process, Record
from offload.record.mhl.naming import manifest_name
from offload.record.mhl.read import ManifestReader
from offload.record.mhl.tree import EmptyFolder, Item
from offload.record.mhl.write import write_manifest
from tests.record import example
from tests.record.histories import Desk, operation
from tests.record.plain_folder import PlainFolder

SCHEMAS = Path(__file__).parent / "schemas"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(PlainFolder(tmp_path))


def append(desk: Desk, records: list[Record]) -> None:
    """A generation of these records, whatever they are."""
    desk.number += 1
    history = desk.history()
    step = operation(desk.number)
    head = replace(example.HEAD, creator=step.creator)
    append_manifest(
        desk.folder,
        b"ascmhl",
        history.chain,
        manifest_name(history.chain.next_number, b"A001", step.started_at),
        lambda out: write_manifest(out, head, records),
    )


def moved(desk: Desk, names: dict[bytes, bytes], *empty: bytes, **contents: bytes) -> None:
    """The next generation after these renames, old path to new, by the way that every one takes."""
    history = desk.history()
    found: list[Item] = [EmptyFolder(path) for path in empty]
    for path, content in contents.items():
        digests = {"xxh64": digest_of("xxh64", content)}
        now = names.get(os.fsencode(path), os.fsencode(path))
        known = history.lookup(os.fsencode(path))
        old = os.fsencode(path) if os.fsencode(path) in names else None
        record = next_record(now, digests, compare(known, digests), previous_path=old)
        assert record is not None
        found.append(record)
    found.sort(key=lambda item: item.path)
    desk.number += 1
    step = replace(operation(desk.number), folder_formats=("xxh64",))
    add_generations(desk.folder, load_custody(desk.folder), step, lambda scope: found)


def test_renamed_file_is_read_again_and_verified(desk: Desk) -> None:
    desk.put({b"old": b"1"})
    desk.hash({b"": [b"old"]})
    moved(desk, {b"old": b"new"}, old=b"1")
    # Not repeated afterwards, and followed all the same.
    desk.put({b"new": b"1"})
    desk.hash({b"": [b"new"]})
    history = desk.history()
    assert [each.path for each in history.current()] == [b"new"]
    known = history.lookup(b"new")
    assert known is not None
    assert [sighting.record.previous_path for sighting in known.sightings] == [None, b"old", None]
    assert known.sightings[1].record.hashes[0].action is Action.VERIFIED


def test_renamed_file_that_differs_has_failed(desk: Desk) -> None:
    desk.put({b"old": b"1"})
    desk.hash({b"": [b"old"]})
    moved(desk, {b"old": b"new"}, old=b"2")
    known = desk.history().lookup(b"new")
    assert known is not None
    assert known.newest.hashes[0].action is Action.FAILED


BEFORE = {"Clips/a": b"1", "Clips/Sub/b": b"2", "top": b"3"}


@pytest.fixture
def renamed(desk: Desk) -> Desk:
    """Clips/ with a subfolder and an empty one becomes Reel/."""
    files = {os.fsencode(path): content for path, content in BEFORE.items()}
    desk.put(files)
    desk.hash({b"": files}, folder_formats=("xxh64",), empty={b"": [b"Clips/Empty"]})
    names = {b"Clips/a": b"Reel/a", b"Clips/Sub/b": b"Reel/Sub/b"}
    moved(desk, names, b"Reel/Empty", **BEFORE)
    return desk


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        # A file stays where it was, so the folder is another one.
        ({b"Clips/a": b"Reel/a"}, {}),
        # One of the files has another name: what is below is not what was below.
        ({b"Clips/a": b"Reel/x", b"Clips/Sub/b": b"Reel/Sub/b"}, {b"Reel/Sub": b"Clips/Sub"}),
        # Files of two folders in one.
        ({b"Clips/a": b"Reel/a", b"top": b"Reel/top", b"Clips/Sub/b": b"Reel/b"}, {}),
        # A folder that was moved into another one.
        ({b"Clips/Sub/b": b"Sub/b"}, {b"Sub": b"Clips/Sub"}),
    ],
)
def test_folder_counts_as_renamed_only_whole(
    desk: Desk, names: dict[bytes, bytes], expected: dict[bytes, bytes]
) -> None:
    files = {os.fsencode(path): content for path, content in BEFORE.items()}
    desk.put(files)
    desk.hash({b"": files}, folder_formats=("xxh64",))
    moved(desk, names, **BEFORE)
    with desk.folder.open(b"ascmhl/" + desk.history().generations[1].name) as stream:
        folders = [each for each in ManifestReader(stream) if isinstance(each, DirectoryRecord)]
    assert {each.path: each.previous_path for each in folders if each.previous_path} == expected


def test_folder_that_had_no_record_is_renamed_all_the_same(desk: Desk) -> None:
    """Section 5.6: also where generation 1 has files alone, as when one of them was not read."""
    files = {os.fsencode(path): content for path, content in BEFORE.items()}
    desk.put(files)
    desk.hash({b"": files})
    moved(desk, {b"Clips/a": b"Reel/a", b"Clips/Sub/b": b"Reel/Sub/b"}, **BEFORE)
    history = desk.history()
    with desk.folder.open(b"ascmhl/" + history.generations[1].name) as stream:
        folders = [each for each in ManifestReader(stream) if isinstance(each, DirectoryRecord)]
    assert {each.path: each.previous_path for each in folders} == {
        b"Reel": b"Clips",
        b"Reel/Sub": b"Clips/Sub",
    }
    assert history.faults == ()
    assert {each.path for each in history.current()} == {b"top", b"Reel/a", b"Reel/Sub/b"}


def test_empty_folder_that_had_no_record_is_not_taken_for_a_renamed_one(desk: Desk) -> None:
    """No file tells what an empty folder was; only its own record does."""
    desk.put({b"Clips/a": b"1"})
    desk.hash({b"": [b"Clips/a"]}, folder_formats=("xxh64",))
    moved(desk, {b"Clips/a": b"Reel/a"}, b"Reel/Empty", **{"Clips/a": b"1"})
    with desk.folder.open(b"ascmhl/" + desk.history().generations[1].name) as stream:
        folders = [each for each in ManifestReader(stream) if isinstance(each, DirectoryRecord)]
    assert {each.path: each.previous_path for each in folders} == {
        b"Reel": b"Clips",
        b"Reel/Empty": None,
    }


def test_renamed_folder_writes_all_below_it(renamed: Desk) -> None:
    with renamed.folder.open(b"ascmhl/" + renamed.history().generations[1].name) as stream:
        records = list(ManifestReader(stream))
    assert {(record.path, record.previous_path) for record in records} == {
        (b"top", None),
        (b"Reel", b"Clips"),
        (b"Reel/a", b"Clips/a"),
        (b"Reel/Sub", b"Clips/Sub"),
        (b"Reel/Sub/b", b"Clips/Sub/b"),
        (b"Reel/Empty", b"Clips/Empty"),
    }
    # A folder's own hashes do not change by its rename.
    old = {record.path: record for record in old_folders(renamed)}
    for record in records:
        if isinstance(record, DirectoryRecord):
            assert record.previous_path is not None
            before = old[record.previous_path]
            assert (record.content, record.structure) == (before.content, before.structure)


def old_folders(desk: Desk) -> list[DirectoryRecord]:
    with desk.folder.open(b"ascmhl/" + desk.history().generations[0].name) as stream:
        return [each for each in ManifestReader(stream) if isinstance(each, DirectoryRecord)]


def test_renamed_folder_is_followed(renamed: Desk) -> None:
    history = renamed.history()
    assert {each.path for each in history.current()} == {b"top", b"Reel/a", b"Reel/Sub/b"}
    assert {each.path for each in history.folders()} == {b"Reel", b"Reel/Sub", b"Reel/Empty"}
    known = history.lookup(b"Reel/Sub/b")
    assert known is not None
    assert known.usable()["xxh64"].generation.number == 1


def test_lone_folder_record_maps_all_below_it(desk: Desk) -> None:
    # As others may write it.
    desk.put({b"Clips/a": b"1", b"Clips/Sub/b": b"2"})
    desk.hash({b"": [b"Clips/a", b"Clips/Sub/b"]}, folder_formats=("xxh64",))
    clips = next(each for each in desk.history().folders() if each.path == b"Clips")
    append(desk, [replace(clips, path=b"Reel", previous_path=b"Clips")])
    history = desk.history()
    known = history.lookup(b"Reel/Sub/b")
    assert known is not None
    assert known.sightings[0].record.path == b"Clips/Sub/b"
    # The old paths are no longer expected; where the files are now, no record says file by file.
    assert list(history.current()) == []


# Flattening, section 5.6.7: inputs and outputs for one file, row by row.


def run(desk: Desk, *steps: tuple[bytes, tuple[str, ...]]) -> dict[str, str]:
    """Hash a file of these contents in these formats, one generation each; then flatten."""
    for content, algorithms in steps:
        desk.put({b"a": content})
        only(desk, content, algorithms)
    (record,) = Flattening(load_custody(desk.folder))
    assert record.path == b"a"
    return {found.algorithm: found.action.value for found in record.hashes if found.action}


def only(desk: Desk, content: bytes, algorithms: tuple[str, ...]) -> None:
    """A generation with these formats alone, verified as the desk does."""
    custody = load_custody(desk.folder)
    known = custody.lookup(b"a")
    old = {name: digest_of(name, content) for name in (known.usable() if known else {})}
    comparison: Comparison = compare(known, old)
    digests = {name: digest_of(name, content) for name in algorithms}
    record = next_record(b"a", digests, comparison)
    assert record is not None
    desk.number += 1
    add_generations(
        desk.folder, custody, operation(desk.number), lambda scope: [record], begin=[b""]
    )


def test_flatten_keeps_the_first_of_a_format(desk: Desk) -> None:
    """Section 5.6.7: md5 original, then md5 verified twice."""
    assert run(desk, (b"1", ("md5",)), (b"1", ("md5",)), (b"1", ("md5",))) == {"md5": "original"}


def test_flatten_gathers_formats(desk: Desk) -> None:
    """Section 5.6.7: md5 original, c4 verified, xxh3 verified, and repeats."""
    steps = [(b"1", (name,)) for name in ("md5", "c4", "xxh3", "md5", "c4")]
    assert run(desk, *steps) == {"md5": "original", "c4": "verified", "xxh3": "verified"}


def test_flatten_never_takes_a_failed_hash(desk: Desk) -> None:
    """Section 5.6.7: md5 original, then md5 failed."""
    assert run(desk, (b"1", ("md5",)), (b"2", ("md5",))) == {"md5": "original"}
    (record,) = Flattening(load_custody(desk.folder))
    assert record.hashes[0].digest == digest_of("md5", b"1")


def test_flatten_has_no_folders_and_says_when_hashes_were_made(desk: Desk) -> None:
    """Sections 5.6.7 and 6.5.1: a missing date would mean that of the packing list."""
    desk.put({b"Clips/a": b"1"})
    desk.hash({b"": [b"Clips/a"]}, folder_formats=("xxh64",))
    (record,) = Flattening(load_custody(desk.folder))
    assert isinstance(record, HashRecord)
    # Otherwise its hashes would silently get the date of the packing list.
    assert record.hashes[0].hashed_at == datetime(2024, 5, 1, 8, 5, tzinfo=UTC)


def test_flatten_takes_facts_from_the_latest_record(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    known = desk.history().lookup(b"a")
    assert known is not None
    append(desk, [replace(known.newest, mtime_ns=example.MTIME_NS)])
    (record,) = Flattening(load_custody(desk.folder))
    assert record.mtime_ns == example.MTIME_NS


def test_flatten_keeps_the_latest_previous_path(desk: Desk) -> None:
    desk.put({b"A001/a": b"1"})
    desk.hash({b"A001": [b"a"]})
    custody = load_custody(desk.folder, b"", [b"A001"])
    first = custody.histories[b"A001"].lookup(b"a")
    assert first is not None
    for old, new in ((b"a", b"b"), (b"b", b"c")):
        history = desk.history(b"A001")
        record = replace(first.newest, path=new, previous_path=old)
        desk.number += 1
        add_generations(
            desk.folder,
            load_custody(desk.folder, b"A001"),
            operation(desk.number),
            lambda scope, record=record: [record],  # type: ignore[misc]
        )
        assert history is not None
    (flat,) = Flattening(load_custody(desk.folder, b"", [b"A001"]))
    # Paths are those of the outer scope.
    assert (flat.path, flat.previous_path) == (b"A001/c", b"A001/b")


def test_flatten_of_a_selection_and_of_nested_cards(desk: Desk) -> None:
    desk.put({b"A001/a": b"1", b"A002/b": b"2", b"c": b"3"})
    desk.hash({b"A001": [b"a"], b"A002": [b"b"], b"": [b"c"]})
    custody = desk.custody()
    assert {each.path for each in Flattening(custody)} == {b"A001/a", b"A002/b", b"c"}
    chosen = Flattening(custody, lambda path: path.startswith(b"A001/"))
    assert [each.path for each in chosen] == [b"A001/a"]


def test_flatten_names_files_without_a_usable_hash(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    known = desk.history().lookup(b"a")
    assert known is not None
    bare = replace(known.newest, path=b"b", hashes=(replace(known.newest.hashes[0], action=None),))
    append(desk, [bare])
    flattening = Flattening(load_custody(desk.folder))
    assert [each.path for each in flattening] == [b"a"]
    assert flattening.left_out == [b"b"]


def test_packing_list_is_a_valid_manifest(desk: Desk) -> None:
    desk.put({b"A001/a": b"1"})
    desk.hash({b"A001": [b"a"]})
    head = replace(example.HEAD, process=Process.FLATTEN)
    out = io.BytesIO()
    write_manifest(out, head, Flattening(load_custody(desk.folder, b"", [b"A001"])))
    document = etree.fromstring(out.getvalue()).getroottree()
    for name in ("asc-mhl", "asc-mhl-printed"):
        assert etree.XMLSchema(etree.parse(SCHEMAS / f"{name}.xsd")).validate(document)
    assert b"<process>flatten</process>" in out.getvalue()
