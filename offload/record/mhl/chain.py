"""The chain of a history, and collections of manifests, which have the same form.

Source: ASC MHL 1.0 specification, sections 5.4, 5.5, 7 and 8. A manifest that is not in the chain
is no part of the history. Appending writes the manifest first, under its final name and flushed,
and then puts the longer chain in place of the shorter one.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import BinaryIO

from offload.checksum import c4_id
from offload.errors import RecordError
from offload.record.folder import DurableFolder
from offload.record.mhl.digests import read_digest
from offload.record.mhl.naming import CHAIN_NAME
from offload.record.mhl.notices import Notices
from offload.record.mhl.text import path_text
from offload.record.mhl.write import Written
from offload.record.mhl.xmlstream import Form, Node, XmlStream
from offload.values.findings import Finding
from offload.values.paths import is_clean, join, shown

NAMESPACE = "urn:ASC:MHL:DIRECTORY:v2.0"

_CHUNK_BYTES = 1 << 16
_FORM = Form(NAMESPACE, "ascmhldirectory")
_ENTRIES_LIMIT = 1_000_000


@dataclass(frozen=True, slots=True)
class ChainEntry:
    """One manifest.

    Attributes:
        number: of the generation, from 1.
        path: relative to the folder of the chain or collection file.
        c4: raw digest of the manifest's bytes.
    """

    number: int
    path: bytes
    c4: bytes


@dataclass(frozen=True, slots=True)
class Chain:
    """A chain or a collection as it was read, or is to be written.

    Attributes:
        entries: in the order of their numbers.
        notices: what was unusual in it.
    """

    entries: tuple[ChainEntry, ...] = ()
    notices: tuple[Finding, ...] = ()

    @property
    def next_number(self) -> int:
        """What the next generation is called."""
        return self.entries[-1].number + 1 if self.entries else 1

    def with_manifest(self, path: bytes, c4: bytes) -> "Chain":
        """The chain with one generation more."""
        return Chain((*self.entries, ChainEntry(self.next_number, path, c4)))


def chain_bytes(entries: Iterable[ChainEntry]) -> bytes:
    """The file, byte for byte.

    Raises:
        ValueError: no entry; the form needs one.
    """
    parts = [f'<?xml version="1.0" encoding="UTF-8"?>\n<ascmhldirectory xmlns="{NAMESPACE}">\n']
    parts += [
        f'  <hashlist sequencenr="{entry.number}">\n'
        f"    <path>{path_text(entry.path)}</path>\n"
        f"    <c4>{c4_id(entry.c4)}</c4>\n"
        "  </hashlist>\n"
        for entry in entries
    ]
    if len(parts) == 1:
        raise ValueError("a chain needs a manifest")
    return "".join([*parts, "</ascmhldirectory>\n"]).encode("utf-8")


def read_chain(stream: BinaryIO, path: bytes = b"", *, is_collection: bool = False) -> Chain:
    """Read a chain, or a collection.

    Args:
        stream: open at its beginning.
        path: of the file, for errors.
        is_collection: numbers may repeat or be missing (an example of the standard repeats them);
            entries keep the order of the file.

    Raises:
        RecordError: malformed, or a chain whose numbers are not 1, 2, 3 and so on.
    """
    nodes = iter(XmlStream(_chunks(stream), _FORM, path))
    next(nodes)
    notices = Notices()
    entries: list[ChainEntry] = []
    for node in nodes:
        if node.tag != "hashlist":
            notices.unknown_element(node)
            continue
        if len(entries) >= _ENTRIES_LIMIT:
            raise RecordError("far too many manifests", path=path, line=node.line)
        entries.append(_entry(node, path, is_collection))
    if not entries:
        raise RecordError("it names no manifest", path=path)
    if is_collection:
        _note_numbers(entries, notices)
    else:
        entries = _in_order(entries, path, notices)
    return Chain(tuple(entries), notices.findings())


def append_manifest(
    folder: DurableFolder,
    history: bytes,
    chain: Chain,
    name: bytes,
    fill: Callable[[BinaryIO], Written],
) -> Chain:
    """Write a manifest, then the chain that names it; in this order, each durable.

    Args:
        folder: the drive or copy.
        history: path of the ``ascmhl`` folder below it.
        chain: as it stands now; empty for a new history.
        name: of the manifest, with the chain's next number.
        fill: writes the manifest.

    Returns:
        The chain as it stands then.

    Raises:
        FileExistsError: a manifest of this name is there, which the chain does not know.
        OSError: the generation was not added; the earlier chain stands.
    """
    written = folder.write_new(join(history, name), fill)
    longer = chain.with_manifest(name, written.c4)
    folder.replace(join(history, CHAIN_NAME), chain_bytes(longer.entries))
    return longer


def _chunks(stream: BinaryIO) -> Iterable[bytes]:
    while chunk := stream.read(_CHUNK_BYTES):
        yield chunk


def _entry(node: Node, file: bytes, is_collection: bool) -> ChainEntry:
    path_node, c4_node = node.child("path"), node.child("c4")
    if path_node is None or c4_node is None or len(node.children) != 2:
        raise RecordError("an entry is not one path and one c4", path=file, line=node.line)
    path = path_node.text.encode("utf-8")
    if not is_clean(path):
        raise RecordError(
            f"{shown(path_node.text)!r} leads out of its folder", path=file, line=path_node.line
        )
    try:
        c4 = read_digest("c4", c4_node.text)
    except ValueError as error:
        what = f"the c4 of a manifest is none: {error}"
        raise RecordError(what, path=file, line=c4_node.line) from error
    return ChainEntry(_number(node, file, is_collection), path, c4)


def _number(node: Node, file: bytes, is_collection: bool) -> int:
    text = node.attributes.get("sequencenr", "").strip()
    if text.isascii() and text.isdigit() and len(text) < 10:
        return int(text)
    if is_collection:
        return 0
    raise RecordError("an entry has no sequence number", path=file, line=node.line)


def _in_order(entries: list[ChainEntry], file: bytes, notices: Notices) -> list[ChainEntry]:
    ordered = sorted(entries, key=lambda entry: entry.number)
    if ordered != entries:
        notices.add("mhl-chain-order", "does not list its generations in their order", 1)
    for wanted, entry in enumerate(ordered, 1):
        if entry.number != wanted:
            raise RecordError(
                f"its numbers are not 1, 2, 3 and so on: {wanted} is missing or there twice",
                path=file,
                meaning="a generation was left out, or two were given one number",
            )
    return ordered


def _note_numbers(entries: list[ChainEntry], notices: Notices) -> None:
    if [entry.number for entry in entries] != list(range(1, len(entries) + 1)):
        notices.add("mhl-collection-order", "does not number its manifests 1, 2, 3 and so on", 1)
