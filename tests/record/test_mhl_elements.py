"""Every element and attribute of a manifest, one test a row: ASC MHL 1.0, sections 6.1 to 6.5.

The document was written by hand from the standard and stands as a whole under both of its schemas,
so that nothing here rests on what this program itself writes.
"""

import io
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from lxml import etree

from offload.errors import RecordError
from offload.record.mhl.model import (
    Action,
    Author,
    DirectoryRecord,
    Hash,
    HashRecord,
    Process,
    Record,
    Reference,
)
from offload.record.mhl.read import ManifestReader
from offload.record.mhl.write import write_manifest

SCHEMAS = Path(__file__).parent / "schemas"
C4 = "c4" + "1" * 87 + "2"
WHOLE = f"""<?xml version="1.0" encoding="UTF-8"?>
<m:hashlist xmlns:m="urn:ASC:MHL:v2.0" version="2.0"
    xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"
    xsi:schemaLocation="urn:ASC:MHL:v2.0 ASCMHL.xsd">
  <m:creatorinfo>
    <m:creationdate>2026-11-24T20:15:00-08:00</m:creationdate>
    <m:hostname>cart-2</m:hostname>
    <m:tool version="4.1">copy desk</m:tool>
    <m:author>First Person</m:author>
    <m:author email="dit@example.org" phone="+1 555 0100" role="DIT">Second Person</m:author>
    <m:location>Pier 4</m:location>
    <m:comment>Night Ferry, day 12</m:comment>
  </m:creatorinfo>
  <m:processinfo>
    <m:process>transfer</m:process>
    <m:roothash>
      <m:content><m:md5>00000000000000000000000000000001</m:md5></m:content>
      <m:structure><m:md5>00000000000000000000000000000002</m:md5></m:structure>
    </m:roothash>
    <m:ignore><m:pattern>.DS_Store</m:pattern><m:pattern>*.tmp</m:pattern></m:ignore>
  </m:processinfo>
  <m:hashes>
    <m:directoryhash>
      <m:path creationdate="2026-11-24T20:00:00Z"
        lastmodificationdate="2026-11-24T20:00:01Z">Clips</m:path>
      <m:content><m:md5>00000000000000000000000000000003</m:md5></m:content>
      <m:structure><m:md5>00000000000000000000000000000004</m:md5></m:structure>
      <m:previousPath>Footage</m:previousPath>
      <m:metadata>free</m:metadata>
    </m:directoryhash>
    <m:hash>
      <m:path size="5" creationdate="2026-11-24T20:00:02Z"
        lastmodificationdate="2026-11-24T20:00:03Z">Clips/A 1.mov</m:path>
      <m:c4 action="original">{C4}</m:c4>
      <m:md5 action="verified">00000000000000000000000000000005</m:md5>
      <m:sha1 action="failed">0000000000000000000000000000000000000006</m:sha1>
      <m:xxh128 action="verified">00000000000000000000000000000007</m:xxh128>
      <m:xxh3 action="verified">0000000000000008</m:xxh3>
      <m:xxh64 action="verified" hashdate="2026-11-24T20:10:00Z">0000000000000009</m:xxh64>
      <m:previousPath>Footage/A 1.mov</m:previousPath>
      <m:metadata><x xmlns="urn:other" y="1">anything</x></m:metadata>
    </m:hash>
  </m:hashes>
  <m:metadata><x xmlns="urn:other"/> and text</m:metadata>
  <m:references>
    <m:hashlistreference>
      <m:path>A001/ascmhl/0002_A001_2026-11-24_200000Z.mhl</m:path>
      <m:c4>{C4}</m:c4>
    </m:hashlistreference>
  </m:references>
</m:hashlist>
"""


class Manifest:
    """One that was read."""

    def __init__(self, text: str) -> None:
        reader = ManifestReader(io.BytesIO(text.encode()), b"m.mhl")
        self.records: list[Record] = list(reader)
        self.head, self.creator = reader.head, reader.head.creator
        self.references, self.notices = reader.references, reader.notices
        self.folder, self.file = self.records
        assert isinstance(self.folder, DirectoryRecord)
        assert isinstance(self.file, HashRecord)
        self.by_format = {each.algorithm: each for each in self.file.hashes}


def digest(last: int, size: int = 16) -> bytes:
    return last.to_bytes(size, "big")


def moment(second: int) -> int:
    return (1_795_550_400 + second) * 10**9


# Parent and child as in the standard's tables, what is read, what it is.
ROWS: list[tuple[str, Callable[[Manifest], object], object]] = [
    (
        "creatorinfo/creationdate",
        lambda m: m.creator.created_at,
        datetime(2026, 11, 25, 4, 15, tzinfo=UTC),
    ),
    ("creatorinfo/hostname", lambda m: m.creator.hostname, "cart-2"),
    ("creatorinfo/tool", lambda m: (m.creator.tool, m.creator.tool_version), ("copy desk", "4.1")),
    (
        "creatorinfo/author",
        lambda m: m.creator.authors,
        (
            Author("First Person"),
            Author("Second Person", "dit@example.org", "+1 555 0100", "DIT"),
        ),
    ),
    ("creatorinfo/location", lambda m: m.creator.location, "Pier 4"),
    ("creatorinfo/comment", lambda m: m.creator.comment, "Night Ferry, day 12"),
    ("processinfo/process", lambda m: m.head.process, Process.TRANSFER),
    (
        "processinfo/roothash",
        lambda m: m.head.root and (m.head.root.content, m.head.root.structure),
        ((Hash("md5", digest(1)),), (Hash("md5", digest(2)),)),
    ),
    ("processinfo/ignore", lambda m: m.head.ignore, (".DS_Store", "*.tmp")),
    ("hashes", lambda m: [type(each) for each in m.records], [DirectoryRecord, HashRecord]),
    ("directoryhash/path", lambda m: m.folder.path, b"Clips"),
    (
        "directoryhash/path@dates",
        lambda m: (m.folder.created_ns, m.folder.mtime_ns),
        (moment(0), moment(1)),
    ),
    ("directoryhash/content", lambda m: m.folder.content, (Hash("md5", digest(3)),)),
    ("directoryhash/structure", lambda m: m.folder.structure, (Hash("md5", digest(4)),)),
    ("directoryhash/previousPath", lambda m: m.folder.previous_path, b"Footage"),
    ("hash/path", lambda m: m.file.path, b"Clips/A 1.mov"),
    ("hash/path@size", lambda m: m.file.size_bytes, 5),
    (
        "hash/path@dates",
        lambda m: (m.file.created_ns, m.file.mtime_ns),
        (moment(2), moment(3)),
    ),
    ("hash/c4", lambda m: m.by_format["c4"], Hash("c4", digest(1, 64), Action.ORIGINAL)),
    ("hash/md5", lambda m: m.by_format["md5"], Hash("md5", digest(5), Action.VERIFIED)),
    ("hash/sha1", lambda m: m.by_format["sha1"], Hash("sha1", digest(6, 20), Action.FAILED)),
    ("hash/xxh128", lambda m: m.by_format["xxh128"], Hash("xxh128", digest(7), Action.VERIFIED)),
    ("hash/xxh3", lambda m: m.by_format["xxh3"], Hash("xxh3", digest(8, 8), Action.VERIFIED)),
    (
        "hash/xxh64@hashdate",
        lambda m: m.by_format["xxh64"],
        Hash(
            "xxh64",
            digest(9, 8),
            Action.VERIFIED,
            datetime(2026, 11, 24, 20, 10, tzinfo=UTC),
        ),
    ),
    ("hash/previousPath", lambda m: m.file.previous_path, b"Footage/A 1.mov"),
    (
        "references/hashlistreference",
        lambda m: m.references,
        (Reference(b"A001/ascmhl/0002_A001_2026-11-24_200000Z.mhl", digest(1, 64)),),
    ),
    # Metadata may hold anything, and is nobody's business here.
    ("metadata", lambda m: m.notices, ()),
]


@pytest.fixture(scope="module")
def whole() -> Manifest:
    return Manifest(WHOLE)


@pytest.mark.parametrize(
    ("asked", "expected"), [row[1:] for row in ROWS], ids=[row[0] for row in ROWS]
)
def test_row_of_the_tables_is_read(
    whole: Manifest, asked: Callable[[Manifest], object], expected: object
) -> None:
    assert asked(whole) == expected


@pytest.mark.parametrize("schema", ["asc-mhl", "asc-mhl-printed"])
def test_document_stands_under_both_schemas(schema: str) -> None:
    document = etree.fromstring(WHOLE.encode()).getroottree()
    etree.XMLSchema(etree.parse(SCHEMAS / f"{schema}.xsd")).assertValid(document)


def written(whole: Manifest) -> etree._Element:
    out = io.BytesIO()
    write_manifest(out, whole.head, whole.records, whole.references)
    return etree.fromstring(out.getvalue())


# By parent: its children in the order that both schemas enforce; metadata is never written.
ORDERS = {
    "hashlist": ["creatorinfo", "processinfo", "hashes", "references"],
    "creatorinfo": ["creationdate", "hostname", "tool", "author", "author", "location", "comment"],
    "processinfo": ["process", "roothash", "ignore"],
    "roothash": ["content", "structure"],
    "directoryhash": ["path", "content", "structure", "previousPath"],
    "hash": ["path", "c4", "md5", "sha1", "xxh128", "xxh3", "xxh64", "previousPath"],
    "hashlistreference": ["path", "c4"],
}


@pytest.mark.parametrize("parent", ORDERS)
def test_children_are_written_in_their_order(whole: Manifest, parent: str) -> None:
    root = written(whole)
    (element,) = root.iter(f"{{urn:ASC:MHL:v2.0}}{parent}")
    assert [etree.QName(child).localname for child in element] == ORDERS[parent]


def test_what_was_read_is_written_again_whole(whole: Manifest) -> None:
    again = Manifest(etree.tostring(written(whole)).decode())
    assert (again.records, again.references) == (whole.records, whole.references)
    assert again.head == whole.head


def test_address_that_is_none_loses_no_person(whole: Manifest) -> None:
    # Section 6.4.4: both schemas refuse an email without a dot; no person is lost for it.
    text = WHOLE.replace("dit@example.org", "dit at example")
    assert Manifest(text).creator.authors[1].email == "dit at example"


@pytest.mark.parametrize("process", Process)
def test_each_process_is_read(process: Process) -> None:
    """Section 6.4.6."""
    text = WHOLE.replace("<m:process>transfer", f"<m:process>{process.value}")
    assert Manifest(text).head.process is process


@pytest.mark.parametrize("process", ["", "copy", "Transfer", "in place"])
def test_process_outside_the_standard_is_refused(process: str) -> None:
    text = WHOLE.replace("<m:process>transfer", f"<m:process>{process}")
    with pytest.raises(RecordError):
        Manifest(text)


@pytest.mark.parametrize("element", ["m:path", "m:content", "m:structure"])
def test_folder_without_one_of_its_parts_is_refused(element: str) -> None:
    """Section 6.5.2: path, content and structure, each once."""
    start = WHOLE.index(f"<{element}", WHOLE.index("<m:directoryhash>"))
    end = WHOLE.index(f"</{element}>", start) + len(element) + 3
    with pytest.raises(RecordError):
        Manifest(WHOLE[:start] + WHOLE[end:])


@pytest.mark.parametrize("element", ["path", "c4"])
def test_reference_without_one_of_its_parts_is_refused(element: str) -> None:
    """Section 6.5.5."""
    start = WHOLE.index(f"<m:{element}>", WHOLE.index("<m:hashlistreference>"))
    end = WHOLE.index(f"</m:{element}>", start) + len(element) + 5
    with pytest.raises(RecordError):
        Manifest(WHOLE[:start] + WHOLE[end:])


def test_path_recorded_as_file_and_as_folder_is_refused() -> None:
    """Section 6.4.9: paths are unique across both kinds."""
    with pytest.raises(RecordError, match="already"):
        Manifest(WHOLE.replace(">Clips/A 1.mov<", ">Clips<"))
