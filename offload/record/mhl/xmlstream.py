"""XML read as a stream with everything hostile switched off, in bounded memory.

Document types, and with them every entity, are refused at their first sign. One tag or comment, one
record, the depth, and the number of different names (a parser keeps them all) have limits. Expat
reads 285,000 small elements with text a second here, lxml 246,000 of the same records (measured
with expat 2.5 and lxml 6.1); expat is always there and can be stopped at the document type.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from xml.parsers import expat

from offload.errors import RecordError
from offload.values.paths import shown

_TOKEN_LIMIT_BYTES = 1 << 20
_RECORD_LIMIT_BYTES = 1 << 19
_NAMES_LIMIT = 4096
_DEPTH_LIMIT = 64
_ENCODINGS = frozenset({"utf-8", "utf8", "us-ascii", "ascii"})
_WIDE_ENCODINGS = frozenset({"utf-16", "utf-16le", "utf-16be"})


class Node:
    """An element that has been read to its end. (No dataclass: a million files make four million.)

    Attributes:
        tag: local name; with its namespace and a blank in front where that is a foreign one.
        attributes: by name.
        line: of its start tag.
        container: the child of the root in which it stands; empty for a child of the root.
        text: its character data, all pieces together.
        children: elements in it.
    """

    __slots__ = ("attributes", "children", "container", "line", "tag", "text")

    def __init__(self, tag: str, attributes: dict[str, str], line: int) -> None:
        self.tag = tag
        self.attributes = attributes
        self.line = line
        self.container = ""
        self.text = ""
        self.children: list[Node] = []

    def child(self, tag: str) -> "Node | None":
        """The first child with this name."""
        for node in self.children:
            if node.tag == tag:
                return node
        return None


@dataclass(frozen=True, slots=True)
class Form:
    """What to expect of a document.

    Attributes:
        namespace: of its elements.
        root: name of the root element.
        containers: children of the root whose children are given out one by one.
        skipped: elements whose content means nothing to us and is passed over.
    """

    namespace: str
    root: str
    containers: frozenset[str] = frozenset()
    skipped: frozenset[str] = frozenset()


class XmlStream:
    """Gives out a document's nodes one after the other: first the root, without its children."""

    def __init__(self, chunks: Iterable[bytes], form: Form, path: bytes = b"") -> None:
        """
        Args:
            chunks: the document's bytes in pieces; pieces of 64 KiB serve best.
            form: what to expect.
            path: for errors.
        """
        self.is_utf16 = False
        self._chunks = chunks
        self._form = form
        self._path = path
        self._prefix = form.namespace + " "
        self._done: list[Node] = []
        self._node: Node | None = None
        self._above: list[Node | None] = []
        self._outside: list[str] = []
        self._skipping = 0
        self._fed = 0
        self._record_at = 0
        self._record_end_at = -1
        self._is_utf8 = True
        # 1 when nothing is declared for elements without prefix but our namespace, at the root.
        self._defaults = 0
        self._names: dict[str, str] = {}
        self._parser = self._made_parser()

    def __iter__(self) -> Iterator[Node]:
        """
        Raises:
            RecordError: malformed, hostile, or another kind of document; with its line.
        """
        for chunk in self._chunks:
            yield from self.feed(chunk)
        yield from self.finish()

    @property
    def line(self) -> int:
        """Where the parser stands."""
        return self._parser.CurrentLineNumber

    def feed(self, chunk: bytes) -> list[Node]:
        """Read on; the nodes that were ended by it.

        Raises:
            RecordError: as for iterating.
        """
        self._parse(chunk, False)
        self._fed += len(chunk)
        if self._fed - max(self._parser.CurrentByteIndex, 0) > _TOKEN_LIMIT_BYTES:
            raise self._error("a single tag, name or comment is far too long")
        if self._is_in_record() and self._fed - self._record_at > _RECORD_LIMIT_BYTES + len(chunk):
            raise self._error("a single record is far too long")
        if len(self._names) > _NAMES_LIMIT:
            raise self._error("far too many different names of elements and attributes")
        return self._given_out()

    def finish(self) -> list[Node]:
        """The nodes that were left when the document ended.

        Raises:
            RecordError: as for iterating.
        """
        self._parse(b"", True)
        return self._given_out()

    def skip_lines(self, count: int) -> None:
        """Count lines that somebody else has read; only between two records."""
        self._parse(b"\n" * count, False)
        self._fed += count

    def is_between_records(self, container: str, end_bytes: int) -> bool:
        """Whether the last bytes fed, this many, were the end tag of a record in this container.

        Never where an element without prefix may not be ours, or bytes may not be UTF-8.
        """
        return (
            self._record_end_at == self._fed - end_bytes
            and self._outside[1:] == [container]
            and self._defaults == 1
            and self._is_utf8
        )

    def _given_out(self) -> list[Node]:
        done, self._done = self._done, []
        return done

    def _made_parser(self) -> expat.XMLParserType:
        parser = expat.ParserCreate(None, " ", self._names)
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.StartDoctypeDeclHandler = self._doctype
        parser.XmlDeclHandler = self._declaration
        parser.StartNamespaceDeclHandler = self._namespace
        return parser

    def _parse(self, chunk: bytes, is_last: bool) -> None:
        try:
            self._parser.Parse(chunk, is_last)
        except expat.ExpatError as error:
            what = expat.ErrorString(error.code) or "malformed"
            raise RecordError(
                f"this is no well-formed XML: {what}", path=self._path, line=error.lineno
            ) from error

    def _error(self, what: str) -> RecordError:
        return RecordError(what, path=self._path, line=self._parser.CurrentLineNumber)

    def _doctype(self, *_: object) -> None:
        raise self._error("a document type is not allowed here, since entities could hide in it")

    def _declaration(self, _version: str, encoding: str | None, _standalone: int) -> None:
        name = (encoding or "utf-8").lower()
        self._is_utf8 = name in ("utf-8", "utf8")
        if name in _WIDE_ENCODINGS:
            self.is_utf16 = True
        elif name not in _ENCODINGS:
            raise self._error(f"the encoding {shown(encoding or '')} is not UTF-8")

    def _namespace(self, prefix: str | None, uri: str | None) -> None:
        if prefix is None:
            self._defaults += 1 if not self._outside and uri == self._form.namespace else 2

    def _is_in_record(self) -> bool:
        return self._node is not None or self._skipping > 0

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        above = self._node
        if above is None:
            self._start_outside(name, attributes)
            return
        node = Node(name.removeprefix(self._prefix), attributes, self._parser.CurrentLineNumber)
        above.children.append(node)
        self._open_node(node, above)

    def _start_outside(self, name: str, attributes: dict[str, str]) -> None:
        if self._skipping:
            self._skipping += 1
            if self._skipping > _DEPTH_LIMIT:
                raise self._error("elements lie too deep in one another")
            return
        node = Node(name.removeprefix(self._prefix), attributes, self._parser.CurrentLineNumber)
        if not self._outside:
            self._start_root(name, node)
        elif len(self._outside) == 1 and node.tag in self._form.containers:
            self._outside.append(node.tag)
        else:
            node.container = self._outside[-1] if len(self._outside) > 1 else ""
            self._record_at = self._parser.CurrentByteIndex
            self._open_node(node, None)

    def _start_root(self, name: str, root: Node) -> None:
        if name != self._prefix + self._form.root:
            raise self._error(
                f"the root element is {shown(name)} and not {self._form.root} of "
                f"{self._form.namespace}"
            )
        self._done.append(root)
        self._outside.append(root.tag)

    def _open_node(self, node: Node, above: Node | None) -> None:
        self._above.append(above)
        if len(self._above) > _DEPTH_LIMIT:
            raise self._error("elements lie too deep in one another")
        if node.tag in self._form.skipped:
            self._skipping = 1
            self._node = None
            if above is None:
                self._done.append(node)
        else:
            self._node = node

    def _end(self, _name: str) -> None:
        node = self._node
        if node is None:
            self._end_outside()
            return
        self._node = above = self._above.pop()
        if above is None:
            self._done.append(node)
            self._record_end_at = self._parser.CurrentByteIndex

    def _end_outside(self) -> None:
        if not self._skipping:
            self._outside.pop()
            return
        self._skipping -= 1
        if not self._skipping:
            self._node = self._above.pop()

    def _text(self, data: str) -> None:
        if self._node is not None:
            self._node.text += data
