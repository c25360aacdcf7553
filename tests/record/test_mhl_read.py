"""Manifests as they are read: the verdicts of both schemas and ours, and every point in dispute.

Source: ASC MHL 1.0, sections 6.1 to 6.5 and appendices A, B and D; the schemas as published and as
printed. Element by element: ``test_mhl_elements.py``.
"""

import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from offload.checksum import c4_digest, digest_from_text, digest_of, digest_text
from offload.errors import RecordError
from offload.record.mhl.digests import fast_c4_digest, read_digest
from offload.record.mhl.model import (
    FORMATS,
    Action,
    Author,
    DirectoryRecord,
    Hash,
    HashRecord,
    Process,
    Record,
)
from offload.record.mhl.read import ManifestReader
from offload.record.mhl.text import holds_name
from offload.record.mhl.write import write_manifest
from tests.record import example
from tests.record.manifests import (
    BASE,
    FIRST,
    MD5,
    REFERENCES,
    edited,
    in_hash,
    read,
    without_hashes,
)

SCHEMAS = Path(__file__).parent / "schemas"
XXH64 = FIRST
ALL_SIX = "".join(
    f'<{name} action="original">{digest_text(name, digest_of(name, b""))}</{name}>'
    for name in FORMATS
)
XXH3 = "<xxh3>0ea03b369a463d9d</xxh3>"
CONTENT = "<content><xxh64>b0f3a38e39e473b9</xxh64></content>"
STRUCTURE = "<structure><xxh64>4666efa86874de17</xxh64></structure>"
BOTH = f"<content>{XXH3}<xxh64>b0f3a38e39e473b9</xxh64></content>"
BOTH_STRUCTURE = f"<structure>{XXH3}<xxh64>4666efa86874de17</xxh64></structure>"
PATH = '<path size="5" lastmodificationdate="2024-05-01T09:55:00+02:00">Clips/A001C001.mov</path>'

# One change each to the worked manifest: verdict of the published schema, of the printed one
# (sections 6.4 to 6.5 and appendix A; measured with two validators), and ours: "read" or "refused".
# Ours is "read" where the meaning is certain, and "refused" where the text of the standard forbids
# what the schemas cannot see.
PROBES = [
    ("unchanged", BASE.encode(), True, True, "read"),
    (
        "metadata-after-hashes",
        edited(("</hashes>\n", "</hashes>\n<metadata>free <x y='1'>text</x></metadata>\n")),
        True,
        True,
        "read",
    ),
    ("references-only", without_hashes(REFERENCES), True, False, "read"),
    (
        "xxh64-then-md5",
        in_hash(XXH64 + MD5),
        True,
        False,
        "read",
    ),
    ("all-six", in_hash(ALL_SIX), True, True, "read"),
    ("no-hash", in_hash(""), True, True, "read"),
    ("no-action", edited(('<xxh64 action="original">0ea', "<xxh64>0ea")), True, True, "read"),
    (
        "content-xxh3-xxh64",
        edited((CONTENT, BOTH), (STRUCTURE, BOTH_STRUCTURE)),
        True,
        True,
        "read",
    ),
    ("empty-content", edited((CONTENT, "<content/>")), False, True, "refused"),
    ("negative-size", edited(('size="5"', 'size="-1"')), True, True, "read"),
    ("absolute-path", edited((">Clips/A001C001.mov<", ">/abs<")), True, True, "refused"),
    (
        "duplicate-path",
        edited((">Clips/A001C001.mov<", ">Clips/A001C002.mov<")),
        True,
        True,
        "refused",
    ),
    (
        "date-without-zone",
        edited(("2024-05-01T10:00:05+02:00", "2024-05-01T10:00:05")),
        True,
        True,
        "read",
    ),
    (
        "date-with-fraction",
        edited(("2024-05-01T10:00:05+02:00", "2024-05-01T10:00:05.25+02:00")),
        True,
        True,
        "read",
    ),
    ("email-plain", edited(("dit@example.org", "a.b@c.d")), True, True, "read"),
    ("previous-after", in_hash(XXH64 + "<previousPath>old</previousPath>"), True, True, "read"),
    (
        "location-then-comment",
        edited(("<comment>", "<location>here</location><comment>")),
        True,
        True,
        "read",
    ),
    ("empty-hostname", edited(("cart1.example", "")), True, True, "read"),
    (
        "prefix",
        BASE.replace("</", "</q:")
        .replace("<", "<q:")
        .replace("<q:/q:", "</q:")
        .replace("<q:?xml", "<?xml")
        .replace("xmlns=", "xmlns:q=")
        .encode(),
        True,
        True,
        "read",
    ),
    (
        "metadata-before-hashes",
        edited(("  <hashes>\n", "  <metadata/>\n  <hashes>\n")),
        False,
        False,
        "read",
    ),
    (
        "references-before-metadata",
        edited(("</hashes>\n", f"</hashes>{REFERENCES}<metadata/>\n")),
        False,
        False,
        "read",
    ),
    ("neither", without_hashes(""), True, False, "refused"),
    ("md5-then-xxh64", in_hash(MD5 + XXH64), True, True, "read"),
    ("two-xxh64", in_hash(XXH64 + XXH64), True, False, "refused"),
    ("xxh32", in_hash("<xxh32>02cc5d05</xxh32>" + XXH64), True, False, "read"),
    ("action-new", edited(('action="original"', 'action="new"')), False, False, "refused"),
    (
        "content-xxh64-xxh3",
        edited(
            (CONTENT, f"<content><xxh64>b0f3a38e39e473b9</xxh64>{XXH3}</content>"),
            (STRUCTURE, f"<structure><xxh64>4666efa86874de17</xxh64>{XXH3}</structure>"),
        ),
        True,
        False,
        "read",
    ),
    (
        "size-on-folder",
        edited(
            (
                '<path lastmodificationdate="2024-05-01T09:55:00+02:00">Clips/Sub',
                '<path size="1">Clips/Sub',
            )
        ),
        False,
        False,
        "read",
    ),
    ("version-1", edited(('version="2.0"', 'version="1.0"')), False, False, "refused"),
    ("version-missing", edited((' version="2.0"', "")), False, False, "refused"),
    (
        "date-without-time",
        edited(("2024-05-01T10:00:05+02:00", "2024-05-01")),
        False,
        False,
        "read",
    ),
    ("email-without-dot", edited(("dit@example.org", "foo@bar")), False, False, "read"),
    ("email-empty", edited(("dit@example.org", "")), False, False, "read"),
    (
        "previous-before",
        in_hash("<previousPath>old</previousPath>" + XXH64),
        False,
        False,
        "read",
    ),
    (
        "previous-twice",
        in_hash(XXH64 + "<previousPath>a</previousPath><previousPath>b</previousPath>"),
        False,
        False,
        "refused",
    ),
    (
        "previous-after-metadata",
        in_hash(XXH64 + "<metadata/><previousPath>a</previousPath>"),
        False,
        False,
        "read",
    ),
    (
        "comment-then-location",
        edited(("</comment>", "</comment><location>here</location>")),
        False,
        False,
        "read",
    ),
    (
        "author-before-tool",
        edited(('<tool version="0.1">', '<author>B</author><tool version="0.1">')),
        False,
        False,
        "read",
    ),
    (
        "hostname-missing",
        edited(("    <hostname>cart1.example</hostname>\n", "")),
        False,
        False,
        "read",
    ),
    (
        "empty-ignore",
        edited(("<pattern>.DS_Store</pattern><pattern>ascmhl/</pattern>", "")),
        False,
        False,
        "read",
    ),
    ("empty-hashes", without_hashes("<hashes></hashes>"), False, False, "refused"),
    ("no-namespace", edited((' xmlns="urn:ASC:MHL:v2.0"', "")), False, False, "refused"),
    ("unknown-element", in_hash(XXH64 + "<crc>1</crc>"), False, False, "read"),
    ("unknown-attribute", edited(('size="5"', 'size="5" colour="x"')), False, False, "read"),
    (
        "sha256",
        in_hash(XXH64 + f'<sha256 action="original">{"0" * 64}</sha256>'),
        False,
        False,
        "read",
    ),
]


@pytest.mark.parametrize(
    ("content", "published", "printed", "ours"),
    [row[1:] for row in PROBES],
    ids=[row[0] for row in PROBES],
)
def test_probes_of_the_schemas(content: bytes, published: bool, printed: bool, ours: str) -> None:
    document = etree.fromstring(content).getroottree()
    for name, verdict in (("asc-mhl", published), ("asc-mhl-printed", printed)):
        schema = etree.XMLSchema(etree.parse(SCHEMAS / f"{name}.xsd"))
        assert schema.validate(document) is verdict, name
    if ours == "refused":
        with pytest.raises(RecordError) as caught:
            read(content)
        assert caught.value.path == b"m.mhl"
    else:
        found = [record.path for record in read(content)]
        expected = [record.path for record in read(BASE.encode())]
        assert found == (expected if b"hashes>" in content else [])


# What is read with a notice, by the code of the notice.
NOTICED = {
    "no-hash": "mhl-no-hash",
    "no-action": "mhl-no-action",
    "negative-size": "mhl-size",
    "hostname-missing": "mhl-creator",
    "date-without-time": "mhl-date",
    "email-without-dot": "mhl-creator",
    "email-empty": "mhl-creator",
    "xxh32": "mhl-unknown-element",
    "sha256": "mhl-unknown-element",
    "unknown-element": "mhl-unknown-element",
}


@pytest.mark.parametrize("name", NOTICED)
def test_what_is_unusual_is_noticed(name: str) -> None:
    content = next(row[1] for row in PROBES if row[0] == name)
    assert isinstance(content, bytes)
    reader = ManifestReader(io.BytesIO(content))
    list(reader)
    assert [notice.code for notice in reader.notices] == [NOTICED[name]]


def test_worked_example_is_read_whole() -> None:
    reader = ManifestReader(io.BytesIO(example.MANIFEST))
    records = list(reader)
    assert reader.head == example.head_with_root("xxh64")
    assert reader.head.process is Process.TRANSFER
    assert reader.c4 == c4_digest(example.MANIFEST_C4)
    assert reader.notices == ()
    assert [record.path for record in records] == [
        b"Clips/A001C001.mov",
        b"Clips/A001C002.mov",
        b"Clips/Sub",
        b"Clips",
        b"Sidecar.txt",
        "Ünï.txt".encode(),
    ]
    assert records[0] == example.record(b"Clips/A001C001.mov", b"abcd\n", "xxh64")
    assert isinstance(records[2], DirectoryRecord)
    assert records[2].content == (Hash("xxh64", bytes.fromhex("ef46db3751d8e999")),)


# Where the text, the printed and the published schema disagree (sections 6.4.1 to 6.5.4).


def test_folder_path_that_ends_in_a_slash() -> None:
    # Appendix B prints "Clips/".
    content = edited((">Clips</path>", ">Clips/</path>"))
    assert read(content) == read(BASE.encode())


def test_white_space_round_a_hash_is_stripped_round_a_path_kept() -> None:
    content = edited(
        ("0ea03b369a463d9d", "\n      0ea03b369a463d9d\n    "),
        (">Clips/A001C001.mov<", "> Clips/A001C001.mov\n<"),
    )
    record = read(content)[0]
    assert record.path == b" Clips/A001C001.mov\n"
    assert isinstance(record, HashRecord)
    assert record.hashes[0].digest.hex() == "0ea03b369a463d9d"


def test_structure_attribute_on_a_hash_means_nothing() -> None:
    content = edited(('action="original">0ea', 'action="original" structure="x">0ea'))
    assert read(content) == read(BASE.encode())


def test_hash_without_action_cannot_be_checked_against() -> None:
    record = read(edited(('<xxh64 action="original">0ea', "<xxh64>0ea")))[0]
    assert isinstance(record, HashRecord)
    assert record.hashes[0].action is None


def test_upper_case_hex_is_the_same_digest() -> None:
    # Appendix D: written in lower case, compared without regard to case.
    assert read(edited(("0ea03b369a463d9d", "0EA03B369A463D9D"))) == read(BASE.encode())


def test_content_and_structure_of_different_formats() -> None:
    with pytest.raises(RecordError, match="formats"):
        read(edited((STRUCTURE, f"<structure>{XXH3}</structure>")))


# Hash text (appendix D, whose stated lengths for the xxh formats are wrong; no other formats).
@pytest.mark.parametrize(
    ("algorithm", "length"),
    [("md5", 32), ("sha1", 40), ("c4", 90), ("xxh64", 16), ("xxh3", 16), ("xxh128", 32)],
)
def test_text_form_of_each_format(algorithm: str, length: int) -> None:
    text = digest_text(algorithm, digest_of(algorithm, b"x"))
    assert len(text) == length
    assert read_digest(algorithm, f" {text}\n") == digest_of(algorithm, b"x")
    for wrong in (text[:-1], text + "0", text[:-1] + "!", "", text[:8] + " " + text[9:]):
        with pytest.raises(ValueError, match=r"."):
            read_digest(algorithm, wrong)


@pytest.mark.parametrize("algorithm", FORMATS)
def test_hash_text_is_written_as_the_examples_have_it(algorithm: str) -> None:
    """Appendix D: hex in lower case, and compared without regard to case; C4 has both cases."""
    text = digest_text(algorithm, digest_of(algorithm, b"abcd\n"))
    if algorithm != "c4":
        assert text == text.lower()
        assert read_digest(algorithm, text.upper()) == digest_of(algorithm, b"abcd\n")
        return
    other = text[:2] + text[2:].swapcase()
    try:
        found = read_digest("c4", other)
    except ValueError:
        found = b""
    assert found != digest_of("c4", b"abcd\n")


# Values printed in the standard: sections 6.5, appendices B, D and F.
def test_values_printed_in_the_standard() -> None:
    assert digest_of("xxh64", b"abcd\n").hex() == "0ea03b369a463d9d"
    assert digest_of("xxh64", b"def\n").hex() == "7680e5f98f4a80fd"
    for algorithm, text in [
        ("md5", "40e52b717fab6af085566c769cd9c6ea"),
        ("sha1", "48146b795eab757a46261b722bf0d8312e113ff8"),
        ("xxh64", "bca8c0744bf7f78d"),
        ("xxh3", "3ab5a4166b9bde44"),
        ("xxh128", "00fd03cd9996ee8cf8be6a756bf82a42"),
        (
            "c4",
            "c4137gLfVPqPdRgKr8yXNp1CRgJwSN9Yr4Sh3aaVT6uGmN5GgA7HkHcrTmQxy4t2ZmfWYMqQmF4u7ZRMKtPUM"
            "965n2",
        ),
        (
            "c4",
            "c418T9ncneEGEMT5NopfHGRPRBAuoxwYkP6w5S8xChNBYnFMZ4AknVurpwxTPsUouLtF9NGyxMBsZTDBEEpL3"
            "JdHoG",
        ),
    ]:
        assert digest_text(algorithm, read_digest(algorithm, text)) == text


@given(st.one_of(st.binary(min_size=64, max_size=64), st.just(bytes(64)), st.just(b"\xff" * 64)))
def test_fast_c4_is_the_slow_one(digest: bytes) -> None:
    assert fast_c4_digest(digest_text("c4", digest)) == digest


@pytest.mark.parametrize(
    "text",
    [
        "c4" + "z" * 88,
        "c4" + "1" * 87,
        "c4" + "1" * 89,
        "c4" + "0" + "1" * 87,
        "",
        "c4é" + "1" * 86,
    ],
)
def test_fast_c4_refuses_what_the_slow_one_refuses(text: str) -> None:
    for decode in (fast_c4_digest, c4_digest):
        with pytest.raises(ValueError, match=r"."):
            decode(text)


# Section 6.4.8: relative, shortest form, nothing outside the scope.
@pytest.mark.parametrize(
    "path", ["..", "../x", "a/../b", "/etc/passwd", "a//b", "./a", "a/.", "", "a/"]
)
@pytest.mark.parametrize("element", ["path", "previousPath"])
def test_path_that_is_not_clean_is_refused_with_its_line(path: str, element: str) -> None:
    if element == "path":
        content = edited((">Clips/A001C001.mov<", f">{path}<"))
    else:
        content = edited((FIRST, f"{FIRST}<previousPath>{path}</previousPath>"))
    with pytest.raises(RecordError, match="scope") as caught:
        read(content)
    assert caught.value.line == line_of(content, b"<" + element.encode() + b">", 20)


def line_of(content: bytes, text: bytes, otherwise: int = 0) -> int:
    """The line in which something stands, from 1."""
    at = content.find(text)
    return content.count(b"\n", 0, at) + 1 if at >= 0 else otherwise


def test_duplicate_path_is_refused_with_both_lines() -> None:
    content = edited((">Sidecar.txt<", ">Clips<"))
    lines = content.split(b"\n")
    twice = [number for number, line in enumerate(lines, 1) if b">Clips<" in line]
    # A record is told by the line in which it begins, one above its path.
    with pytest.raises(RecordError, match=f"line {twice[0] - 1} already") as caught:
        read(content)
    assert caught.value.line == twice[1] - 1


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbf" + example.MANIFEST,
        example.MANIFEST.replace(b"\n", b"\r\n"),
        example.MANIFEST.replace(b"\n", b"\r"),
        b"<!-- hello --><?pi x?>" + example.MANIFEST.partition(b"\n")[2] + b"<!-- bye -->",
    ],
    ids=["bom", "crlf", "cr", "comments"],
)
def test_other_dress_of_the_same_document(content: bytes) -> None:
    reader = ManifestReader(io.BytesIO(content))
    assert list(reader) == read(example.MANIFEST)
    assert reader.c4 == digest_of("c4", content)
    assert reader.notices == ()


def test_utf16_is_read_with_a_notice() -> None:
    # Section 6.1 asks for UTF-8; what it says is certain all the same.
    text = BASE.replace('encoding="UTF-8"', 'encoding="UTF-16"')
    reader = ManifestReader(io.BytesIO(text.encode("utf-16")))
    assert list(reader) == read(example.MANIFEST)
    assert [notice.code for notice in reader.notices] == ["mhl-encoding"]


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2024-05-01T10:00:05+02:00", datetime(2024, 5, 1, 8, 0, 5, tzinfo=UTC)),
        ("2024-05-01T10:00:05Z", datetime(2024, 5, 1, 10, 0, 5, tzinfo=UTC)),
        ("2024-05-01T10:00:05", datetime(2024, 5, 1, 10, 0, 5, tzinfo=UTC)),
        ("2024-05-01T10:00:05.123456789Z", datetime(2024, 5, 1, 10, 0, 5, 123456, tzinfo=UTC)),
        (" 2024-05-01T10:00:05Z\n", datetime(2024, 5, 1, 10, 0, 5, tzinfo=UTC)),
        ("2024-05-01", None),
        ("2024-05-01 10:00:05Z", None),
        ("20240501T100005Z", None),
        ("2024-05-01T10:00:05+15:00", None),
        ("2024-13-01T10:00:05Z", None),
        (
            # A moment that has no UTC: kept as it is.
            "0001-01-01T00:00:00+14:00",
            datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=14))),
        ),
        ("٢٠٢٤-05-01T10:00:05Z", None),
        ("", None),
    ],
)
def test_forms_of_a_date(text: str, moment: datetime | None) -> None:
    # XML Schema part 2, section 3.2.7.
    content = edited(("2024-05-01T10:00:05+02:00", text))
    reader = ManifestReader(io.BytesIO(content))
    assert reader.head.creator.created_at == moment
    if moment is not None:
        assert (moment > datetime(2000, 1, 1, tzinfo=UTC)) is (moment.year > 2000)


texts = st.text(
    st.characters(blacklist_categories=["Cs"], blacklist_characters="/\0"), min_size=1, max_size=8
).filter(lambda text: text not in (".", ".."))
paths = (
    st.lists(texts, min_size=1, max_size=3)
    .map(lambda parts: "/".join(parts).encode())
    .filter(holds_name)
)
moments = st.datetimes(datetime(1900, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)).map(
    lambda moment: moment.replace(microsecond=0)
)
seconds = st.integers(-(2**31), 2**33).map(lambda value: value * 10**9)


@st.composite
def hash_tuples(draw: st.DrawFn, with_action: bool = True) -> tuple[Hash, ...]:
    names = draw(st.lists(st.sampled_from(FORMATS), min_size=1, max_size=6, unique=True))
    actions = st.sampled_from(Action) if with_action else st.none()
    return tuple(
        Hash(
            name,
            digest_of(name, draw(st.binary(max_size=2))),
            draw(actions),
            draw(st.none() | moments),
        )
        for name in sorted(names)
    )


@st.composite
def records(draw: st.DrawFn) -> Record:
    path, previous = draw(paths), draw(st.none() | paths)
    times = (draw(st.none() | seconds), draw(st.none() | seconds), previous)
    hashes = draw(hash_tuples())
    if draw(st.booleans()):
        return HashRecord(path, hashes, draw(st.none() | st.integers(0, 2**63)), *times)
    return DirectoryRecord(path, hashes, hashes, *times)


@settings(max_examples=80)
@given(st.lists(records(), min_size=1, max_size=5, unique_by=lambda record: record.path))
def test_what_is_written_is_read_again(found: list[Record]) -> None:
    out = io.BytesIO()
    write_manifest(out, example.HEAD, found)
    reader = ManifestReader(io.BytesIO(out.getvalue()))
    assert list(reader) == found
    assert reader.head == example.HEAD
    assert reader.notices == ()
    document = etree.fromstring(out.getvalue()).getroottree()
    for name in ("asc-mhl", "asc-mhl-printed"):
        assert etree.XMLSchema(etree.parse(SCHEMAS / f"{name}.xsd")).validate(document)


words = st.text(max_size=20)


@given(words, words, words, st.lists(st.builds(Author, words, words, words, words), max_size=2))
def test_whatever_people_write_is_taken(
    tool: str, location: str, comment: str, authors: list[Author]
) -> None:
    creator = replace(
        example.HEAD.creator, tool=tool, location=location, comment=comment, authors=tuple(authors)
    )
    out = io.BytesIO()
    head = replace(example.HEAD, creator=creator)
    write_manifest(out, head, [example.record(b"a", b"", "md5")])
    assert len(read(out.getvalue())) == 1


def test_digest_with_blanks_inside_is_none() -> None:
    # Python's own reading of hexadecimal passes over them.
    text = "0ea0 3b369a46 3d"
    assert len(text) == 16
    with pytest.raises(ValueError, match="digits"):
        read_digest("xxh64", text)
    assert digest_from_text("xxh64", "0ea03b369a463d9d")
