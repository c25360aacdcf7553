"""Histories read whole: ASC MHL 1.0, sections 5.2 to 5.4, 6.5.1; and every way they get broken."""

import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from offload.checksum import digest_of
from offload.record.mhl.chain import append_manifest, chain_bytes, read_chain
from offload.record.mhl.custody import load_custody
from offload.record.mhl.generation import add_generations
from offload.record.mhl.history import has_history, load_history
from offload.record.mhl.known import Outcome, compare, next_record
from offload.record.mhl.model import Action, DirectoryRecord, Hash, HashRecord, Record
from offload.record.mhl.naming import manifest_name
from offload.record.mhl.write import write_manifest
from tests.record import example
from tests.record.histories import Desk, operation
from tests.record.plain_folder import PlainFolder

CHAIN = b"ascmhl/ascmhl_chain.xml"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(PlainFolder(tmp_path))


def digests(content: bytes, *algorithms: str) -> dict[str, bytes]:
    return {name: digest_of(name, content) for name in algorithms}


def actions(desk: Desk, path: bytes, scope: bytes = b"") -> list[dict[str, str]]:
    """By generation, the actions by format."""
    known = desk.history(scope).lookup(path)
    assert known is not None
    return [
        {found.algorithm: found.action.value for found in sighting.record.hashes if found.action}
        for sighting in known.sightings
    ]


# Section 6.5.1 and guidelines 2.3 and 2.7: what the next generation says of a file whose first
# generation has xxh64 original.


def test_same_bytes_are_verified(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    desk.hash({b"": [b"a"]})
    assert actions(desk, b"a") == [{"xxh64": "original"}, {"xxh64": "verified"}]


def test_new_format_is_verified_with_the_old_one(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    desk.hash({b"": [b"a"]}, ["c4"])
    assert actions(desk, b"a")[1] == {"c4": "verified", "xxh64": "verified"}


def test_changed_bytes_fail_in_every_format_with_the_new_values(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    desk.put({b"a": b"2"})
    desk.hash({b"": [b"a"]}, ["c4"])
    assert actions(desk, b"a")[1] == {"c4": "failed", "xxh64": "failed"}
    known = desk.history().lookup(b"a")
    assert known is not None
    assert known.newest.hash_of("xxh64") == Hash("xxh64", digest_of("xxh64", b"2"), Action.FAILED)
    # A failed hash is never checked against: the changed file goes on failing.
    assert compare(known, digests(b"2", "xxh64")).outcome is Outcome.DIFFERS


def test_good_copy_put_back_is_verified_against_the_first(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    desk.put({b"a": b"2"})
    desk.hash({b"": [b"a"]})
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    assert [each["xxh64"] for each in actions(desk, b"a")] == ["original", "failed", "verified"]


def test_new_file_is_original(desk: Desk) -> None:
    desk.put({b"a": b"1", b"b": b"2"})
    desk.hash({b"": [b"a"]})
    desk.hash({b"": [b"b"]})
    assert actions(desk, b"b") == [{"xxh64": "original"}]
    # Section 5.6: an append holds only what was hashed.
    assert desk.history().generations[1].records == 1


def test_recorded_in_no_format_at_hand_is_not_success(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]}, ["md5"])
    known = desk.history().lookup(b"a")
    comparison = compare(known, digests(b"1", "xxh64"))
    assert comparison.outcome is Outcome.NOT_VERIFIABLE
    assert next_record(b"a", digests(b"1", "xxh64"), comparison) is None


def test_one_format_that_differs_outweighs_one_that_agrees(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]}, ["md5", "xxh64"])
    known = desk.history().lookup(b"a")
    found = {"md5": digest_of("md5", b"1"), "xxh64": bytes(8)}
    comparison = compare(known, found)
    assert comparison.outcome is Outcome.DIFFERS
    assert comparison.said is not None
    assert (comparison.said.hash.algorithm, comparison.said.generation.number) == ("xxh64", 1)
    assert comparison.said.generation.head.creator.authors[0].name == "A. Person"


def test_not_recorded_is_new() -> None:
    assert compare(None, digests(b"", "md5")).outcome is Outcome.NEW


def test_hash_without_action_cannot_be_checked_against(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    rewrite(desk, 1, lambda content: content.replace(b' action="original"', b""))
    history = desk.history()
    assert history.faults == ()
    assert compare(history.lookup(b"a"), digests(b"1", "xxh64")).outcome is Outcome.NOT_VERIFIABLE


def test_later_hash_that_contradicts_is_told(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    desk.hash({b"": [b"a"]})
    one, other = (digest_of("xxh64", each).hex().encode() for each in (b"1", b"2"))
    rewrite(desk, 2, lambda content: content.replace(one, other))
    known = desk.history().lookup(b"a")
    assert known is not None
    assert known.contradictions() == ("xxh64",)
    # The earliest counts.
    assert known.usable()["xxh64"].hash.digest == digest_of("xxh64", b"1")


def rewrite(desk: Desk, number: int, change: object) -> None:
    """Change a manifest and make the chain fit it, as a careful forger would."""
    entries = list(desk.history().chain.entries)
    path = b"ascmhl/" + entries[number - 1].path
    content = change(desk.folder.content(path))  # type: ignore[operator]
    desk.folder.replace(path, content)
    entry = entries[number - 1]
    entries[number - 1] = type(entry)(entry.number, entry.path, digest_of("c4", content))
    desk.folder.replace(CHAIN, chain_bytes(entries))


# Section 5.3.3: hashes spread over generations and formats are merged, in order.


def test_hashes_of_many_generations_are_merged(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    for algorithm in ("md5", "xxh64", "c4", "sha1"):
        desk.hash({b"": [b"a"]}, [algorithm])
    known = desk.history().lookup(b"a")
    assert known is not None
    usable = known.usable()
    assert {name: said.generation.number for name, said in usable.items()} == {
        "md5": 1,
        "xxh64": 2,
        "c4": 3,
        "sha1": 4,
    }


def test_current_files_are_each_told_once(desk: Desk) -> None:
    desk.put({b"a": b"1", b"b/c": b"2", b"d": b"3"})
    desk.hash({b"": [b"a", b"b/c"]}, folder_formats=("xxh64",))
    desk.hash({b"": [b"d", b"a"]})
    current = {record.path: record for record in desk.history().current()}
    assert set(current) == {b"a", b"b/c", b"d"}
    assert current[b"a"].hashes[0].action is Action.VERIFIED
    assert [record.path for record in desk.history().folders()] == [b"b"]


def test_ignored_files_are_not_expected_also_when_recorded_before(desk: Desk) -> None:
    # Section 5.6.1.2.
    desk.put({b"a": b"1", b"b.tmp": b"2"})
    desk.hash({b"": [b"a", b"b.tmp"]})
    desk.hash({b"": [b"a"]}, patterns=("*.tmp",))
    history = desk.history()
    assert {record.path for record in history.current()} == {b"a"}
    assert history.ignores(b"later.tmp")
    assert history.patterns == (".DS_Store", "ascmhl/", "*.tmp")
    # Guidelines 2.4: over a history the set only grows.
    desk.hash({b"": [b"a"]})
    assert desk.history().generations[2].head.ignore == (".DS_Store", "ascmhl/", "*.tmp")


def test_pattern_that_a_later_generation_takes_back_stays(desk: Desk) -> None:
    desk.put({b"a.tmp": b"1", b"b": b"2"})
    desk.hash({b"": [b"b"]}, patterns=("*.tmp",))
    desk.hash({b"": [b"b"]})
    rewrite(desk, 2, lambda content: content.replace(b"*.tmp</pattern>", b"!*.tmp</pattern>"))
    assert desk.history().ignores(b"a.tmp")


# Broken histories: sections 5.4 and guidelines 2.7.


@pytest.fixture
def three(desk: Desk) -> Desk:
    desk.put({b"a": b"1", b"b": b"2"})
    desk.hash({b"": [b"a"]}, ["md5"])
    desk.hash({b"": [b"a", b"b"]}, ["md5"])
    desk.hash({b"": [b"a"]}, ["c4"])
    return desk


def manifest(desk: Desk, number: int) -> bytes:
    return b"ascmhl/" + desk.history().chain.entries[number - 1].path


def codes(desk: Desk) -> list[str]:
    return [fault.code for fault in desk.history().faults]


def test_whole_history_has_no_faults(three: Desk) -> None:
    history = three.history()
    assert (history.faults, history.notices) == ((), ())
    assert [generation.number for generation in history.generations] == [1, 2, 3]


def test_edited_manifest_takes_no_part(three: Desk) -> None:
    path = manifest(three, 2)
    content = three.folder.content(path)
    digest = digest_of("md5", b"2").hex().encode()
    three.folder.replace(path, content.replace(digest, bytes(reversed(digest))))
    history = three.history()
    assert [(fault.code, fault.path) for fault in history.faults] == [("manifest-changed", path)]
    assert history.lookup(b"b") is None
    known = history.lookup(b"a")
    assert known is not None
    assert [sighting.generation.number for sighting in known.sightings] == [1, 3]


def test_deleted_manifest_is_missed(three: Desk) -> None:
    path = manifest(three, 2)
    os.remove(three.folder.path + b"/" + path)
    history = three.history()
    assert [(fault.code, fault.path) for fault in history.faults] == [("manifest-missing", path)]
    assert history.lookup(b"a") is not None


def test_manifest_cut_in_the_middle_is_a_changed_one(three: Desk) -> None:
    path = manifest(three, 2)
    three.folder.replace(path, three.folder.content(path)[:-100])
    history = three.history()
    assert [fault.code for fault in history.faults] == ["manifest-changed"]
    assert history.lookup(b"b") is None


def test_manifest_that_was_never_sound_is_unreadable(three: Desk) -> None:
    rewrite(three, 2, lambda content: content[:-100])
    assert codes(three) == ["manifest-unreadable"]
    assert three.history().lookup(b"b") is None


def test_renumbered_manifest_is_told(three: Desk) -> None:
    entries = list(three.history().chain.entries)
    old = entries[1]
    new = old.path.replace(b"0002", b"0004")
    os.rename(three.folder.path + b"/ascmhl/" + old.path, three.folder.path + b"/ascmhl/" + new)
    entries[1] = type(old)(2, new, old.c4)
    three.folder.replace(CHAIN, chain_bytes(entries))
    assert codes(three) == ["chain-renumbered"]


def test_names_without_their_last_letter_are_read(three: Desk) -> None:
    """Section 6.3 asks for the Z; appendices B and F and some figures print names without."""
    entries = list(three.history().chain.entries)
    for at, entry in enumerate(entries):
        new = entry.path.replace(b"Z.mhl", b".mhl")
        os.rename(
            three.folder.path + b"/ascmhl/" + entry.path, three.folder.path + b"/ascmhl/" + new
        )
        entries[at] = type(entry)(entry.number, new, entry.c4)
    three.folder.replace(CHAIN, chain_bytes(entries))
    assert (three.history().faults, three.history().notices) == ((), ())
    assert len(three.history().generations) == 3


def test_generation_left_out_of_the_chain_is_told(three: Desk) -> None:
    chain = three.history().chain.entries
    left_out = manifest(three, 3)
    three.folder.replace(CHAIN, chain_bytes(chain[:2]))
    history = three.history()
    assert history.faults == ()
    assert [(each.code, each.path) for each in history.notices] == [
        ("manifest-not-in-chain", left_out)
    ]
    assert os.path.exists(three.folder.path + b"/" + left_out)
    # One from the middle makes the numbers of the chain wrong.
    three.folder.replace(CHAIN, chain_bytes([chain[0], chain[2]]))
    assert codes(three) == ["chain-unreadable"]


def test_second_chain_is_told_and_takes_no_part(three: Desk) -> None:
    shutil.copy(three.folder.path + b"/" + CHAIN, three.folder.path + b"/ascmhl/ascmhl_chain.txt")
    assert [notice.code for notice in three.history().notices] == ["second-chain"]
    assert len(three.history().generations) == 3


def test_chain_that_is_gone_leaves_nothing_to_go_by(three: Desk) -> None:
    os.remove(three.folder.path + b"/" + CHAIN)
    assert has_history(three.folder, b"")
    history = three.history()
    assert [fault.code for fault in history.faults] == ["chain-unreadable"]
    assert history.lookup(b"a") is None
    assert len([n for n in history.notices if n.code == "manifest-not-in-chain"]) == 3
    with pytest.raises(Exception, match="cannot be read"):
        three.hash({b"": [b"a"]})


def test_chain_that_leads_out_is_refused(three: Desk) -> None:
    content = three.folder.content(CHAIN).replace(b"<path>0002", b"<path>../0002")
    three.folder.replace(CHAIN, content)
    assert codes(three) == ["chain-unreadable"]


def test_clock_in_the_future_is_noticed(three: Desk) -> None:
    now = datetime(2024, 5, 1, 9, 30, tzinfo=UTC)
    history = load_history(three.folder, b"", now=now)
    assert [notice.code for notice in history.notices] == ["manifest-from-the-future"]
    assert history.faults == ()


def test_readme_in_the_folder_is_nobodys_business(three: Desk) -> None:
    # Section 5.3.1.
    three.folder.replace(b"ascmhl/README.txt", b"hello")
    assert (three.history().faults, three.history().notices) == ((), ())


def test_link_in_place_of_a_manifest_is_not_followed(three: Desk, tmp_path: Path) -> None:
    path = three.folder.path + b"/" + manifest(three, 2)
    os.rename(path, three.folder.path + b"/elsewhere")
    os.symlink(b"../elsewhere", path)
    assert codes(three) == ["manifest-unreadable"]


def test_history_of_many_generations(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    one = desk.history().chain.entries[0]
    content = desk.folder.content(b"ascmhl/" + one.path)
    entries = []
    for number in range(1, 2001):
        name = b"%04d" % number + one.path[4:]
        desk.folder.replace(b"ascmhl/" + name, content)
        entries.append(type(one)(number, name, one.c4))
    desk.folder.replace(CHAIN, chain_bytes(entries))
    history = desk.history()
    assert history.faults == ()
    known = history.lookup(b"a")
    assert known is not None
    assert len(known.sightings) == 2000
    assert [record.path for record in history.current()] == [b"a"]


def test_every_flipped_byte_of_a_history_is_noticed(desk: Desk) -> None:
    desk.folder.put(b"ascmhl/" + example.NAME, example.MANIFEST)
    desk.folder.put(CHAIN, example.CHAIN)
    whole = desk.history()
    assert whole.faults == ()
    for at in range(len(example.MANIFEST)):
        content = bytearray(example.MANIFEST)
        content[at] ^= 1
        desk.folder.replace(b"ascmhl/" + example.NAME, bytes(content))
        history = desk.history()
        assert [fault.code for fault in history.faults] == ["manifest-changed"], at
        assert history.lookup(b"Sidecar.txt") is None
    desk.folder.replace(b"ascmhl/" + example.NAME, example.MANIFEST)
    harmless = 0
    for at in range(len(example.CHAIN)):
        content = bytearray(example.CHAIN)
        content[at] ^= 1
        desk.folder.replace(CHAIN, bytes(content))
        history = desk.history()
        if not history.faults:
            # White space between elements says nothing; the signature covers it all the same.
            assert history.chain.entries == whole.chain.entries
            harmless += 1
    assert 0 < harmless < 40


# Previous paths: section 5.3.3; what the text leaves open, newest to oldest, folders too.


def with_previous(desk: Desk, *records: HashRecord) -> None:
    """Append records as they are."""
    desk.number += 1
    add_generations(
        desk.folder,
        load_custody(desk.folder),
        operation(desk.number),
        lambda scope: records,
    )


def record(path: bytes, content: bytes, action: Action, previous: bytes | None) -> HashRecord:
    found = (Hash("xxh64", digest_of("xxh64", content), action),)
    return HashRecord(path, found, len(content), previous_path=previous)


def test_lookup_follows_renames(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    with_previous(desk, record(b"b", b"1", Action.VERIFIED, b"a"))
    with_previous(desk, record(b"c", b"1", Action.VERIFIED, b"b"))
    history = desk.history()
    known = history.lookup(b"c")
    assert known is not None
    assert [sighting.record.path for sighting in known.sightings] == [b"a", b"b", b"c"]
    assert known.usable()["xxh64"].generation.number == 1
    assert [each.path for each in history.current()] == [b"c"]


def test_new_file_under_an_old_name_is_another_file(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    with_previous(desk, record(b"b", b"1", Action.VERIFIED, b"a"))
    with_previous(desk, record(b"a", b"2", Action.ORIGINAL, None))
    history = desk.history()
    assert {each.path for each in history.current()} == {b"a", b"b"}
    known = history.lookup(b"b")
    assert known is not None
    assert [sighting.record.path for sighting in known.sightings] == [b"a", b"b"]


def test_two_files_that_changed_places(desk: Desk) -> None:
    desk.put({b"a": b"1", b"b": b"2"})
    desk.hash({b"": [b"a", b"b"]})
    with_previous(
        desk,
        record(b"a", b"2", Action.VERIFIED, b"b"),
        record(b"b", b"1", Action.VERIFIED, b"a"),
    )
    history = desk.history()
    assert {each.path for each in history.current()} == {b"a", b"b"}
    known = history.lookup(b"a")
    assert known is not None
    assert known.usable()["xxh64"].hash.digest == digest_of("xxh64", b"2")
    assert known.contradictions() == ()


def test_history_of_very_many_renames_is_read_at_once(desk: Desk) -> None:
    # Made to be slow: each of many files below each of many folders that were all renamed.
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    some = (Hash("xxh64", bytes(8)),)
    folders = [
        DirectoryRecord(b"new%d" % n, some, some, previous_path=b"old%d" % n) for n in range(3000)
    ]
    files = [record(b"f%d/x" % n, b"1", Action.ORIGINAL, None) for n in range(3000)]
    write_as_is(desk, [*folders, *files])
    history = desk.history()
    assert history.faults == ()
    assert len(list(history.current())) == 3001
    for each in files:
        known = history.lookup(each.path)
        assert known is not None
        assert known.path == each.path


def write_as_is(desk: Desk, records: list[Record]) -> None:
    """A further generation of these records."""
    chain = desk.history().chain
    name = manifest_name(chain.next_number, b"A001", datetime(2025, 1, 1, tzinfo=UTC))
    append_manifest(
        desk.folder, b"ascmhl", chain, name, lambda out: write_manifest(out, example.HEAD, records)
    )


def test_folder_that_was_renamed_back(desk: Desk) -> None:
    desk.put({b"a/x": b"1"})
    desk.hash({b"": [b"a/x"]})
    some = (Hash("xxh64", bytes(8)),)
    write_as_is(
        desk,
        [
            DirectoryRecord(b"b", some, some, previous_path=b"a"),
            record(b"b/x", b"1", Action.VERIFIED, b"a/x"),
        ],
    )
    write_as_is(
        desk,
        [
            DirectoryRecord(b"a", some, some, previous_path=b"b"),
            record(b"a/x", b"1", Action.VERIFIED, b"b/x"),
        ],
    )
    history = desk.history()
    assert [each.path for each in history.current()] == [b"a/x"]
    known = history.lookup(b"a/x")
    assert known is not None
    assert [each.record.path for each in known.sightings] == [b"a/x", b"b/x", b"a/x"]


# Worked chains: what is read is what stands in the files.
def test_worked_history_is_read(desk: Desk) -> None:
    desk.folder.put(b"A001/ascmhl/" + example.NAME, example.MANIFEST)
    desk.folder.put(b"A001/ascmhl/ascmhl_chain.xml", example.CHAIN)
    history = desk.history(b"A001")
    assert history.scope == b"A001"
    assert history.newest_root == example.head_with_root("xxh64").root
    with desk.folder.open(b"A001/ascmhl/ascmhl_chain.xml") as stream:
        assert read_chain(stream).entries == history.chain.entries
