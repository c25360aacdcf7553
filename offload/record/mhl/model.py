"""What a manifest says, as frozen values (ASC MHL 1.0 specification, section 6).

Digests are raw bytes and paths are bytes exactly as recorded; nothing is normalised. Names, tools,
places and comments are whatever somebody wrote: on a screen they go through ``values.paths.shown``.
"""

import re
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

FORMATS = ("c4", "md5", "sha1", "xxh128", "xxh3", "xxh64")
"""The hash formats of the standard, in the order in which they are written."""

_EMAIL = re.compile(r"[^@]+@[^.]+\..+", re.DOTALL)


class Action(Enum):
    """What a hash in a record stands for (section 6.5.1)."""

    ORIGINAL = "original"
    """From the first record of this path in the history."""
    VERIFIED = "verified"
    """Worked out anew, and the file agreed with an earlier usable hash."""
    FAILED = "failed"
    """Worked out anew and different from the earlier one; never used for checking."""


class Process(Enum):
    """How a manifest came about (section 6.4.6)."""

    IN_PLACE = "in-place"
    TRANSFER = "transfer"
    FLATTEN = "flatten"


@dataclass(frozen=True, slots=True)
class Hash:
    """One hash of one thing.

    Attributes:
        algorithm: one of :data:`FORMATS`.
        digest: raw.
        action: None where the record does not say; such a hash cannot be checked against.
        hashed_at: when it was worked out, with zone; None for "about when the manifest was made".
    """

    algorithm: str
    digest: bytes
    action: Action | None = None
    hashed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class HashRecord:
    """One file.

    Attributes:
        path: relative to the scope.
        hashes: at most one of each format, sorted by name.
        size_bytes, mtime_ns, created_ns: as recorded, None where left out. Times are written to
            the second.
        previous_path: its path before a rename in this generation.
    """

    path: bytes
    hashes: tuple[Hash, ...]
    size_bytes: int | None = None
    mtime_ns: int | None = None
    created_ns: int | None = None
    previous_path: bytes | None = None

    def hash_of(self, algorithm: str) -> Hash | None:
        """The hash of this format."""
        return _find(self.hashes, algorithm)


@dataclass(frozen=True, slots=True)
class DirectoryRecord:
    """One folder below the scope's root.

    Attributes:
        content: hashes of what is in it, names aside, one of each format.
        structure: hashes of names and content, of exactly the same formats.
    """

    path: bytes
    content: tuple[Hash, ...]
    structure: tuple[Hash, ...]
    mtime_ns: int | None = None
    created_ns: int | None = None
    previous_path: bytes | None = None


Record = HashRecord | DirectoryRecord


@dataclass(frozen=True, slots=True)
class RootHash:
    """Content and structure of the scope's root."""

    content: tuple[Hash, ...]
    structure: tuple[Hash, ...]

    def content_of(self, algorithm: str) -> Hash | None:
        """The content hash of this format."""
        return _find(self.content, algorithm)


@dataclass(frozen=True, slots=True)
class Author:
    """A person who answers for a manifest."""

    name: str
    email: str = ""
    phone: str = ""
    role: str = ""

    @property
    def has_email_form(self) -> bool:
        """Whether the schemas take the address."""
        return _EMAIL.fullmatch(self.email) is not None


@dataclass(frozen=True, slots=True)
class Creator:
    """When, where, with what and by whom a manifest was made.

    Attributes:
        created_at: with zone; None when it could not be read. All dates of a manifest that is
            written are in the zone of this one.
        tool: name of the program.
    """

    created_at: datetime | None
    hostname: str
    tool: str
    tool_version: str = ""
    authors: tuple[Author, ...] = ()
    location: str = ""
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Head:
    """All that stands before the records.

    Attributes:
        root: None where not everything below the scope was hashed.
        ignore: patterns, in their order.
    """

    creator: Creator
    process: Process
    root: RootHash | None = None
    ignore: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reference:
    """A manifest of a nested history.

    Attributes:
        path: of that manifest, relative to the scope of the manifest that refers to it.
        c4: raw digest of that manifest's bytes.
    """

    path: bytes
    c4: bytes


def _find(hashes: tuple[Hash, ...], algorithm: str) -> Hash | None:
    for found in hashes:
        if found.algorithm == algorithm:
            return found
    return None
