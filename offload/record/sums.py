"""Checksum lists: what ``xxhsum -c``, ``sha512sum -c`` and ``md5sum -c`` read and write.

Sources: GNU coreutils manual (``md5sum invocation``), ``xxhsum`` 0.8.1; what neither says was
measured with coreutils 9.1 and xxhsum 0.8.1.

Written: lower-case hex, two spaces, relative names with ``/``, LF; names of md5 and sha lists
escaped as GNU does; xxh lists plain but for XXH3, which is tagged, since its untagged values are
taken for XXH64. Read: all of that, the other forms, and every list whose meaning is certain.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO, Final

from offload.checksum import digest_size
from offload.values.paths import name as last_part

LISTED_AS: Final = {"c4": "sha512"}
"""A C4 ID is a SHA-512 in another form, so its digests go into a list for ``sha512sum``."""

TOOLS: Final = {
    "md5": "md5sum",
    "sha1": "sha1sum",
    "sha256": "sha256sum",
    "sha512": "sha512sum",
    "xxh128": "xxhsum",
    "xxh3": "xxhsum",
    "xxh32": "xxhsum",
    "xxh64": "xxhsum",
}
"""The stock tool that checks a list of each algorithm, with ``-c``."""

_TAGS: Final = {
    b"md5": "md5",
    b"sha1": "sha1",
    b"sha256": "sha256",
    b"sha2-256": "sha256",
    b"sha512": "sha512",
    b"sha2-512": "sha512",
    b"xxh32": "xxh32",
    b"xxh64": "xxh64",
    b"xxh3": "xxh3",
    b"xxh128": "xxh128",
}
_BY_DIGITS: Final[dict[int, tuple[str, ...]]] = {
    8: ("xxh32",),
    16: ("xxh64", "xxh3"),
    32: ("md5", "xxh128"),
    40: ("sha1",),
    64: ("sha256",),
    128: ("sha512",),
}
_FAMILIES: Final = {"xxh": ("xxh32", "xxh64", "xxh128"), "sha": ("sha1", "sha256", "sha512")}

_LINE_LIMIT_BYTES = 65536
_UTF8_BOM = b"\xef\xbb\xbf"
_UTF16_BOMS = (b"\xff\xfe", b"\xfe\xff")

_HINT = re.compile(rb"md5|sha-?1(?!\d)|sha-?256|sha-?512|sha|xxh128|xxh3(?!2)|xxh64|xxh32|xxh")
_LIST_NAME = re.compile(
    rb".*\.(md5|md5sums?|sha|sha-?(1|256|512)(sums?)?|xxh|xxh(3|32|64|128)|xxhsums?)(\.txt)?"
    rb"|(md5|sha1|sha256|sha512|xxh3|xxh32|xxh64|xxh128|xxh)-?sums?(\.txt)?",
    re.IGNORECASE,
)
_TAGGED = re.compile(
    rb"[ \t]*(\\?)([A-Za-z][A-Za-z0-9/-]*) ?\((.*)\) ?= ?([0-9A-Fa-f]+)", re.DOTALL
)
_PLAIN = re.compile(rb"[ \t]*(\\?)(XXH3_)?([0-9A-Fa-f]+)[ \t](.+)", re.DOTALL)
_ESCAPE = re.compile(rb"\\(.?)", re.DOTALL)
_ESCAPED: Final = {b"\\": b"\\", b"n": b"\n", b"r": b"\r"}


@dataclass(frozen=True, slots=True)
class SumLine:
    """What a list says of one file.

    Attributes:
        path: relative to the folder that the list is about (its own, as a rule).
        algorithms: what the digest can be, by its tag, the list's name or its length; more than
            one where these leave it open: the file is as listed if any of them gives the digest.
        digest: raw.
        line: in the list, from 1.
    """

    path: bytes
    algorithms: tuple[str, ...]
    digest: bytes
    line: int


@dataclass(frozen=True, slots=True)
class UnreadSum:
    """A line of a list that proves nothing.

    Attributes:
        code: ``list-line-unreadable``, ``list-path-unsafe`` or ``list-checksum-unsupported``.
        line: in the list, from 1.
        path: the name in it, if it has one; never to be opened.
    """

    code: str
    line: int
    path: bytes = b""


def can_list(algorithm: str, path: bytes) -> bool:
    """Whether a list of this algorithm can hold the name such that the stock tool finds the file.

    ``xxhsum`` knows no escapes: a line feed breaks its list, and a carriage return at the end of a
    name is taken by other readers for part of the line end. GNU's tools hold every name.
    """
    if TOOLS[LISTED_AS.get(algorithm, algorithm)] != "xxhsum":
        return True
    return b"\n" not in path and not path.endswith(b"\r")


def write_sums(
    out: BinaryIO, algorithm: str, entries: Iterable[tuple[bytes, bytes]]
) -> list[bytes]:
    """Write a list.

    Args:
        out: where to; not closed, not synced.
        algorithm: one of :data:`TOOLS`, or ``c4``.
        entries: path and raw digest, in the order of the list (sorted by path, as a rule).

    Returns:
        The paths that such a list cannot hold, in order. They are not in it: say so.
    """
    listed = LISTED_AS.get(algorithm, algorithm)
    size = digest_size(listed)
    left_out: list[bytes] = []
    for path, digest in entries:
        if len(digest) != size:
            raise ValueError(f"{len(digest)} bytes are no digest of {listed}")
        if can_list(listed, path):
            out.write(_line(listed, path, digest))
        else:
            left_out.append(path)
    return left_out


def is_list_name(path: bytes) -> bool:
    """Whether a file of this name is by custom a checksum list."""
    return _LIST_NAME.fullmatch(last_part(path)) is not None


def read_sums(stream: BinaryIO, list_name: bytes = b"") -> Iterator[SumLine | UnreadSum]:
    """Read a list of any of the customary forms, line by line, however long it is.

    Args:
        stream: open at its beginning.
        list_name: the list's own name; settles what an untagged digest is (``A001.md5``).
    """
    hints = _hints(list_name)
    is_reversed: bool | None = None
    for number, line in _lines(stream):
        if line is None:
            yield UnreadSum("list-line-unreadable", number)
            continue
        if not line.strip(b" \t") or line.startswith(b"#"):
            continue
        if tagged := _TAGGED.fullmatch(line):
            yield _tagged(tagged, number)
            continue
        plain = _PLAIN.fullmatch(line)
        if plain is None:
            yield UnreadSum("list-line-unreadable", number)
            continue
        rest = plain.group(4)
        has_flag = len(rest) > 1 and rest[:1] in (b" ", b"*")
        if is_reversed is None:
            # The first line settles for the whole list which of the two forms it has (GNU).
            is_reversed = not has_flag
        elif not is_reversed and not has_flag:
            yield UnreadSum("list-line-unreadable", number)
            continue
        yield _plain(plain, rest if is_reversed else rest[1:], hints, number)


def _line(algorithm: str, path: bytes, digest: bytes) -> bytes:
    text = digest.hex().encode("ascii")
    # A bare "-" would make the tools read their standard input.
    shown = b"./-" if path == b"-" else path
    if algorithm == "xxh3":
        return b"XXH3 (" + shown + b") = " + text + b"\n"
    if TOOLS[algorithm] == "xxhsum":
        return text + b"  " + shown + b"\n"
    escaped = shown.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    flag = b"\\" if escaped != shown else b""
    return flag + text + b"  " + escaped + b"\n"


def _hints(list_name: bytes) -> tuple[str, ...]:
    found = _HINT.findall(last_part(list_name).lower())
    if not found:
        return ()
    hint = found[-1].replace(b"-", b"").decode("ascii")
    return _FAMILIES.get(hint, (hint,))


def _lines(stream: BinaryIO) -> Iterator[tuple[int, bytes | None]]:
    """Lines without their ends, numbered; None for one that cannot be one."""
    number = 0
    while line := stream.readline(_LINE_LIMIT_BYTES):
        number += 1
        if number == 1:
            if line.startswith(_UTF16_BOMS):
                yield number, None
                return
            line = line.removeprefix(_UTF8_BOM)
        is_whole = line.endswith(b"\n") or len(line) < _LINE_LIMIT_BYTES
        if not is_whole:
            while (more := stream.readline(_LINE_LIMIT_BYTES)) and not more.endswith(b"\n"):
                pass
        yield number, _stripped(line) if is_whole and b"\0" not in line else None


def _stripped(line: bytes) -> bytes:
    return line.removesuffix(b"\n").removesuffix(b"\r")


def _tagged(found: re.Match[bytes], number: int) -> SumLine | UnreadSum:
    flag, tag, name, digits = found.groups()
    algorithm = _TAGS.get(tag.lower())
    if algorithm is None:
        return UnreadSum("list-checksum-unsupported", number, name)
    return _checked(flag, name, digits, (algorithm,), number)


def _plain(
    found: re.Match[bytes], name: bytes, hints: tuple[str, ...], number: int
) -> SumLine | UnreadSum:
    flag, is_xxh3, digits, _ = found.groups()
    candidates = ("xxh3",) if is_xxh3 else _BY_DIGITS.get(len(digits), ())
    if not candidates:
        code = "list-checksum-unsupported" if len(digits) > 8 else "list-line-unreadable"
        return UnreadSum(code, number, name)
    hinted = tuple(hint for hint in hints if hint in candidates)
    return _checked(flag, name, digits, hinted or candidates, number)


def _checked(
    flag: bytes, name: bytes, digits: bytes, algorithms: tuple[str, ...], number: int
) -> SumLine | UnreadSum:
    if len(digits) != 2 * digest_size(algorithms[0]):
        return UnreadSum("list-line-unreadable", number, name)
    plain = _unescaped(name) if flag else name
    if plain is None:
        return UnreadSum("list-line-unreadable", number, name)
    path = _clean(plain)
    if path is None:
        return UnreadSum("list-path-unsafe", number, plain)
    return SumLine(path, algorithms, bytes.fromhex(digits.decode("ascii")), number)


def _unescaped(name: bytes) -> bytes | None:
    if any(found not in _ESCAPED for found in _ESCAPE.findall(name)):
        return None
    return _ESCAPE.sub(lambda found: _ESCAPED[found.group(1)], name)


def _clean(path: bytes) -> bytes | None:
    """The path in its shortest form; None where it leads out of its folder or to no file."""
    if path.startswith(b"/") or path.endswith(b"/"):
        return None
    parts = [part for part in path.split(b"/") if part not in (b"", b".")]
    if not parts or b".." in parts:
        return None
    return b"/".join(parts)
