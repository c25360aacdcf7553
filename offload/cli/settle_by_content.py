"""A person's word on a clip of a card that was never offloaded here: bound to its content alone."""

import os
from collections.abc import Iterator

from offload.checksum import COMPARE, Hasher
from offload.clearance.decisions import CHECKSUM_BYTES, content_checksum
from offload.clearance.holds import is_settleable
from offload.errors import UsageError
from offload.jobs.opening import list_card, open_card
from offload.jobs.surroundings import Surroundings
from offload.storage.root import Root
from offload.values.entries import Entries, Kind
from offload.values.paths import from_text, shown, to_text

_PIECE_BYTES = 4 << 20


def content_of(
    card: bytes, code: str, clip: str, surroundings: Surroundings
) -> tuple[bytes, bytes]:
    """The path that a decision is about, and the checksum of what lies there, read now.

    Args:
        card: where it is mounted.
        code: of the hold.
        clip: the clip's path on the card, or its last part; a folder for frames.
        surroundings: the machine.

    Raises:
        UsageError: the code cannot be decided, or the clip is none or more than one.
        CardError: the card cannot be listed.
    """
    if not is_settleable(code):
        raise UsageError(
            f"'{shown(code)}' is about bytes, or no hold at all: nobody can decide it away",
            meaning="Nothing was decided.",
            remedy=f"Mend it:  offload check {to_text(card)}",
        )
    held = open_card(card, surroundings)
    try:
        inventory = list_card(held, surroundings).inventory
        path = _path(inventory.entries, clip)
        checksums = bytearray(CHECKSUM_BYTES * len(inventory.entries))
        for number in _files(inventory.entries, path):
            at = CHECKSUM_BYTES * number
            checksums[at : at + CHECKSUM_BYTES] = _read(held.root, inventory.entries.path(number))
        return path, content_checksum(inventory, bytes(checksums), path)
    except OSError as error:
        raise UsageError(
            f"the clip cannot be read: {error.strerror}", meaning="Nothing was decided."
        ) from error
    finally:
        held.root.close()


def _path(entries: Entries, clip: str) -> bytes:
    wanted = from_text(clip).rstrip(b"/")
    kinds = (Kind.FILE, Kind.FOLDER)
    paths = [entry.path for entry in entries if entry.kind in kinds]
    if wanted in paths:
        return wanted
    found = [path for path in paths if wanted and path.rpartition(b"/")[2] == wanted]
    if len(found) != 1:
        what = "no clip" if not found else "more than one clip"
        raise UsageError(
            f"'{shown(clip)}' names {what} of this card",
            meaning="Nothing was decided.",
            remedy="Give its path as the verdict shows it.",
        )
    return found[0]


def _files(entries: Entries, path: bytes) -> Iterator[int]:
    for number, entry in enumerate(entries):
        is_in = entry.path == path or entry.path.startswith(path + b"/")
        if is_in and entry.kind is Kind.FILE:
            yield number


def _read(root: Root, path: bytes) -> bytes:
    hasher = Hasher(COMPARE)
    descriptor = root.open_file(path)
    try:
        while piece := os.read(descriptor, _PIECE_BYTES):
            hasher.update(piece)
    finally:
        os.close(descriptor)
    return hasher.digest()
