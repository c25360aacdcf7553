"""What stands before the records of a manifest, from its elements."""

from offload.record.mhl.digests import read_digest
from offload.record.mhl.model import FORMATS, Author, Creator, Hash, Head, Process, RootHash
from offload.record.mhl.notices import Notices
from offload.record.mhl.xmlstream import Node
from offload.values.paths import shown

_PROCESSES = {process.value: process for process in Process}


class HeadError(ValueError):
    """The head cannot be used; the reader makes the error for people out of it."""

    def __init__(self, what: str, line: int) -> None:
        super().__init__(what)
        self.line = line


def read_head(creator: Node, process: Node, notices: Notices) -> Head:
    """The head from its two elements.

    Raises:
        HeadError: no known process, or a root hash that is none.
    """
    name = process.child("process")
    value = _PROCESSES.get(name.text.strip()) if name else None
    if value is None:
        raise HeadError("it does not name a process of the standard", process.line)
    return Head(_creator(creator, notices), value, _root(process, notices), _ignore(process))


def _creator(node: Node, notices: Notices) -> Creator:
    tool = node.child("tool")
    date = node.child("creationdate")
    for tag in ("creationdate", "hostname", "tool"):
        if node.child(tag) is None:
            notices.add("mhl-creator", f"does not say {tag}", node.line)
    return Creator(
        notices.date(date.text, date.line) if date else None,
        _text(node, "hostname"),
        tool.text if tool else "",
        tool.attributes.get("version", "") if tool else "",
        tuple(_author(child, notices) for child in node.children if child.tag == "author"),
        _text(node, "location"),
        _text(node, "comment"),
    )


def _author(node: Node, notices: Notices) -> Author:
    attributes = node.attributes
    author = Author(
        node.text,
        attributes.get("email", ""),
        attributes.get("phone", ""),
        attributes.get("role", ""),
    )
    if "email" in attributes and not author.has_email_form:
        notices.add("mhl-creator", "has an email address that is none", node.line)
    return author


def _root(process: Node, notices: Notices) -> RootHash | None:
    node = process.child("roothash")
    if node is None:
        return None
    content, structure = node.child("content"), node.child("structure")
    if content is None or structure is None:
        raise HeadError("the root hash lacks content or structure", node.line)
    root = RootHash(_hashes(content, notices), _hashes(structure, notices))
    formats = [found.algorithm for found in root.content]
    if formats != [found.algorithm for found in root.structure] or not formats:
        raise HeadError("content and structure of the root have different formats", node.line)
    return root


def _hashes(node: Node, notices: Notices) -> tuple[Hash, ...]:
    hashes: dict[str, Hash] = {}
    for child in node.children:
        if child.tag not in FORMATS:
            notices.unknown_element(child)
            continue
        if child.tag in hashes:
            raise HeadError(f"two {child.tag} hashes of the root", child.line)
        try:
            digest = read_digest(child.tag, child.text)
        except ValueError as error:
            what = f"this is no {child.tag}: {shown(child.text)!r}"
            raise HeadError(what, child.line) from error
        hashes[child.tag] = Hash(child.tag, digest)
    return tuple(hashes[name] for name in sorted(hashes))


def _ignore(process: Node) -> tuple[str, ...]:
    node = process.child("ignore")
    if node is None:
        return ()
    return tuple(child.text for child in node.children if child.tag == "pattern")


def _text(node: Node, tag: str) -> str:
    child = node.child(tag)
    return child.text if child else ""
