"""Manifests and chains as they are written: byte for byte the worked example, and both schemas.

Source: ASC MHL 1.0, sections 5.4 (the chain after its manifest), 6.1 to 6.5 and 7, appendix A;
names: sections 6.3, 7.3 and 8.3.
"""

import hashlib
import io
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import BinaryIO
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example as also
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from offload.checksum import c4_id, digest_of
from offload.record.mhl.chain import Chain, append_manifest, chain_bytes, read_chain
from offload.record.mhl.dates import date_text, ns_text
from offload.record.mhl.model import (
    FORMATS,
    Author,
    DirectoryRecord,
    Hash,
    HashRecord,
    Record,
    Reference,
)
from offload.record.mhl.naming import manifest_name, read_manifest_name
from offload.record.mhl.read import ManifestReader
from offload.record.mhl.roots import depth_first
from offload.record.mhl.text import holds_name
from offload.record.mhl.tree import EmptyFolder, NestedRoot, NotHashed, tree_records, tree_root
from offload.record.mhl.write import Written, write_manifest
from tests.record import example

SCHEMAS = Path(__file__).parent / "schemas"


def schema(name: str) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(SCHEMAS / f"{name}.xsd"))


def valid_under(content: bytes) -> tuple[bool, bool]:
    document = etree.fromstring(content).getroottree()
    return schema("asc-mhl").validate(document), schema("asc-mhl-printed").validate(document)


def written(records: list[Record], **changes: object) -> bytes:
    out = io.BytesIO()
    references = changes.pop("references", ())
    write_manifest(out, replace(example.HEAD, **changes), records, references)
    return out.getvalue()


def test_worked_example_byte_for_byte() -> None:
    # The example lists folder by folder, in the byte order of names.
    found = sorted(example.items("xxh64"), key=lambda item: depth_first(item.path))
    records = tree_records(found, ["xxh64"], lambda path: example.MTIME_NS)
    out = io.BytesIO()
    head = replace(example.HEAD, root=tree_root(found, ["xxh64"]))
    result = write_manifest(out, head, records)
    assert out.getvalue() == example.MANIFEST
    assert hashlib.sha256(out.getvalue()).hexdigest() == example.MANIFEST_SHA256
    assert (result.size_bytes, result.records) == (1846, 6)
    assert c4_id(result.c4) == example.MANIFEST_C4


def test_worked_chain_byte_for_byte() -> None:
    chain = Chain().with_manifest(example.NAME, digest_of("c4", example.MANIFEST))
    content = chain_bytes(chain.entries)
    assert content == example.CHAIN
    assert len(content) == 307
    assert c4_id(digest_of("c4", content)) == example.CHAIN_C4
    assert schema("asc-mhl-chain").validate(etree.fromstring(content).getroottree())
    assert read_chain(io.BytesIO(content)).entries == chain.entries


@pytest.mark.parametrize("algorithms", [FORMATS, ("c4", "xxh128"), ("xxh3",)])
def test_written_is_valid_under_both_schemas(algorithms: tuple[str, ...]) -> None:
    records = list(tree_records(example.items(*algorithms), algorithms))
    head = example.head_with_root(*algorithms)
    assert valid_under(written(records, root=head.root)) == (True, True)


def test_everything_that_can_be_written_is_valid() -> None:
    hashes = (Hash("md5", bytes(16), None, datetime(2024, 1, 1, tzinfo=UTC)),)
    records: list[Record] = [
        HashRecord(b"new", hashes, 3, 10**9, 2 * 10**9, b"old <&> \r\n\t"),
        DirectoryRecord(b"folder", hashes, hashes, 10**9, 10**9, b"was"),
    ]
    people = (Author("<A>", "a@b.c", "+1 2", 'says "x"'), Author("B", "no address"))
    creator = replace(
        example.HEAD.creator, authors=people, location="Pier \x1b[1m", comment="two\nlines"
    )
    content = written(
        records, creator=creator, references=[Reference(b"A/ascmhl/0001_A.mhl", bytes(64))]
    )
    assert valid_under(content) == (True, True)
    reader = ManifestReader(io.BytesIO(content))
    assert list(reader) == records
    assert reader.references == (Reference(b"A/ascmhl/0001_A.mhl", bytes(64)),)
    # What XML or the schemas cannot hold is shown, never lost.
    assert reader.head.creator.location == "Pier \\x1b[1m"
    assert reader.head.creator.authors == (people[0], Author("B <no address>"))
    assert reader.head.creator.comment == "two\nlines"


def test_references_alone_are_valid_by_the_published_schema() -> None:
    content = written([], references=[Reference(b"A/ascmhl/m.mhl", bytes(64))])
    assert valid_under(content) == (True, False)


def test_nothing_at_all_is_refused() -> None:
    # Section 6.4.1: at least one of hashes and references.
    with pytest.raises(ValueError, match="reference"):
        written([])


def test_hashes_are_written_in_alphabetical_order() -> None:
    content = written(
        [HashRecord(b"a", tuple(Hash(name, digest_of(name, b"")) for name in reversed(FORMATS)))]
    )
    places = [content.index(f"<{name}>".encode()) for name in FORMATS]
    assert places == sorted(places)
    assert valid_under(content) == (True, True)


def test_folder_hashes_are_written_in_alphabetical_order() -> None:
    """Section 6.5.4 and appendix A disagree on xxh3 and xxh64; both take the alphabet."""
    both = tuple(Hash(name, digest_of(name, b"")) for name in ("xxh64", "xxh3", "md5"))
    content = written([DirectoryRecord(b"a", both, both)])
    for tag in (b"content", b"structure"):
        part = content[content.rindex(b"<%s>" % tag) : content.rindex(b"</%s>" % tag)]
        places = [part.index(b"<%s>" % name) for name in (b"md5", b"xxh3", b"xxh64")]
        assert places == sorted(places)
    assert valid_under(content) == (True, True)


@pytest.mark.parametrize("word", [b"xxh32", b"structure=", b"<metadata", b"\xef\xbb\xbf", b"\r"])
def test_what_is_in_dispute_is_never_written(word: bytes) -> None:
    """Sections 6.4.1 to 6.5.4, where text and schemas disagree."""
    records = list(tree_records(example.items(*FORMATS), FORMATS))
    content = written(records, root=example.head_with_root(*FORMATS).root)
    assert word not in content
    # No white space around paths and hashes, no folder that ends in a slash.
    assert re.search(rb">\s+[^<\s]|[^>\s]\s+<|/</path>", content) is None


@pytest.mark.parametrize(
    "record",
    [
        HashRecord(b"a", ()),
        HashRecord(b"\xff", (Hash("md5", bytes(16)),)),
        HashRecord(b"a\x01", (Hash("md5", bytes(16)),)),
        DirectoryRecord(b"a", (Hash("md5", bytes(16)),), (Hash("sha1", bytes(20)),)),
        DirectoryRecord(b"a", (), ()),
    ],
    ids=["no-hash", "not-utf8", "control", "formats", "empty"],
)
def test_record_that_cannot_be_written(record: Record) -> None:
    with pytest.raises(ValueError, match=r"."):
        written([record])


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (b"plain.mov", True),
        (b"tab\tlf\ncr\r", True),
        ("Ünï 🎬".encode(), True),
        (b"\x01", False),
        (b"\x7f", True),
        (b"\x1b[1m", False),
        (b"\xff", False),
        ("\ufffe".encode(), False),
        ("\uffff".encode(), False),
        (b"\xed\xa0\x80", False),
    ],
)
def test_names_that_a_manifest_can_hold(name: bytes, expected: bool) -> None:
    # XML 1.0, section 2.2.
    assert holds_name(name) is expected
    if expected:
        content = written([HashRecord(name, (Hash("md5", bytes(16)),))])
        (read,) = ManifestReader(io.BytesIO(content))
        assert read.path == name


def test_line_ends_and_tabs_in_names_are_written_as_references() -> None:
    content = written([HashRecord(b"a\r\n\tb", (Hash("md5", bytes(16)),))])
    assert b"<path>a&#13;&#10;&#9;b</path>" in content


def test_dates_are_in_the_zone_of_the_manifest_to_the_second() -> None:
    creator = replace(
        example.HEAD.creator, created_at=datetime(2024, 5, 1, 8, 0, 5, 999999, tzinfo=UTC)
    )
    record = replace(example.record(b"a", b"", "md5"), mtime_ns=example.MTIME_NS + 999_999_999)
    content = written([record], creator=creator)
    assert b"<creationdate>2024-05-01T08:00:05+00:00<" in content
    assert b'lastmodificationdate="2024-05-01T07:55:00+00:00"' in content


@pytest.mark.parametrize("mtime_ns", [-(2**63), 2**63 - 1, -(10**18), 253402300799 * 10**9])
def test_time_of_any_damaged_entry_is_no_failure(mtime_ns: int) -> None:
    record = replace(example.record(b"a", b"", "md5"), mtime_ns=mtime_ns)
    assert valid_under(written([record])) == (True, True)


def test_date_without_zone_is_never_written() -> None:
    with pytest.raises(ValueError, match="zone"):
        written([], creator=replace(example.HEAD.creator, created_at=datetime(2024, 1, 1)))


def test_raw_file_that_takes_little_at_a_time() -> None:
    class Slow(io.BytesIO):
        def write(self, data: object, /) -> int:
            return super().write(bytes(memoryview(data)[:7]))  # type: ignore[arg-type]

    out = Slow()
    result = write_manifest(out, example.HEAD, [example.record(b"a", b"x", "md5")])
    assert result.c4 == digest_of("c4", out.getvalue())


def test_folder_with_unread_file_has_no_record() -> None:
    found = [example.record(b"a/b", b"1", "md5"), NotHashed(b"a/c"), EmptyFolder(b"d")]
    paths = [record.path for record in tree_records(found, ["md5"])]
    assert paths == [b"a/b", b"d"]
    assert tree_root(found, ["md5"]) is None


def test_nested_root_has_no_record_of_its_own() -> None:
    # Section 5.3.2: what lies below a nested root is recorded there.
    nested = NestedRoot(b"day/A001", tree_root(example.items("md5"), ["md5"]))
    records = list(tree_records([nested], ["md5"]))
    assert [record.path for record in records] == [b"day"]
    assert tree_root([nested], ["md5"]) is not None
    assert list(tree_records([NestedRoot(b"A001", None)], ["md5"])) == []


# Sections 6.3, 7.3 and 8.3; the first two are printed there.
@pytest.mark.parametrize(
    ("number", "folder", "moment", "name"),
    [
        (
            1,
            b"A002R2EC",
            datetime(2019, 1, 7, 8, 2, 28, tzinfo=UTC),
            b"0001_A002R2EC_2019-01-07_080228Z.mhl",
        ),
        (
            1,
            b"A",
            datetime(2019, 6, 1, 12, 8, 1, tzinfo=timezone(timedelta(hours=-7))),
            b"0001_A_2019-06-01_190801Z.mhl",
        ),
        (10000, b"A", datetime(2024, 1, 1, tzinfo=UTC), b"10000_A_2024-01-01_000000Z.mhl"),
        (9999, b"A_1", datetime(2024, 1, 1, tzinfo=UTC), b"9999_A_1_2024-01-01_000000Z.mhl"),
    ],
    ids=["printed", "zone", "five-digits", "underscore"],
)
def test_names_of_manifests(number: int, folder: bytes, moment: datetime, name: bytes) -> None:
    assert manifest_name(number, folder, moment) == name
    read = read_manifest_name(name)
    assert read is not None
    assert (read.number, read.folder, read.started_at) == (number, folder, moment)
    assert read.is_to_the_letter


def test_name_without_its_last_letter_is_read() -> None:
    # As printed in appendix B.
    read = read_manifest_name(b"0001_A002R2EC_2019-01-07_080228.mhl")
    assert read is not None
    assert not read.is_to_the_letter


@pytest.mark.parametrize(
    "name",
    [b"packinglist.mhl", b"001_A_2024-01-01_000000Z.mhl", b"0001_A_2024-13-01_000000Z.mhl", b""],
)
def test_other_names_are_no_generations(name: bytes) -> None:
    assert read_manifest_name(name) is None


@pytest.mark.parametrize("folder", [b"x" * 255, "ü".encode() * 127, b"\xff\x01"])
def test_folder_name_of_any_kind_gives_a_name_that_fits(folder: bytes) -> None:
    name = manifest_name(1, folder, datetime(2024, 1, 1, tzinfo=UTC))
    assert len(name) <= 255
    assert holds_name(name)
    assert read_manifest_name(name)


class Drive:
    """A durable folder in memory that fails at the operation it is told to."""

    def __init__(self, fail_at: int = 0) -> None:
        self.files: dict[bytes, bytes] = {}
        self.steps: list[bytes] = []
        self.fail_at = fail_at

    def write_new(self, path: bytes, fill: object) -> object:
        self._step(path)
        if path in self.files:
            raise FileExistsError(path)
        out = io.BytesIO()
        result = fill(out)  # type: ignore[operator]
        self.files[path] = out.getvalue()
        return result

    def replace(self, path: bytes, content: bytes) -> None:
        self._step(path)
        self.files[path] = content

    def _step(self, path: bytes) -> None:
        self.steps.append(path)
        if len(self.steps) == self.fail_at:
            raise OSError(5, "input/output error")


def fill(out: BinaryIO) -> Written:
    return write_manifest(out, example.HEAD, [example.record(b"a", b"x", "md5")])


def test_manifest_is_written_before_the_chain() -> None:
    drive = Drive()
    chain = append_manifest(drive, b"A001/ascmhl", Chain(), example.NAME, fill)
    assert drive.steps == [b"A001/ascmhl/" + example.NAME, b"A001/ascmhl/ascmhl_chain.xml"]
    assert chain.next_number == 2
    stored = read_chain(io.BytesIO(drive.files[b"A001/ascmhl/ascmhl_chain.xml"]))
    assert stored.entries == chain.entries
    assert stored.entries[0].c4 == digest_of("c4", drive.files[b"A001/ascmhl/" + example.NAME])


@pytest.mark.parametrize("fail_at", [1, 2])
def test_failed_append_leaves_the_earlier_chain(fail_at: int) -> None:
    drive = Drive(fail_at)
    with pytest.raises(OSError, match="input/output"):
        append_manifest(drive, b"ascmhl", Chain(), example.NAME, fill)
    assert b"ascmhl/ascmhl_chain.xml" not in drive.files


def test_manifest_that_is_there_is_never_replaced() -> None:
    drive = Drive()
    drive.files[b"ascmhl/" + example.NAME] = b"another's"
    with pytest.raises(FileExistsError):
        append_manifest(drive, b"ascmhl", Chain(), example.NAME, fill)
    assert drive.files == {b"ascmhl/" + example.NAME: b"another's"}


ZONES = ["UTC", "Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Africa/Monrovia"]


# Nanoseconds from year 1 to 9999 and beyond; the standard library alone is the measure.
@given(st.integers(-70_000_000_000, 270_000_000_000), st.sampled_from(ZONES))
@also(63_593_069, "Africa/Monrovia")  # the second before its offset of 44:30 ended
@also(63_593_070, "Africa/Monrovia")
def test_every_second_is_written_as_it_is(time_s: int, zone: str) -> None:
    try:
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=time_s)
        expected = date_text(moment.astimezone(ZoneInfo(zone)))
    except OverflowError:
        expected = None
    assert ns_text(time_s * 10**9 + 999_999_999, ZoneInfo(zone)) == expected
