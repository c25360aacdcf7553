"""Manifests read as streams.

What the meaning of a record rests on is refused when it is wrong: XML, namespace, version, paths,
hashes, actions, process. What merely describes (dates, people, order, unknown elements) is taken
with a notice, since footage must not become unverifiable because an address has no dot.

Nothing that was read counts before the end has been reached: only then is it known that the
document is whole, that no path came twice, and what its bytes hash to.
"""

from collections.abc import Iterator
from itertools import chain, pairwise
from typing import BinaryIO

from offload.checksum import Hasher
from offload.errors import RecordError
from offload.record.mhl import head as head_of
from offload.record.mhl.digests import read_digest
from offload.record.mhl.model import (
    FORMATS,
    Action,
    DirectoryRecord,
    Hash,
    HashRecord,
    Head,
    Record,
    Reference,
)
from offload.record.mhl.notices import Notices
from offload.record.mhl.recordstream import Item, RecordStream
from offload.record.mhl.seen import SeenPaths
from offload.record.mhl.xmlstream import Form, Node
from offload.values.findings import Finding
from offload.values.paths import is_clean, shown

NAMESPACE = "urn:ASC:MHL:v2.0"
VERSION = "2.0"

_CHUNK_BYTES = 1 << 16
_FORM = Form(
    NAMESPACE,
    "hashlist",
    containers=frozenset({"hashes", "references"}),
    skipped=frozenset({"metadata"}),
)
_FORMATS = frozenset(FORMATS)
_ACTIONS = {action.value: action for action in Action}


class ManifestReader:
    """Reads one manifest; iterate for its records, once.

    Attributes:
        head: what stands before the records; there from the start.
        references: to nested histories; all of them after the last record.
        c4: raw digest of all bytes; empty before the last record has passed.
    """

    def __init__(self, stream: BinaryIO, path: bytes = b"") -> None:
        """Read up to the first record.

        Args:
            stream: open at its beginning.
            path: of the manifest, for errors.

        Raises:
            RecordError: it is no manifest, or its head cannot be used.
        """
        self._path = path
        self._stream = stream
        self._hasher = Hasher("c4")
        self._xml = RecordStream(self._chunks(), _FORM, path)
        self._items = iter(self._xml)
        self._notices = Notices()
        self._seen = SeenPaths()
        self._first: list[Item] = []
        self._references: list[Reference] = []
        self.c4 = b""
        self.head: Head = self._read_head()

    def __iter__(self) -> Iterator[Record]:
        """
        Raises:
            RecordError: with the line; the whole manifest is not to be used.
        """
        count = 0
        record: Record
        line: int
        for item in chain(self._first, self._items):
            if isinstance(item, tuple):
                record, line = item
            else:
                read = self._record(item)
                if read is None:
                    continue
                record, line = read, item.line
            count += 1
            self._seen.add(record.path, line)
            yield record
        twice = self._seen.first_twice()
        if twice:
            raise self._error(f"the same path is recorded in line {twice[0]} already", twice[1])
        if not count and not self._references:
            raise self._error("it has neither a record nor a reference", 0)
        if self._xml.is_utf16:
            self._notices.add("mhl-encoding", "is written in UTF-16 and not in UTF-8", 1)
        self.c4 = self._hasher.digest()

    @property
    def references(self) -> tuple[Reference, ...]:
        """References to manifests of nested histories that have passed so far."""
        return tuple(self._references)

    @property
    def notices(self) -> tuple[Finding, ...]:
        """What was unusual and did not matter, so far; one of a kind stands for many."""
        return self._notices.findings()

    def _chunks(self) -> Iterator[bytes]:
        while chunk := self._stream.read(_CHUNK_BYTES):
            self._hasher.update(chunk)
            yield chunk

    def _error(self, what: str, line: int) -> RecordError:
        return RecordError(what, path=self._path, line=line)

    def _read_head(self) -> Head:
        root = self._node(next(self._items))
        if root.attributes.get("version") != VERSION:
            version = shown(root.attributes.get("version", "none"))
            raise self._error(f"its version is {version} and not {VERSION}", root.line)
        found: dict[str, Node] = {}
        for item in self._items:
            node = self._node(item)
            if node.container:
                self._first.append(node)
                break
            if node.tag in found:
                raise self._error(f"{shown(node.tag)} stands there twice", node.line)
            self._note_root_child(node)
            found[node.tag] = node
        for tag in ("creatorinfo", "processinfo"):
            if tag not in found:
                raise self._error(f"{tag} does not stand before the records", root.line)
        return self._checked_head(found["creatorinfo"], found["processinfo"])

    def _node(self, item: Item) -> Node:
        if isinstance(item, tuple):
            raise RuntimeError("no record is taken from its bytes before the parser has read one")
        return item

    def _checked_head(self, creator: Node, process: Node) -> Head:
        try:
            return head_of.read_head(creator, process, self._notices)
        except head_of.HeadError as error:
            raise self._error(str(error), error.line) from error

    def _note_root_child(self, node: Node) -> None:
        if node.tag not in ("creatorinfo", "processinfo", "metadata"):
            self._notices.unknown_element(node)

    def _record(self, node: Node) -> Record | None:
        if node.container == "hashes":
            if node.tag == "hash":
                return self._file(node)
            if node.tag == "directoryhash":
                return self._folder(node)
        elif node.container == "references" and node.tag == "hashlistreference":
            self._references.append(self._reference(node))
            return None
        if node.container:
            self._notices.unknown_element(node)
        else:
            self._note_root_child(node)
        return None

    def _file(self, node: Node) -> HashRecord:
        path_node = self._path_node(node)
        path = self._clean(path_node, path_node.text)
        hashes = self._hashes(node, is_file=True)
        if not hashes:
            self._notices.add("mhl-no-hash", "has no hash that can be checked", node.line, path)
        attributes = path_node.attributes
        return HashRecord(
            path,
            hashes,
            self._notices.size(attributes.get("size"), path_node.line),
            self._notices.time_ns(attributes.get("lastmodificationdate"), path_node.line),
            self._notices.time_ns(attributes.get("creationdate"), path_node.line),
            self._previous(node),
        )

    def _folder(self, node: Node) -> DirectoryRecord:
        path_node = self._path_node(node)
        # Printed examples of the standard end a folder's path in a slash.
        path = self._clean(path_node, path_node.text.removesuffix("/"))
        content, structure = node.child("content"), node.child("structure")
        if content is None or structure is None:
            raise self._error("a folder's record lacks content or structure", node.line)
        content_hashes = self._hashes(content, is_file=False)
        structure_hashes = self._hashes(structure, is_file=False)
        formats = {found.algorithm for found in content_hashes}
        if formats != {found.algorithm for found in structure_hashes}:
            raise self._error("content and structure have different formats", node.line)
        attributes = path_node.attributes
        return DirectoryRecord(
            path,
            content_hashes,
            structure_hashes,
            self._notices.time_ns(attributes.get("lastmodificationdate"), path_node.line),
            self._notices.time_ns(attributes.get("creationdate"), path_node.line),
            self._previous(node, is_folder=True),
        )

    def _reference(self, node: Node) -> Reference:
        path_node, c4 = self._path_node(node), node.child("c4")
        if c4 is None:
            raise self._error("a reference has no c4", node.line)
        try:
            return Reference(self._clean(path_node, path_node.text), read_digest("c4", c4.text))
        except ValueError as error:
            raise self._error(f"the c4 of a reference is none: {error}", c4.line) from error

    def _path_node(self, node: Node) -> Node:
        found = node.child("path")
        if found is None or sum(child.tag == "path" for child in node.children) > 1:
            raise self._error("a record has no path, or several", node.line)
        return found

    def _clean(self, node: Node, text: str) -> bytes:
        path = text.encode("utf-8")
        if node.children:
            # Readers would differ in what they take the path for.
            raise self._error("there are elements inside a path", node.line)
        if not is_clean(path):
            raise self._error(f"{shown(text)!r} leads out of the scope or to nothing", node.line)
        return path

    def _previous(self, node: Node, *, is_folder: bool = False) -> bytes | None:
        found = [child for child in node.children if child.tag == "previousPath"]
        if len(found) > 1:
            raise self._error("a record has two previous paths", node.line)
        if not found:
            return None
        text = found[0].text
        return self._clean(found[0], text.removesuffix("/") if is_folder else text)

    def _hashes(self, node: Node, *, is_file: bool) -> tuple[Hash, ...]:
        hashes: list[Hash] = []
        for child in node.children:
            if child.tag in _FORMATS:
                hashes.append(self._hash(child, is_file))
            elif child.tag not in ("path", "previousPath", "metadata") and not (
                node.tag == "directoryhash" and child.tag in ("content", "structure")
            ):
                self._notices.unknown_element(child)
        hashes.sort(key=_algorithm)
        for one, other in pairwise(hashes):
            if one.algorithm == other.algorithm:
                raise self._error(f"two {one.algorithm} hashes in one record", node.line)
        return tuple(hashes)

    def _hash(self, node: Node, is_file: bool) -> Hash:
        try:
            digest = read_digest(node.tag, node.text)
        except ValueError as error:
            raise self._error(f"this is no {node.tag}: {shown(node.text)!r}", node.line) from error
        attributes = node.attributes
        if node.children:
            raise self._error(f"there are elements inside a {node.tag}", node.line)
        text = attributes.get("action")
        action = _ACTIONS.get(text) if text is not None else None
        if text is not None and action is None:
            raise self._error(f"{shown(text)!r} is no action of a hash", node.line)
        if action is None and is_file:
            self._notices.add("mhl-no-action", "has a hash without an action", node.line)
        return Hash(
            node.tag, digest, action, self._notices.date(attributes.get("hashdate"), node.line)
        )


def _algorithm(found: Hash) -> str:
    return found.algorithm
