"""Records taken from the bytes are those that the parser would have given, or left to the parser.

Each document is read twice: as it is, and with a blank in every ``<hash >``, which is the same XML
(XML 1.0, production 40) and is left to the parser alone. Records, lines and refusals are the same.
"""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.checksum import c4_id, digest_of
from offload.errors import RecordError
from offload.record.mhl.digests import fast_c4_digests
from offload.record.mhl.read import ManifestReader
from tests.record.manifests import BASE

MD5 = "f5ac8127b3b6b85cdc13f237c6005d80"
C4 = c4_id(digest_of("c4", b"abcd\n"))
# A number of more than 512 bits, in the right letters.
TOO_LARGE = "c4" + "z" * 88


def record(path: str, inner: str = f'<md5 action="original">{MD5}</md5>', facts: str = "") -> str:
    return f"    <hash>\n      <path{facts}>{path}</path>\n      {inner}\n    </hash>\n"


def document(*records: str) -> bytes:
    """Plain records in great number round those that matter."""
    before = "".join(record(f"before/{at:04}") for at in range(400))
    after = "".join(record(f"after/{at:04}") for at in range(400))
    head, _, rest = BASE.partition("  <hashes>\n")
    tail = rest[rest.index("  </hashes>") :]
    return (head + "  <hashes>\n" + before + "".join(records) + after + tail).encode()


def outcome(content: bytes) -> tuple[object, ...]:
    """Records, notices, checksum; or where and why it is refused."""
    reader = None
    try:
        reader = ManifestReader(io.BytesIO(content), b"0001_A001.mhl")
        records = tuple(reader)
    except RecordError as error:
        return (error.line, error.what)
    return (records, reader.notices)


def by_parser(content: bytes) -> tuple[object, ...]:
    return outcome(content.replace(b"<hash>", b"<hash >"))


MIDDLE = [
    ("plain", record("Clips/A001C001.mov")),
    ("facts", record("a", facts=' size="5" lastmodificationdate="2024-05-01T09:55:00+02:00"')),
    ("both-dates", record("a", facts=' creationdate="2024-05-01T09:55:00Z" size="7"')),
    ("no-such-day", record("a", facts=' lastmodificationdate="2024-02-30T09:55:00Z"')),
    ("year-0", record("a", facts=' lastmodificationdate="0000-02-03T09:55:00Z"')),
    ("year-1", record("a", facts=' lastmodificationdate="0001-01-01T00:00:00+13:00"')),
    ("size-huge", record("a", facts=f' size="{"9" * 19}"')),
    ("size-too-huge", record("a", facts=f' size="{"9" * 20}"')),
    ("size-twice", record("a", facts=' size="5" size="5"')),
    ("c4", record("a", f'<c4 action="verified" hashdate="2024-05-01T09:55:00Z">{C4}</c4>')),
    ("c4-too-large", record("a", f'<c4 action="original">{TOO_LARGE}</c4>')),
    ("c4-cut", record("a", f'<c4 action="original">{C4[:-1]}</c4>')),
    ("upper-case", record("a", f'<md5 action="failed">{MD5.upper()}</md5>')),
    ("no-action", record("a", f"<md5>{MD5}</md5>")),
    ("odd-action", record("a", f'<md5 action="new">{MD5}</md5>')),
    ("two-of-a-kind", record("a", f'<md5 action="original">{MD5}</md5>' * 2)),
    ("no-hash", record("a", "")),
    ("out-of-scope", record("../../etc/passwd")),
    ("absolute", record("/etc/passwd")),
    ("dot", record("a/./b")),
    ("trailing-slash", record("a/")),
    ("path-twice", record("before/0003")),
    ("no-character", record("a\ufffeb")),
    ("last-character", record("a\uffffb")),
    ("combining", record("U\u0308ni\u0308.txt")),
    ("blanks", record("  a  ")),
    ("entity", record("a&amp;b")),
    ("section-end", record("a]]>b")),
    ("tab", record("a\tb")),
    ("line-end", record("a\r\nb")),
    ("delete", record("a\x7fb")),
    ("control", record("a\x01b")),
    ("previous", record("a", f'<md5 action="verified">{MD5}</md5><previousPath>b</previousPath>')),
    ("comment", f"<!-- {record('hidden')} -->" + record("a")),
    ("comment-record-last", f"<!--{record('hidden')}-->{record('a')}<!--{record('hidden')}-->"),
    ("section", f"<![CDATA[{record('hidden')}]]>{record('a')}"),
    ("instruction", f"<?x {record('hidden')}?>{record('a')}"),
    ("instruction-after", record("a") + f"<?x {record('hidden')}?>"),
    ("in-metadata", record("a", f'<md5 action="original">{MD5}</md5><metadata><hash>x</hash>'
        f"</metadata>")),
    ("nested", record("a", record("b") + f'<md5 action="original">{MD5}</md5>')),
    ("foreign", '<q:hash xmlns:q="urn:x"><path>a</path></q:hash>'),
    ("own-prefix", '<q:hash xmlns:q="urn:ASC:MHL:v2.0"><path>a</path></q:hash>' + record("b")),
    ("other-default", f'<x xmlns="urn:x">{record("a")}</x>{record("b")}'),
    ("no-default", f'<x xmlns="">{record("a")}</x>{record("b")}'),
    ("end-in-the-middle", "</hashes><hashes>" + record("a")),
    ("in-references", "</hashes><references>" + record("a") + "</references><hashes>"),
    ("text-between", "loose " + record("a") + " text"),
    ("not-closed", record("a").replace("</path>", "")),
    ("ends-too-soon", "</hashlist>"),
    ("vertical-tab", "\x0b" + record("a")),
    ("carriage-returns", record("a").replace("\n", "\r\n") + record("b/b/..")),
    ("return-alone", record("a").replace("\n", "\r") + record("b/b/..")),
]  # fmt: skip


@pytest.mark.parametrize("middle", [one[1] for one in MIDDLE], ids=[one[0] for one in MIDDLE])
def test_plain_record_means_the_same(middle: str) -> None:
    content = document(middle)
    assert outcome(content) == by_parser(content)


def test_bytes_no_text_refused_alike() -> None:
    content = document(record("a-b")).replace(b"a-b", b"a\xff\xfeb")
    assert outcome(content) == by_parser(content)


@pytest.mark.parametrize("encoding", ["us-ascii", "utf-16", "utf8"])
def test_other_encoding_means_the_same(encoding: str) -> None:
    text = document(record("Ünï.txt")).decode()
    named = text.replace("UTF-8", encoding)
    content = named.encode("utf-16" if encoding == "utf-16" else "utf-8")
    other = named.replace("<hash>", "<hash >").encode("utf-16" if encoding == "utf-16" else "utf-8")
    assert outcome(content) == outcome(other)


def test_no_default_namespace_means_the_same() -> None:
    content = document(record("a"))
    prefixed = content.replace(b'xmlns="', b'xmlns:m="').replace(b"<hashlist", b"<m:hashlist")
    assert outcome(prefixed) == by_parser(prefixed)


def test_folder_between_files_means_the_same() -> None:
    both = f"<content><md5>{MD5}</md5></content><structure><md5>{MD5}</md5></structure>"
    folder = f"<directoryhash><path>{{}}</path>{both}</directoryhash>\n"
    content = document(*(record(f"a/{at}") + folder.format(f"d/{at}") for at in range(50)))
    records, _ = outcome(content)
    assert len(records) == 900
    assert outcome(content) == by_parser(content)


PIECES = st.sampled_from(
    [one[1] for one in MIDDLE]
    + ["<hash>", "</hash>", "<path>", "</path>", "<!--", "-->", "<![CDATA[", "]]>", "\n", "&#97;"]
    + ['<x xmlns="urn:x">', "</x>", "<hashes>", "</hashes>", "<?x ", "?>", "<hash xmlns=''>"]
)


@given(st.lists(PIECES, max_size=6), st.integers(0, 60))
def test_any_mixture_means_the_same(pieces: list[str], cut: int) -> None:
    content = document(*(piece.replace(">a<", f">a{at}<") for at, piece in enumerate(pieces)))
    content = content[: len(content) - cut] if cut < 50 else content
    assert outcome(content) == by_parser(content)


@given(st.lists(st.binary(min_size=64, max_size=64), max_size=70))
def test_many_c4_read_at_once(digests: list[bytes]) -> None:
    assert fast_c4_digests([c4_id(digest).encode() for digest in digests]) == digests


def test_one_c4_too_large_refused() -> None:
    texts = [c4_id(digest_of("c4", bytes([at]))).encode() for at in range(40)]
    with pytest.raises(ValueError, match="512"):
        fast_c4_digests([*texts, TOO_LARGE.encode()])
