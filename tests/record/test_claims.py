"""What all records below a folder say of its files, together; and what ought to have come.

Renames: ASC MHL 1.0, section 5.3.3; collections and packing lists: section 5.5.
"""

import subprocess
from dataclasses import replace
from pathlib import Path

import bagit
import pytest

from offload.checksum import digest_of
from offload.errors import RecordError
from offload.record.claims import Claim, Claims, FileJudgement, FileOutcome, match_moved
from offload.record.expected import arrivals
from offload.record.find import FoundRecord, RecordKind, find_records
from offload.record.mhl.chain import chain_bytes
from offload.record.mhl.custody import load_custody
from offload.record.mhl.flatten import Flattening, collection_entries
from offload.record.mhl.generation import add_generations
from offload.record.mhl.model import Process
from offload.record.mhl.write import write_manifest
from tests.record import example
from tests.record.histories import Desk, operation
from tests.record.plain_folder import PlainFolder

CLIP = b"A001/Clips/A001C001.mov"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    desk = Desk(PlainFolder(tmp_path))
    desk.put({b"A001/" + path: content for path, content in example.FILES.items()})
    return desk


def load(desk: Desk) -> Claims:
    return Claims(desk.folder, find_records(desk.folder))


def judge(desk: Desk, path: bytes, claims: Claims | None = None) -> FileJudgement:
    """Read a file once, with what is asked for, and have it judged."""
    claims = claims or load(desk)
    content = desk.folder.content(path)
    return claims.judge(
        path, {name: digest_of(name, content) for name in claims.algorithms_for(path)}
    )


def run(desk: Desk, tool: str, *options: str, into: str) -> None:
    """Have a stock tool list the clips of the card."""
    where = desk.folder.path.decode() + "/A001"
    names = ["Clips/A001C001.mov", "Clips/A001C002.mov"]
    done = subprocess.run([tool, *options, *names], cwd=where, capture_output=True, check=True)
    desk.folder.put(b"A001/" + into.encode(), done.stdout)


@pytest.mark.parametrize(
    ("tool", "options", "name"),
    [
        ("md5sum", [], "A001.md5"),
        ("sha1sum", [], "A001.sha1"),
        ("sha256sum", [], "SHA256SUMS"),
        ("sha256sum", ["--tag"], "sums.sha256"),
        ("sha512sum", [], "A001.sha512"),
        ("xxhsum", ["-H64"], "A001.xxh"),
        ("xxhsum", ["-H128"], "A001.xxh128"),
        ("xxhsum", ["-H32"], "A001.xxh32"),
        ("xxhsum", ["-H3", "--tag"], "A001.xxh3"),
    ],
)
def test_lists_of_stock_tools_are_verified(
    desk: Desk, tool: str, options: list[str], name: str
) -> None:
    run(desk, tool, *options, into=name)
    claims = load(desk)
    assert claims.faults == ()
    assert set(claims.expected()) == {CLIP, b"A001/Clips/A001C002.mov"}
    judged = judge(desk, CLIP)
    assert judged.outcome is FileOutcome.AS_RECORDED
    assert judged.agreeing[0].source.kind is RecordKind.LIST
    assert judged.agreeing[0].line == 1
    desk.put({CLIP: b"abce\n"})
    assert judge(desk, CLIP).outcome is FileOutcome.DIFFERS
    assert judge(desk, b"A001/Sidecar.txt").outcome is FileOutcome.NOT_RECORDED


def test_bag_is_verified(desk: Desk, tmp_path: Path) -> None:
    bagit.make_bag(str(tmp_path / "A001"), checksums=["md5", "sha256"])
    path = b"A001/data/Clips/A001C001.mov"
    assert load(desk).faults == ()
    judged = judge(desk, path)
    assert judged.outcome is FileOutcome.AS_RECORDED
    assert [claim.algorithms for claim in judged.agreeing] == [("md5",), ("sha256",)]
    assert judge(desk, b"A001/bagit.txt").outcome is FileOutcome.AS_RECORDED
    (tmp_path / "A001/data/Clips/A001C001.mov").unlink()
    assert path in set(load(desk).expected())


def test_all_records_are_asked_in_one_reading(desk: Desk) -> None:
    files = list(example.FILES)
    desk.hash({b"A001": files}, ["xxh128", "c4"])
    run(desk, "md5sum", into="A001.md5")
    run(desk, "xxhsum", "-H64", into="A001.xxh64")
    claims = load(desk)
    assert claims.algorithms_for(CLIP) == {"c4", "md5", "xxh128", "xxh64"}
    assert claims.algorithms_for(b"A001/Sidecar.txt") == {"c4", "xxh128"}
    assert sorted(claims.expected()) == sorted(b"A001/" + path for path in files)
    judged = judge(desk, CLIP, claims)
    assert judged.outcome is FileOutcome.AS_RECORDED
    assert len(judged.agreeing) == 4
    said = judged.agreeing[0].generation
    assert said is not None
    assert (said.number, said.head.creator.authors[0].name) == (1, "A. Person")


def test_one_record_that_differs_outweighs_all(desk: Desk) -> None:
    desk.hash({b"A001": list(example.FILES)}, ["xxh128"])
    wrong = digest_of("md5", b"other").hex().encode()
    desk.folder.put(b"A001/A001.md5", wrong + b"  Clips/A001C001.mov\n")
    judged = judge(desk, CLIP)
    assert judged.outcome is FileOutcome.DIFFERS
    assert [claim.source.path for claim in judged.differing] == [b"A001/A001.md5"]
    assert [claim.source.kind for claim in judged.agreeing] == [RecordKind.HISTORY]


def test_untagged_digest_of_open_meaning_is_tried_both_ways(desk: Desk) -> None:
    digest = digest_of("xxh128", b"abcd\n").hex().encode()
    desk.folder.put(b"A001/checksums.xxhsum.txt", b"")
    desk.folder.put(b"A001/SUMS.md5", digest + b"  Clips/A001C001.mov\n")
    assert judge(desk, CLIP).outcome is FileOutcome.DIFFERS
    desk.folder.put(b"A001/SUMS.md5", b"")
    desk.folder.put(b"A001/sha.sha", digest + b"  Clips/A001C001.mov\n")
    claims = load(desk)
    assert claims.algorithms_for(CLIP) == {"md5", "xxh128"}
    assert judge(desk, CLIP, claims).outcome is FileOutcome.AS_RECORDED


def test_stand_alone_manifest_is_verified(desk: Desk) -> None:
    desk.folder.put(b"A001/list.mhl", example.MANIFEST)
    claims = load(desk)
    judged = judge(desk, CLIP, claims)
    assert judged.outcome is FileOutcome.AS_RECORDED
    said = judged.agreeing[0].generation
    assert said is not None
    assert said.head == example.head_with_root("xxh64")
    assert set(claims.expected()) == {b"A001/" + path for path in example.FILES}


def test_recorded_without_a_usable_hash_is_not_verifiable(desk: Desk) -> None:
    bare = example.MANIFEST.replace(b' action="original"', b"")
    desk.folder.put(b"A001/list.mhl", bare)
    assert judge(desk, CLIP).outcome is FileOutcome.NOT_VERIFIABLE


def test_file_that_was_not_read_with_what_was_asked_is_not_verifiable(desk: Desk) -> None:
    run(desk, "md5sum", into="A001.md5")
    assert load(desk).judge(CLIP, {"c4": bytes(64)}).outcome is FileOutcome.NOT_VERIFIABLE


def test_broken_record_says_nothing_and_is_told(desk: Desk) -> None:
    desk.folder.put(b"A001/list.mhl", example.MANIFEST[:-30])
    desk.folder.put(b"A001/A001.md5", b"junk\n" + b"0" * 32 + b"  ../../etc/passwd\n")
    claims = load(desk)
    assert claims.of(CLIP) == ()
    assert [(fault.code, fault.path) for fault in claims.faults] == [
        ("list-line-unreadable", b"A001/A001.md5"),
        ("list-path-unsafe", b"A001/A001.md5"),
        ("record-unreadable", b"A001/list.mhl"),
    ]
    assert list(claims.expected()) == []


def test_list_of_a_million_bad_lines_is_told_in_few(desk: Desk) -> None:
    desk.folder.put(b"A001/A001.md5", b"junk\n" * 20_000)
    assert len(load(desk).faults) == 1000


def test_renamed_file_is_found_by_content(desk: Desk) -> None:
    run(desk, "md5sum", into="A001.md5")
    claims = load(desk)
    second = b"A001/Clips/A001C002.mov"
    missing = {path: claims.of(path) for path in (CLIP, second)}
    md5 = {b"x": {"md5": digest_of("md5", b"def\n")}, b"y": {"md5": digest_of("md5", b"?")}}
    assert match_moved(missing, md5) == {b"x": second}


def test_two_equal_files_are_each_matched_once() -> None:
    run_line = digest_of("md5", b"x")
    claim = Claim(FoundRecord(RecordKind.LIST, b"l.md5", b""), ("md5",), run_line)
    missing = {b"a": (claim,), b"b": (claim,)}
    extra = {b"x": {"md5": run_line}, b"y": {"md5": run_line}, b"z": {"md5": run_line}}
    assert match_moved(missing, extra) == {b"x": b"a", b"y": b"b"}


def test_file_renamed_in_the_history_is_expected_under_its_new_name(desk: Desk) -> None:
    run(desk, "md5sum", into="A001.md5")
    desk.hash({b"A001": [b"Clips/A001C001.mov"]})
    known = desk.history(b"A001").lookup(b"Clips/A001C001.mov")
    assert known is not None
    moved = replace(known.newest, path=b"Clips/X.mov", previous_path=known.path)
    add_generations(
        desk.folder, load_custody(desk.folder, b"A001"), operation(2), lambda scope: [moved]
    )
    expected = sorted(load(desk).expected())
    assert expected == [b"A001/Clips/A001C002.mov", b"A001/Clips/X.mov"]


# Collections and packing lists: section 5.5.


@pytest.fixture
def sent(desk: Desk, tmp_path: Path) -> PlainFolder:
    """A collection with packing lists of A001 and A002, made at the sender's."""
    desk.put({b"A002/a": b"a2", b"A002/b": b"b2"})
    desk.hash({b"A001": list(example.FILES), b"A002": [b"a", b"b"]}, ["xxh128"])
    letter = PlainFolder(tmp_path / "letter")
    head = replace(example.HEAD, process=Process.FLATTEN)
    found = []
    for card in (b"A001", b"A002"):
        custody = load_custody(desk.folder, b"", [b"A001", b"A002"])
        only = Flattening(custody, lambda path, card=card: path.startswith(card + b"/"))  # type: ignore[misc]
        written = letter_write(letter, card + b"_packing.mhl", head, only)
        found.append((card + b"_packing.mhl", written))
    letter.put(b"ascmhl_collection.xml", chain_bytes(collection_entries(found)))
    return letter


def letter_write(letter: PlainFolder, name: bytes, head: object, records: object) -> bytes:
    written = letter.write_new(
        name,
        lambda out: write_manifest(out, head, records),  # type: ignore[arg-type]
    )
    return written.c4


def seen(*contents: bytes) -> set[tuple[str, bytes]]:
    return {("xxh128", digest_of("xxh128", content)) for content in contents}


def test_card_that_never_came_is_found(sent: PlainFolder) -> None:
    first, second = arrivals(sent, b"ascmhl_collection.xml", seen(*example.FILES.values()))
    assert (first.has_arrived, first.is_absent, first.files) == (True, False, 4)
    assert (second.has_arrived, second.is_absent) == (False, True)
    assert set(second.missing) == {b"A002/a", b"A002/b"}


def test_card_that_came_in_part_is_told(sent: PlainFolder) -> None:
    (only,) = arrivals(sent, b"A002_packing.mhl", seen(b"a2"))
    assert (only.files, only.there, only.missing) == (2, 1, (b"A002/b",))
    assert not only.has_arrived
    assert not only.is_absent


def test_packing_list_that_was_changed_counts_nothing(sent: PlainFolder) -> None:
    content = sent.content(b"A001_packing.mhl")
    sent.put(b"A001_packing.mhl", content.replace(b"Sidecar", b"Sidebar"))
    first, second = arrivals(sent, b"ascmhl_collection.xml", seen(b"a2", b"b2"))
    assert [fault.code for fault in first.faults] == ["manifest-changed"]
    assert not first.has_arrived
    assert not first.is_absent
    assert second.has_arrived


def test_packing_list_that_is_missing_or_broken(sent: PlainFolder, tmp_path: Path) -> None:
    (tmp_path / "letter/A001_packing.mhl").unlink()
    first, _ = arrivals(sent, b"ascmhl_collection.xml", seen())
    assert [fault.code for fault in first.faults] == ["manifest-missing"]
    sent.put(b"A001_packing.mhl", b"junk")
    (only,) = arrivals(sent, b"A001_packing.mhl", seen())
    assert [fault.code for fault in only.faults] == ["manifest-unreadable"]


def test_collection_that_is_none(sent: PlainFolder) -> None:
    sent.put(b"ascmhl_collection.xml", b"junk")
    with pytest.raises(RecordError):
        list(arrivals(sent, b"ascmhl_collection.xml", seen()))
