"""The worked manifest with something changed, and what the reader makes of it; for tests."""

import io

from offload.checksum import digest_of, digest_text
from offload.record.mhl.model import Record
from offload.record.mhl.read import ManifestReader
from tests.record import example

BASE = example.MANIFEST.decode()
FIRST = '<xxh64 action="original">0ea03b369a463d9d</xxh64>'
C4 = digest_text("c4", digest_of("c4", b"abcd\n"))
MD5 = f'<md5 action="original">{digest_of("md5", b"abcd" + bytes([10])).hex()}</md5>'
REFERENCES = (
    "<references><hashlistreference><path>B/ascmhl/0001_B_2024-05-01_080000Z.mhl</path>"
    f"<c4>{C4}</c4></hashlistreference></references>"
)


def edited(*pairs: tuple[str, str]) -> bytes:
    text = BASE
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text.encode()


def without_hashes(more: str) -> bytes:
    start, end = BASE.index("  <hashes>"), BASE.index("</hashlist>")
    return (BASE[:start] + more + BASE[end:]).encode()


def read(content: bytes) -> list[Record]:
    return list(ManifestReader(io.BytesIO(content), b"m.mhl"))


def in_hash(inner: str) -> bytes:
    return edited((FIRST, inner))
