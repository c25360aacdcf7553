"""A manifest's records as they come: plain ones from their bytes, all others from the parser.

Records are taken from the bytes only where the parser has just ended a record and waits between two
of them, in the list of records and in no other namespace than ours; so what looks like a record
inside a comment or a section is none here either. For every record that it does not see the parser
gets as many empty lines, and counts lines as in the document.
"""

import re
from collections.abc import Iterable, Iterator

from offload.record.mhl.model import HashRecord
from offload.record.mhl.plain import PLAIN, plain_records
from offload.record.mhl.xmlstream import Form, Node, XmlStream

_END = re.compile(rb"</(?:directory)?hash>")
# Odd records in one piece before the rest of it is left to the parser.
_MISSES = 16
_CARRIED_BYTES = 1 << 16

Item = Node | tuple[HashRecord, int]
"""What the parser read, or a plain record and the line in which it begins."""


class RecordStream:
    """Gives out the root's node, then every other node and record in order."""

    def __init__(self, chunks: Iterable[bytes], form: Form, path: bytes = b"") -> None:
        """As :class:`~offload.record.mhl.xmlstream.XmlStream`, for manifests."""
        self._chunks = chunks
        self._xml = XmlStream((), form, path)
        self._data = b""
        self._at = 0
        self._is_between = False

    @property
    def is_utf16(self) -> bool:
        """Whether the document is written in UTF-16."""
        return self._xml.is_utf16

    def __iter__(self) -> Iterator[Item]:
        """
        Raises:
            RecordError: malformed, hostile, or another kind of document; with its line.
        """
        for chunk in self._chunks:
            self._data = self._data[self._at :] + chunk
            self._at = 0
            yield from self._whole_records()
        yield from self._xml.feed(self._data[self._at :])
        yield from self._xml.finish()

    def _whole_records(self) -> Iterator[Item]:
        """All that is whole; what is left stays for the next piece."""
        misses = 0
        while self._is_between and misses < _MISSES:
            yield from self._plain_ones()
            end = _END.search(self._data, self._at)
            if end is None:
                if len(self._data) - self._at > _CARRIED_BYTES:
                    break
                return
            yield from self._parsed(end)
            misses += 1
        ends = list(_END.finditer(self._data, self._at))
        if ends:
            yield from self._parsed(ends[-1])
        else:
            self._is_between = False
            rest, self._at = self._data[self._at :], len(self._data)
            yield from self._xml.feed(rest)

    def _parsed(self, end: re.Match[bytes]) -> list[Node]:
        nodes = self._xml.feed(self._data[self._at : end.end()])
        self._at = end.end()
        self._is_between = self._xml.is_between_records("hashes", len(end.group()))
        return nodes

    def _plain_ones(self) -> Iterator[Item]:
        data, at, line = self._data, self._at, self._xml.line
        found = []
        end = at
        while (one := PLAIN.match(data, end)) is not None:
            found.append(one)
            end = one.end()
        for one, record in zip(found, plain_records(found), strict=False):
            if record is None:
                break
            tag = one.end(1)
            start = line + data.count(b"\n", at, tag)
            at = self._at = one.end()
            line = start + data.count(b"\n", tag, at)
            yield record, start
        self._xml.skip_lines(line - self._xml.line)
