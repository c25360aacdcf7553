"""One recorded copy by name, as statements refer to it: where it lies, and what its record is.

Names and places may change; what names a copy for good is the C4 ID of its manifest. A copy that
was made from another says so: every copy can be followed back to the one made from the card.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from offload.clearance.taken import StatementError, Taken
from offload.values.paths import from_text, to_text

_C4 = re.compile(r"c4[1-9A-HJ-NP-Za-km-z]{88}")
_ALGORITHM = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


@dataclass(frozen=True, slots=True)
class ManifestName:
    """One manifest: where it lies, relative to the copy, and the C4 ID of its bytes."""

    path: bytes
    c4: str


@dataclass(frozen=True, slots=True)
class CopyName:
    """One recorded copy; all text is in its shown form.

    Attributes:
        drive: name of the drive that it lies on.
        path: its folder, relative to the drive's folder, or to the top of a volume that is no drive
            of the station's.
        manifest: the newest one of its history.
        content: root hashes of its content that this manifest gives, by algorithm; none where it
            gives none, as when something is missing.
    """

    drive: str
    path: str
    manifest: ManifestName
    content: tuple[tuple[str, str], ...]


def manifest_document(manifest: ManifestName) -> dict[str, Any]:
    """A manifest's name as plain data."""
    return {"c4": manifest.c4, "path": to_text(manifest.path)}


def read_manifest_name(manifest: Taken) -> ManifestName:
    """The same back.

    Raises:
        StatementError: it is none.
    """
    c4 = manifest.text("c4")
    if not _C4.fullmatch(c4):
        raise StatementError("manifest.c4: not a C4 ID")
    return manifest.ended(ManifestName(from_text(manifest.text("path")), c4))


def read_hashes(content: Taken) -> tuple[tuple[str, str], ...]:
    """Root hashes by algorithm.

    Raises:
        StatementError: a name that is not an algorithm's.
    """
    hashes = [(name, content.text(name)) for name in content.names]
    for name, _ in hashes:
        if not _ALGORITHM.fullmatch(name):
            raise StatementError("content: not the name of a checksum")
    return tuple(sorted(hashes))


def copy_document(copy: CopyName) -> dict[str, Any]:
    """A copy's name as plain data."""
    return {
        "content": dict(copy.content),
        "drive": copy.drive,
        "manifest": manifest_document(copy.manifest),
        "path": copy.path,
    }


def read_copy_name(copy: Taken) -> CopyName:
    """The same back.

    Raises:
        StatementError: it is none.
    """
    return copy.ended(
        CopyName(
            copy.text("drive"),
            copy.text("path"),
            read_manifest_name(copy.part("manifest")),
            read_hashes(copy.part("content")),
        )
    )


def descents_text(made: Mapping[str, CopyName]) -> str:
    """Which copies were made from which, as sentences after one another; empty where none was.

    Args:
        made: name of the drive -> the copy that the one on it was made from; names as shown.
    """
    return " ".join(
        f"The copy on {drive} was made from the copy on {source.drive}: {source.path}, "
        f"{to_text(source.manifest.path)}."
        for drive, source in made.items()
    )
