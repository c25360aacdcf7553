"""What the computer put on the card and is therefore not copied; little, and named.

Rules (by exact name and exact case, nothing else):

* the folders ``.Spotlight-V100``, ``.fseventsd`` and ``System Volume Information``, whole, where
  they lie at the top level of the card;
* a file ``.DS_Store`` in any folder;
* a file ``._X`` that begins with the AppleDouble magic number and lies beside an ``X``.

Everything else is copied, trash folders and folders of found files too: footage ends up there.
A dot in front of a name says nothing. What is left out is listed file by file, so that its size
and its content can still be looked at: see :func:`has_clip_signature`.

Source: AppleSingle/AppleDouble formats, version 2 (RFC 1740, appendix A and B: magic number
0x00051607); the names are common practice of two desktop systems, no standard.
"""

from collections.abc import Callable, Container

from offload.card.signatures import SIGNATURE_BYTES, has_clip_signature
from offload.values.entries import Kind
from offload.values.paths import name

TOP_FOLDERS = frozenset({b".Spotlight-V100", b".fseventsd", b"System Volume Information"})
DESKTOP_FILE = b".DS_Store"
APPLE_DOUBLE = bytes.fromhex("00051607")
_COMPANION = b"._"

ReadHead = Callable[[int], bytes]
"""Gives up to so many first bytes of the file in question; errors of reading come through it."""

__all__ = [
    "APPLE_DOUBLE",
    "DESKTOP_FILE",
    "SIGNATURE_BYTES",
    "TOP_FOLDERS",
    "ReadHead",
    "has_clip_signature",
    "is_left_out_file",
    "is_left_out_folder",
    "needs_head",
]


def is_left_out_folder(path: bytes) -> bool:
    """Whether a folder stays behind with all that lies below it.

    Args:
        path: of something known to be a folder (not a link to one, not another mount), or whose
            facts cannot be read at all. A *file* of such a name is copied.
    """
    return path in TOP_FOLDERS


def needs_head(path: bytes, kind: Kind) -> bool:
    """Whether the first bytes decide; only then is a file opened for this."""
    entry = name(path)
    return kind is Kind.FILE and entry.startswith(_COMPANION) and entry != _COMPANION


def is_left_out_file(
    path: bytes, kind: Kind, siblings: Container[bytes], read_head: ReadHead
) -> bool:
    """Whether one entry that is no folder stays behind.

    Args:
        path: relative to the card.
        kind: links, pipes and the like are never left out: each is reported as what it is.
        siblings: the names in the same folder, exact bytes, its own among them or not.
        read_head: asked only where the name makes it a candidate.

    Raises:
        OSError: from ``read_head``. A companion that cannot be read is not shown to be one: the
            caller keeps it as unreadable.
    """
    if kind is not Kind.FILE:
        return False
    if name(path) == DESKTOP_FILE:
        return True
    if not needs_head(path, kind):
        return False
    if name(path)[len(_COMPANION) :] not in siblings:
        return False
    return read_head(len(APPLE_DOUBLE)) == APPLE_DOUBLE
