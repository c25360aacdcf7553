"""Hostile manifests: refused with the line and the reason, in bounded memory, without a crash."""

import io
import tracemalloc
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.errors import RecordError
from offload.record.mhl.read import ManifestReader
from tests.record import example
from tests.record.manifests import C4, REFERENCES, edited, in_hash, read, without_hashes

ENTITIES = (
    '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">'
    '<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]>'
)
PATH = '<path size="5" lastmodificationdate="2024-05-01T09:55:00+02:00">Clips/A001C001.mov</path>'
DECLARATION = '<?xml version="1.0" encoding="UTF-8"?>\n'


# Name, document, what the reason speaks of.
HOSTILE = [
    ("entity-bomb", edited((DECLARATION, DECLARATION + ENTITIES)), "document type"),
    (
        "external-entity",
        edited(
            (DECLARATION, DECLARATION + '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'),
            (">Sidecar.txt<", ">&e;<"),
        ),
        "document type",
    ),
    (
        "external-type",
        edited((DECLARATION, DECLARATION + '<!DOCTYPE x SYSTEM "http://127.0.0.1/x.dtd">')),
        "document type",
    ),
    ("unknown-entity", edited((">Sidecar.txt<", ">&e;<")), "undefined entity"),
    ("nul", edited((">Sidecar.txt<", ">a\0b<")), "not well-formed"),
    ("nul-reference", edited((">Sidecar.txt<", ">a&#0;b<")), "reference to invalid character"),
    ("surrogate", edited((">Sidecar.txt<", ">a&#xd800;b<")), "reference to invalid character"),
    ("not-utf8", example.MANIFEST.replace(b"Sidecar", b"\xff"), "not well-formed"),
    ("overlong", example.MANIFEST.replace(b"Sidecar", b"\xc0\xae\xc0\xae/x"), "not well-formed"),
    ("cut", example.MANIFEST[:1500], "no element found|unclosed"),
    ("cut-in-head", example.MANIFEST[:300], "no element found|unclosed"),
    ("empty", b"", "no element found"),
    ("text-after", example.MANIFEST + b"more", "junk"),
    ("second-root", example.MANIFEST + b"<a/>", "junk"),
    ("not-xml", b"\x00\x00\x00\x20ftypqt  ", "well-formed|no element"),
    ("latin-1", edited(('encoding="UTF-8"', 'encoding="ISO-8859-1"')), "encoding"),
    ("odd-encoding", edited(('encoding="UTF-8"', 'encoding="x\u002dy"')), "encoding"),
    ("deep", in_hash("<a>" * 100_000), "too deep"),
    ("deep-in-metadata", in_hash("<metadata>" + "<a>" * 100_000), "too deep"),
    ("long-text", in_hash(f"<xxh64>{'0' * 3_000_000}</xxh64>"), "too long"),
    ("long-tag", edited(("<hashes>", f"<hashes><x{'y' * 3_000_000}/>")), "too long"),
    ("long-attribute", edited(('size="5"', f'size="{"5" * 3_000_000}"')), "too long"),
    ("long-comment", edited(("<hashes>", f"<!--{'x' * 3_000_000}--><hashes>")), "too long"),
    ("many-children", in_hash("<a/>" * 400_000), "too long"),
    (
        "many-names",
        edited(("<hashes>", "<hashes>" + "".join(f"<n{n}/>" for n in range(20_000)))),
        "too many different",
    ),
    ("no-path", edited((PATH, "")), "no path"),
    ("two-paths", edited((PATH, PATH + PATH)), "several"),
    ("bad-hash", edited(("0ea03b369a463d9d", "0ea03b369a463d9")), "no xxh64"),
    ("bad-c4", in_hash(f"<c4>{'z' * 90}</c4>"), "no c4"),
    ("bad-root", edited(("b0f3a38e39e473b9", "zz")), "no xxh64"),
    ("no-process", edited(("<process>transfer</process>", "")), "process"),
    ("odd-process", edited((">transfer<", ">burn<")), "process"),
    ("no-creator", edited(("creatorinfo>", "madeby>"), ("/creatorinfo>", "/madeby>")), "creator"),
    ("path-with-element", edited((">Sidecar.txt<", ">Side<b/>car.txt<")), "inside a path"),
    ("hash-with-element", edited(("0ea03b369a463d9d", "0ea03b36<b/>9a463d9d")), "inside a xxh64"),
    (
        "bad-reference",
        without_hashes(REFERENCES.replace(C4, "c4")),
        "reference",
    ),
    (
        "reference-that-leads-out",
        without_hashes(REFERENCES.replace("B/ascmhl", "../ascmhl")),
        "scope",
    ),
    (
        "older-format",
        b'<?xml version="1.0"?>\n<hashlist version="1.1"><hash/></hashlist>',
        "root element",
    ),
]


@pytest.mark.parametrize(
    ("content", "reason"), [row[1:] for row in HOSTILE], ids=[row[0] for row in HOSTILE]
)
def test_hostile_document_is_refused_with_line_and_reason(content: bytes, reason: str) -> None:
    tracemalloc.start()
    try:
        with pytest.raises(RecordError, match=reason) as caught:
            read(content)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert caught.value.line > 0
    assert peak < 100_000_000


def test_endless_text_is_refused_before_it_is_all_read() -> None:
    class Endless(io.RawIOBase):
        given_out = 0

        def readable(self) -> bool:
            return True

        def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
            head = example.MANIFEST[:1000] if not self.given_out else b"x" * len(buffer)
            buffer[: len(head)] = head[: len(buffer)]
            self.given_out += len(head)
            return min(len(head), len(buffer))

    for start in (b"", b"<metadata>"):
        stream = Endless()
        document = io.BufferedReader(stream, 65536)
        wrapped = Joined(edited_head() + start, document)
        with pytest.raises(RecordError, match="too long"):
            list(ManifestReader(wrapped))  # type: ignore[arg-type]
        assert stream.given_out < 8_000_000


def edited_head() -> bytes:
    return example.MANIFEST[: example.MANIFEST.index(b"0ea03b369a463d9d")]


class Joined:
    """Some bytes, then a stream of x."""

    def __init__(self, head: bytes, rest: io.BufferedReader) -> None:
        self.head, self.rest = head, rest

    def read(self, size: int) -> bytes:
        if self.head:
            head, self.head = self.head, b""
            return head
        return b"x" * len(self.rest.read(size))


def test_notices_of_a_million_kinds_stay_few() -> None:
    many = "".join(f"<a{n}/>" for n in range(1000))
    reader = ManifestReader(io.BytesIO(edited(("<hashes>", f"<hashes>{many}"))))
    assert len(list(reader)) == 6
    assert len(reader.notices) <= 256


def test_escape_codes_in_a_document_never_reach_a_screen() -> None:
    # XML holds U+009B, which some terminals take for the start of a command.
    for content in (
        edited((">Sidecar.txt<", ">../\x9b31m<")),
        edited((">transfer<", ">\x9b31m<")),
        edited(("0ea03b369a463d9d", "\x9b31m")),
        edited(('action="original"', 'action="\x9b31m"')),
        edited(('version="2.0"', 'version="\x9b31m"')),
    ):
        with pytest.raises(RecordError) as caught:
            read(content)
        assert "\x9b" not in str(caught.value)


def test_memory_does_not_grow_with_the_number_of_records() -> None:
    def document(records: int) -> Iterator[bytes]:
        start = example.MANIFEST.index(b"    <hash>")
        end = example.MANIFEST.index(b"  </hashes>")
        yield example.MANIFEST[:start]
        for n in range(records):
            yield (
                f"    <hash><path>frames/A001_{n:08}.dng</path>"
                f'<xxh128 action="original">{n:032x}</xxh128></hash>\n'
            ).encode()
        yield example.MANIFEST[end:]

    class Stream:
        def __init__(self, records: int) -> None:
            self.parts = document(records)

        def read(self, _size: int) -> bytes:
            return b"".join(part for _, part in zip(range(500), self.parts, strict=False))

    def peak(records: int) -> int:
        tracemalloc.start()
        count = sum(1 for _ in ManifestReader(Stream(records)))  # type: ignore[arg-type]
        used = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert count == records
        return used

    # 13 bytes a path for finding duplicates, growing by an eighth at a time, and nothing else.
    assert peak(16_000) - peak(4_000) < 12_000 * 40


@given(st.binary(max_size=200), st.integers(0, len(example.MANIFEST)))
def test_any_bytes_are_read_or_refused(junk: bytes, at: int) -> None:
    for content in (junk, example.MANIFEST[:at] + junk, example.MANIFEST[:at] + junk + b"</hash>"):
        try:
            read(content)
        except RecordError as error:
            assert str(error)
