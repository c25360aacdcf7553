"""What ought to arrive: a collection or packing list, held against what did.

Source: ASC MHL 1.0 specification, section 5.5: a collection lists the packing lists of several
cards and is sent apart from the media, so that the receiver can notice a card that never came.
What has arrived is known by content: names and places may have changed on the way.
"""

from collections.abc import Container, Iterator
from dataclasses import dataclass

from offload.checksum import Hasher
from offload.errors import RecordError, reason
from offload.record.folder import Folder
from offload.record.mhl.chain import read_chain
from offload.record.mhl.model import Action, HashRecord
from offload.record.mhl.naming import COLLECTION_NAME
from offload.record.mhl.read import ManifestReader
from offload.values.findings import Finding
from offload.values.paths import join, name, parent

_CHUNK_BYTES = 1 << 20
_NAMED_LIMIT = 10_000

Seen = Container[tuple[str, bytes]]
"""Every (format, raw digest) that was found on what arrived."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """How much of one packing list has arrived.

    Attributes:
        manifest: path of the packing list.
        files: how many it lists.
        there: how many of them are there, by content.
        missing: paths of those that are not, the first ten thousand.
        faults: ``manifest-missing``, ``manifest-changed``, ``manifest-unreadable``; with any of
            them the counts say nothing.
    """

    manifest: bytes
    files: int = 0
    there: int = 0
    missing: tuple[bytes, ...] = ()
    faults: tuple[Finding, ...] = ()

    @property
    def has_arrived(self) -> bool:
        """Whether all of it is there."""
        return not self.faults and self.files > 0 and self.there == self.files

    @property
    def is_absent(self) -> bool:
        """Whether nothing of it is there: the card never came."""
        return not self.faults and self.there == 0


def expected_manifests(folder: Folder, path: bytes) -> list[tuple[bytes, bytes | None]]:
    """Path and raw c4 of every packing list that a collection names; a manifest names itself.

    Raises:
        RecordError: a collection that cannot be read.
        OSError: likewise.
    """
    if name(path) != COLLECTION_NAME:
        return [(path, None)]
    with folder.open(path) as stream:
        collection = read_chain(stream, path, is_collection=True)
    return [(join(parent(path), entry.path), entry.c4) for entry in collection.entries]


def collection_notices(folder: Folder, path: bytes) -> tuple[Finding, ...]:
    """What is unusual in a collection and does not matter; a packing list has no such thing.

    Raises:
        RecordError: a collection that cannot be read.
        OSError: likewise.
    """
    if name(path) != COLLECTION_NAME:
        return ()
    with folder.open(path) as stream:
        found = read_chain(stream, path, is_collection=True).notices
    return tuple(Finding(each.code, each.text, path) for each in found)


def arrivals(folder: Folder, path: bytes, seen: Seen) -> Iterator[Arrival]:
    """Hold a collection or a packing list against what arrived, card by card.

    Args:
        folder: where the collection lies, with its packing lists beside it.
        path: of the collection, or of one packing list.
        seen: see :data:`Seen`.

    Raises:
        RecordError: a collection that cannot be read.
        OSError: likewise.
    """
    for manifest, c4 in expected_manifests(folder, path):
        yield _arrival(folder, manifest, c4, seen)


def _arrival(folder: Folder, manifest: bytes, c4: bytes | None, seen: Seen) -> Arrival:
    try:
        if c4 is not None and _c4(folder, manifest) != c4:
            return _broken(manifest, "manifest-changed", "is not what the collection says")
        return _counted(folder, manifest, seen)
    except FileNotFoundError:
        return _broken(manifest, "manifest-missing", "is named in the collection and is not there")
    except OSError as error:
        return _broken(manifest, "manifest-unreadable", reason(error))
    except RecordError as error:
        return _broken(manifest, "manifest-unreadable", error.what)


def _counted(folder: Folder, manifest: bytes, seen: Seen) -> Arrival:
    files = there = 0
    missing: list[bytes] = []
    with folder.open(manifest) as stream:
        for record in ManifestReader(stream, manifest):
            if not isinstance(record, HashRecord):
                continue
            files += 1
            if _is_seen(record, seen):
                there += 1
            elif len(missing) < _NAMED_LIMIT:
                missing.append(record.path)
    return Arrival(manifest, files, there, tuple(missing))


def _is_seen(record: HashRecord, seen: Seen) -> bool:
    return any(
        (found.algorithm, found.digest) in seen
        for found in record.hashes
        if found.action is not Action.FAILED
    )


def _broken(manifest: bytes, code: str, text: str) -> Arrival:
    return Arrival(manifest, faults=(Finding(code, text, manifest),))


def _c4(folder: Folder, path: bytes) -> bytes:
    hasher = Hasher("c4")
    with folder.open(path) as stream:
        while chunk := stream.read(_CHUNK_BYTES):
            hasher.update(chunk)
    return hasher.digest()
