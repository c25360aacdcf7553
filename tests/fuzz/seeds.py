"""Real content that the fuzzer begins with: written by this program, stock tools or by hand."""

import hashlib
import io
import json
import struct
from base64 import b64decode
from collections.abc import Iterable
from pathlib import Path

from offload.checksum import c4_id, digest_of
from offload.clearance.statement_json import to_bytes
from offload.record.krl import MAGIC
from offload.record.mhl.chain import ChainEntry, chain_bytes
from offload.record.mhl.read import ManifestReader
from offload.record.wire import string
from offload.transfer.preflight.name_map import NameMap
from tests.clearance.test_statement import statement
from tests.media.test_hostile_clips import SMALL
from tests.record import example
from tests.record.test_mhl_plain import MIDDLE
from tests.record.test_mhl_read import PROBES
from tests.record.test_sshsig import LINE, MESSAGE, SHA256, SHA512

__all__ = ["MESSAGE"]

C4 = c4_id(digest_of("c4", b"abcd\n"))
MD5 = digest_of("md5", b"abcd\n").hex()
SHA = hashlib.sha256(b"abcd\n").hexdigest()


def manifests() -> list[bytes]:
    """The worked example, each probe of the schemas, and odd records between plain ones."""
    plain = f'<hash><path>x{{}}</path><md5 action="original">{MD5}</md5></hash>\n'
    head, _, tail = example.MANIFEST.decode().partition("<hashes>\n")
    between = [
        head + "<hashes>\n" + plain.format(1) + each[1] + plain.format(2) + tail for each in MIDDLE
    ]
    return [example.MANIFEST, *(each[1] for each in PROBES), *(each.encode() for each in between)]


def chains() -> list[bytes]:
    """Of one and of many generations."""
    c4 = ManifestReader(io.BytesIO(example.MANIFEST))
    list(c4)
    one = [ChainEntry(at, b"%04d_A001.mhl" % at, c4.c4) for at in range(1, 9)]
    return [
        chain_bytes(one[:1]),
        chain_bytes(one),
        chain_bytes(one).replace(b' sequencenr="2"', b""),
    ]


def lists() -> list[bytes]:
    """As the stock tools write them (coreutils manual, section "md5sum")."""
    xxh = "0ea03b369a463d9d"
    return [
        f"{MD5}  Clips/A001C001.mov\n{MD5} *Sidecar.txt\n".encode(),
        f"{SHA}  a\n\\{SHA}  new\\nline\\\\\n".encode(),
        f"MD5 (a) = {MD5}\nSHA256 (b c) = {SHA}\nXXH64 (d) = {xxh}\n".encode(),
        f"# comment\n\n{xxh}  ../../etc/passwd\r\n{C4}  c\n".encode(),
        b"\xef\xbb\xbf" + f"{MD5}  \xff\n".encode("latin-1"),
    ]


def bags() -> list[bytes]:
    """The files of small bags (RFC 8493), in the order of the target."""
    declared = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    payload = f"{SHA}  data/A001C001.mov\n{SHA}  data/Clips/a%0Ab\n".encode()
    tags = f"{MD5}  bagit.txt\n{MD5}  manifest-sha256.txt\n".encode()
    info = b"Payload-Oxum: 5.2\nBag-Size: 1 MB\nContact: somebody\n  folded\n"
    return [
        b"\0".join([declared, payload, tags, info]),
        b"\0".join([declared.replace(b"1.0", b"0.97"), payload]),
        b"\0".join([declared.replace(b"UTF-8", b"ISO-8859-1"), payload, tags, b"Payload-Oxum: x"]),
    ]


def signatures() -> list[bytes]:
    """Made by ssh-keygen."""
    return [SHA512, SHA256]


def signers() -> list[bytes]:
    """Allowed signers, a zero byte, revoked keys (ssh-keygen(1), "ALLOWED SIGNERS")."""
    blob = b64decode(LINE.split()[1])
    sections = [(2, string(blob)), (3, string(bytes(20))), (5, string(bytes(32)))]
    sections += [(255, string(b"x") + bytes(5)), (1, string(b"") * 2)]
    krl = MAGIC + struct.pack(">I24xII", 1, 0, 0)
    krl += b"".join(bytes([kind]) + string(data) for kind, data in sections)
    options = 'namespaces="file",valid-after="20260101",valid-before="20270101120000Z"'
    return [
        f"dit@example.org {LINE}\n".encode(),
        f'*@example.org,!x@example.org {options} {LINE}\n"a b" cert-authority {LINE}'.encode(),
        f"# nobody\n\ndit {LINE} comment\n\0{LINE}\n".encode(),
        b"\0" + krl,
    ]


def patterns() -> list[bytes]:
    """Lines of ignore patterns, a zero byte, a path (git's gitignore page)."""
    return [
        b"*.aux\nClips/**/*.aux\n!c.aux\0Clips/sub/c.aux",
        b"/tmp\nfrotz/\na?b\na[X-Z]b\n\\#h\ntrail\\ \0x/tmp/q",
        b"**/foo\nabc/**\na/**/b\n[[:alpha:]]\n[!a]\n[]-]",
    ]


def clearances() -> list[bytes]:
    """A whole one, and one that says little."""
    small = json.dumps({"form": 1, "card": {}}, indent=2).encode()
    return [to_bytes(statement()), small]


def leases() -> list[bytes]:
    """``run.json``."""
    keys = ("key", "inventory", "volume_id", "host", "code", "roll")
    return [json.dumps(dict.fromkeys(keys, "a1")).encode(), b"{}", b"[[[[1]]]]", b"[" * 9_000]


def name_maps() -> list[bytes]:
    """``names.json``."""
    return [
        NameMap(((b"a:b", b"a%3Ab"), (b"a:b/c?", b"c%3F"))).to_json(),
        NameMap(((b"x\xff", b"x%FF"),)).to_json(),
        b"[" * 9_000,
    ]


def settings() -> list[bytes]:
    """The example that comes with the program, and each of its tables alone."""
    whole = Path("config/offload.toml").read_bytes()
    plain = whole.replace(b"\n# ", b"\n").replace(b"\n#", b"\n")
    return [whole, plain, *(b"[" + part for part in plain.split(b"\n[")[1:])]


def sheets() -> list[bytes]:
    """Camera sheets, typed and exported."""
    return [
        b"A001 A002, a003;A004\nB001  # reserve\nA010-A020\n",
        "\ufeffDay,Roll,Notes\r\n12,A001,\"wide, night\"\r\n".encode(),
        "Roll\tx\nA001\t1\n".encode("utf-16"),
    ]  # fmt: skip


def clips(names: Iterable[str]) -> list[bytes]:
    """Small clips made with FFmpeg's writers or by hand, and their heads alone."""
    whole = [SMALL[name][1]() for name in names]
    return [*(each for each in whole if len(each) <= 1 << 18), *(each[:2048] for each in whole)]


def playlists() -> list[bytes]:
    """A playlist of two items and clip information."""
    items = b"".join(
        struct.pack(">H5s4sHB12x", 24, b"%05d" % at, b"M2TS", mark, 0)
        for at, mark in ((0, 1), (1, 5))
    )
    playlist = b"MPLS0100" + struct.pack(">I8x", 20) + struct.pack(">I2xH2x", len(items), 2) + items
    return [playlist, b"HDMV0100" + bytes(48) + struct.pack(">I", 1000)]
