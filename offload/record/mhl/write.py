"""Manifests written as streams: one record after the other, whatever the number.

Order and form are those that both schemas of the standard take: hashes in alphabetical order,
directory hashes without an action, metadata never written. Two-space indent, LF, UTF-8 without BOM.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import BinaryIO

from offload.checksum import Hasher, c4_id, digest_text
from offload.record.mhl.dates import date_text, ns_text
from offload.record.mhl.model import (
    Author,
    Creator,
    DirectoryRecord,
    Hash,
    HashRecord,
    Head,
    Record,
    Reference,
    RootHash,
)
from offload.record.mhl.text import free_text, path_text

_BATCH_CHARS = 1 << 17


@dataclass(frozen=True, slots=True)
class Written:
    """What was written.

    Attributes:
        c4: raw digest of all bytes, for the chain and for references.
        size_bytes: how many.
        records: number of records.
    """

    c4: bytes
    size_bytes: int
    records: int


def write_manifest(
    out: BinaryIO, head: Head, records: Iterable[Record], references: Iterable[Reference] = ()
) -> Written:
    """Write a whole manifest.

    Args:
        out: where to; neither closed nor synced here.
        head: what stands before the records; its date of creation must be there, with zone.
        records: in the order in which they are to stand; taken one by one.
        references: to manifests of nested histories.

    Raises:
        ValueError: neither records nor references, a record without hash, or a path that
            :func:`~offload.record.mhl.text.holds_name` refuses; the caller's mistake.
    """
    writer = _Writer(out)
    created_at = head.creator.created_at
    zone = (created_at.tzinfo if created_at else None) or UTC
    writer.put('<?xml version="1.0" encoding="UTF-8"?>\n')
    writer.put('<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">\n')
    writer.put(_head(head))
    count = 0
    for record in records:
        if not count:
            writer.put("  <hashes>\n")
        count += 1
        writer.put(_record(record, zone))
    if count:
        writer.put("  </hashes>\n")
    is_referring = writer.put_all(_references(references))
    if not count and not is_referring:
        raise ValueError("a manifest needs a record or a reference")
    writer.put("</hashlist>\n")
    return writer.finish(count)


class _Writer:
    """Gathers text, and sums up what goes out."""

    def __init__(self, out: BinaryIO) -> None:
        self._out = out
        self._parts: list[str] = []
        self._chars = 0
        self._size = 0
        self._hasher = Hasher("c4")

    def put(self, text: str) -> None:
        self._parts.append(text)
        self._chars += len(text)
        if self._chars >= _BATCH_CHARS:
            self._flush()

    def put_all(self, parts: Iterable[str]) -> bool:
        """Put all; whether there was any."""
        is_any = False
        for part in parts:
            self.put(part)
            is_any = True
        return is_any

    def finish(self, records: int) -> Written:
        self._flush()
        return Written(self._hasher.digest(), self._size, records)

    def _flush(self) -> None:
        data = "".join(self._parts).encode("utf-8")
        self._parts.clear()
        self._chars = 0
        self._hasher.update(data)
        self._size += len(data)
        view = memoryview(data)
        while view:
            # A raw file may take less than it is given.
            view = view[self._out.write(view) :]


def _head(head: Head) -> str:
    return (
        _creator(head.creator)
        + f"  <processinfo>\n    <process>{head.process.value}</process>\n"
        + (_root(head.root) if head.root else "")
        + (_ignore(head.ignore) if head.ignore else "")
        + "  </processinfo>\n"
    )


def _creator(creator: Creator) -> str:
    if creator.created_at is None:
        raise ValueError("a manifest needs the date of its creation")
    lines = [
        "  <creatorinfo>",
        f"    <creationdate>{date_text(creator.created_at)}</creationdate>",
        f"    <hostname>{free_text(creator.hostname)}</hostname>",
        f"    <tool{_attribute('version', creator.tool_version)}>{free_text(creator.tool)}</tool>",
        *(_author(author) for author in creator.authors),
    ]
    if creator.location:
        lines.append(f"    <location>{free_text(creator.location)}</location>")
    if creator.comment:
        lines.append(f"    <comment>{free_text(creator.comment)}</comment>")
    return "\n".join([*lines, "  </creatorinfo>\n"])


def _author(author: Author) -> str:
    name, email = author.name, author.email
    if email and not author.has_email_form:
        # The schemas refuse the attribute; what the person wrote is kept all the same.
        name, email = f"{name} <{email}>", ""
    attributes = (
        _attribute("email", email)
        + _attribute("phone", author.phone)
        + _attribute("role", author.role)
    )
    return f"    <author{attributes}>{free_text(name)}</author>"


def _root(root: RootHash) -> str:
    return (
        "    <roothash>\n"
        f"      <content>{_plain_hashes(root.content)}</content>\n"
        f"      <structure>{_plain_hashes(root.structure)}</structure>\n"
        "    </roothash>\n"
    )


def _ignore(patterns: tuple[str, ...]) -> str:
    inner = "".join(f"<pattern>{free_text(pattern)}</pattern>" for pattern in patterns)
    return f"    <ignore>{inner}</ignore>\n"


def _record(record: Record, zone: tzinfo) -> str:
    if isinstance(record, HashRecord):
        return _file(record, zone)
    return _folder(record, zone)


def _file(record: HashRecord, zone: tzinfo) -> str:
    if not record.hashes:
        raise ValueError(f"a record without hash: {record.path!r}")
    size = "" if record.size_bytes is None else f' size="{record.size_bytes}"'
    hashes = "".join(f"      {_hash(found)}\n" for found in _sorted(record.hashes))
    return (
        f"    <hash>\n      <path{size}{_times(record, zone)}>{path_text(record.path)}</path>\n"
        f"{hashes}{_previous(record)}    </hash>\n"
    )


def _folder(record: DirectoryRecord, zone: tzinfo) -> str:
    formats = [found.algorithm for found in record.content]
    if not formats or formats != [found.algorithm for found in record.structure]:
        raise ValueError(f"content and structure differ in their formats: {record.path!r}")
    return (
        "    <directoryhash>\n"
        f"      <path{_times(record, zone)}>{path_text(record.path)}</path>\n"
        f"      <content>{_plain_hashes(record.content)}</content>\n"
        f"      <structure>{_plain_hashes(record.structure)}</structure>\n"
        f"{_previous(record)}    </directoryhash>\n"
    )


def _times(record: Record, zone: tzinfo) -> str:
    created = None if record.created_ns is None else ns_text(record.created_ns, zone)
    changed = None if record.mtime_ns is None else ns_text(record.mtime_ns, zone)
    # A date has no sign in it that is written otherwise.
    return (f' creationdate="{created}"' if created else "") + (
        f' lastmodificationdate="{changed}"' if changed else ""
    )


def _previous(record: Record) -> str:
    if record.previous_path is None:
        return ""
    return f"      <previousPath>{path_text(record.previous_path)}</previousPath>\n"


def _hash(found: Hash) -> str:
    action = "" if found.action is None else f' action="{found.action.value}"'
    date = "" if found.hashed_at is None else f' hashdate="{date_text(found.hashed_at)}"'
    name = found.algorithm
    return f"<{name}{action}{date}>{digest_text(name, found.digest)}</{name}>"


def _plain_hashes(hashes: tuple[Hash, ...]) -> str:
    return "".join(_hash(found) for found in _sorted(hashes))


def _sorted(hashes: tuple[Hash, ...]) -> list[Hash]:
    return sorted(hashes, key=_algorithm) if len(hashes) > 1 else list(hashes)


def _algorithm(found: Hash) -> str:
    return found.algorithm


def _references(references: Iterable[Reference]) -> Iterator[str]:
    is_first = True
    for reference in references:
        if is_first:
            yield "  <references>\n"
            is_first = False
        yield (
            "    <hashlistreference>\n"
            f"      <path>{path_text(reference.path)}</path>\n"
            f"      <c4>{c4_id(reference.c4)}</c4>\n"
            "    </hashlistreference>\n"
        )
    if not is_first:
        yield "  </references>\n"


def _attribute(name: str, text: str) -> str:
    return f' {name}="{free_text(text)}"' if text else ""
