"""Going on with histories that lie within a card, with or without one around them.

A recorder may keep a history for each of its folders, and a drive from a day's work has one for
each roll. In the copy each card's ``ascmhl`` lies under another name, byte for byte, and beside it
the history goes on (ASC MHL 1.0, sections 5.3.2 and 5.6; guidelines 2.1: the folder travels with
the files). That is done for all of them together or for none, by the rule for a single one (see
:mod:`.carried_history`): every chain and manifest is whole, every reference leads to what it names,
every file that is recorded is in this copy, under its own name, proven and as recorded, and nothing
that is copied is ignored.
"""

import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import BinaryIO

from offload.errors import RecordError
from offload.jobs.carried_history import put_manifest
from offload.jobs.earlier_record import CHAIN_LIMIT_BYTES
from offload.jobs.placing import Place, Standing
from offload.record.held_folder import HeldFolder
from offload.record.mhl.chain import read_chain
from offload.record.mhl.custody import Custody, from_within, load_custody
from offload.record.mhl.known import Outcome, compare
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER, read_manifest_name
from offload.storage.durable import write_new
from offload.values.paths import join, name

_GOES_ON = frozenset({Outcome.AGREES, Outcome.NEW})


def carried_nested(
    place: Place,
    scopes: Sequence[bytes],
    paths: Sequence[bytes],
    proven: Callable[[bytes], Mapping[str, bytes]],
) -> Custody | None:
    """The card's own histories, where the copy's can go on from them; nothing is written.

    Args:
        place: a copy without a history of its own.
        scopes: folders below the roll's own in which the card may have a history.
        paths: of all that is in the copy, empty folders too.
        proven: for a file, the raw digests by format with which it was proven; none where it was
            not, and for a folder.

    Returns:
        The histories, by paths within the copy; None where the copy begins one of its own.
    """
    if any(part.lower() == HISTORY_FOLDER for path in paths for part in _odd_parts(path)):
        # On a drive that tells no case apart a history would lie in a folder of the card's.
        return None
    custody = load_custody(_Brought(place), b"", scopes)
    if not any(scope in custody.histories for scope in scopes):
        return None
    if custody.faults or not all(_is_whole(custody, scope) for scope in custody.histories):
        return None
    waiting = {path for path, _ in custody.current()}
    for path in paths:
        if custody.ignores(path):
            return None
        digests = proven(path)
        if digests and compare(custody.lookup(path), digests).outcome in _GOES_ON:
            waiting.discard(path)
        elif path in waiting or custody.lookup(path) is not None:
            return None
    return None if waiting else custody


def put_nested(place: Place, custody: Custody) -> None:
    """Put the histories into the copy, inner ones first, each chain behind what it names.

    Raises:
        OSError: the drive failed, or something else lies under the name of one of them.
        RecordError: a chain reads otherwise than a moment ago.
    """
    root = place.drive.root
    for scope in from_within(custody.histories):
        brought = join(place.lies_in, place.names.on_drive(join(scope, HISTORY_FOLDER)))
        history = join(join(place.lies_in, scope), HISTORY_FOLDER)
        chain = join(history, CHAIN_NAME)
        if root.exists(chain):
            # From a run that was ended here; its own generation may be in it already.
            continue
        root.make_folders(history)
        content = root.read_small(join(brought, CHAIN_NAME), CHAIN_LIMIT_BYTES)
        for entry in custody.histories[scope].chain.entries:
            target = join(history, entry.path)
            if not root.exists(target):
                put_manifest(root, join(brought, entry.path), target, entry.c4)
        if read_chain(io.BytesIO(content), chain).entries != custody.histories[scope].chain.entries:
            raise RecordError("reads otherwise than a moment ago", path=join(brought, CHAIN_NAME))
        write_new(root, chain, content)


def remove_nested(place: Place, scopes: Sequence[bytes]) -> None:
    """Take histories out of an unfinished copy again, which cannot be gone on with after all.

    They were put there by a run that was ended before its own record was begun.

    Raises:
        OSError: the drive failed.
    """
    root = place.drive.root
    if place.standing is not Standing.GROWING:
        return
    for scope in scopes:
        history = join(join(place.lies_in, scope), HISTORY_FOLDER)
        if root.exists(history):
            for each in root.names(history):
                root.remove_file(join(history, each))
            root.remove_folder(history)


class _Brought:
    """A copy, seen as the card is: what the card calls ``ascmhl`` is found under that name."""

    def __init__(self, place: Place) -> None:
        self._place = place
        self._folder = HeldFolder(place.drive.root)

    def open(self, path: bytes) -> AbstractContextManager[BinaryIO]:
        """See :class:`~offload.record.folder.Folder`."""
        return self._folder.open(self._there(path))

    def names(self, path: bytes) -> list[bytes]:
        """See :class:`~offload.record.folder.Folder`."""
        return self._folder.names(self._there(path))

    def folders(self, path: bytes) -> list[bytes]:
        """See :class:`~offload.record.folder.Folder`."""
        return self._folder.folders(self._there(path))

    def is_folder(self, path: bytes) -> bool:
        """See :class:`~offload.record.folder.Folder`; the copy's own history is not the card's."""
        there = self._there(path)
        return name(there) != HISTORY_FOLDER and self._folder.is_folder(there)

    def _there(self, path: bytes) -> bytes:
        return join(self._place.lies_in, self._place.names.on_drive(path) if path else b"")


def _odd_parts(path: bytes) -> Iterator[bytes]:
    if HISTORY_FOLDER in path.lower():
        yield from path.split(b"/")


def _is_whole(custody: Custody, scope: bytes) -> bool:
    entries = custody.histories[scope].chain.entries
    numbered = [read_manifest_name(entry.path) for entry in entries]
    return bool(entries) and all(
        found is not None and found.number == at for at, found in enumerate(numbered, 1)
    )
