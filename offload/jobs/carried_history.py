"""Going on with the history that a card brings, instead of beginning another one.

A recorder or an earlier station may have written a history into the card's own ``ascmhl`` folder.
It is copied and proven like anything else on the card, under another name, and is there to be
looked up byte for byte. Where it is whole, its manifests are put into the copy's history as well,
and what this run writes is the next generation (ASC MHL 1.0, section 5.6; guidelines 2.1: the
folder travels with the files).

It is gone on with only where that contradicts nothing: every manifest is the one that its chain
names, every file that it records is in this copy, under the same name, and proven to be as
recorded, and none of its ignore patterns leaves out anything that is copied. Otherwise the copy
begins a history of its own, and what does not agree is told by the check of the sender's records.
"""

import errno
from collections.abc import Callable, Iterable, Mapping

from offload.errors import RecordError
from offload.jobs.earlier_record import Earlier, read_earlier
from offload.jobs.placing import Place
from offload.record.mhl.ignore import Ignore
from offload.record.mhl.naming import HISTORY_FOLDER, read_manifest_name
from offload.storage.durable import growing, sha512_of
from offload.storage.root import Root
from offload.values.paths import join

_BLOCK = 1 << 20
# What only bears the name: a file for the folder, a folder for the chain, a chain without end.
_NO_HISTORY = frozenset({errno.ENOTDIR, errno.EINVAL, errno.EFBIG})


def may_bring_one(place: Place) -> bool:
    """Whether the card has such a folder, and all else on it keeps its name on this drive.

    Where another name is written otherwise, a record of the card's would name no file here.
    """
    return [path for path, _ in place.names] == [HISTORY_FOLDER]


def carried_history(
    place: Place, paths: Iterable[bytes], proven: Callable[[bytes], Mapping[str, bytes]]
) -> Earlier | None:
    """The card's own history, where the copy's can go on from it; nothing is written.

    Args:
        place: a copy without a history of its own, of a card that may bring one.
        paths: of all files in the copy.
        proven: for one of them, the raw digests by format with which it was proven; none where
            it was not.

    Raises:
        OSError: the drive failed.
    """
    try:
        earlier = read_earlier(place.drive.root, _copied_to(place))
    except RecordError:
        return None
    except OSError as error:
        if error.errno in _NO_HISTORY:
            return None
        raise
    if not earlier.chain.entries or earlier.has_references or earlier.has_renames:
        return None
    numbered = [read_manifest_name(entry.path) for entry in earlier.chain.entries]
    if any(name is None or name.number != at for at, name in enumerate(numbered, 1)):
        return None
    ignore = Ignore(earlier.ignore)
    waiting = set(earlier.hashes)
    for path in paths:
        if path.startswith(place.names.on_drive(HISTORY_FOLDER) + b"/"):
            continue
        if ignore.ignores(path) or not _agrees(earlier.hashes.get(path), proven(path)):
            return None
        waiting.discard(path)
    return None if waiting else earlier


def put_carried(place: Place, earlier: Earlier) -> None:
    """Put the manifests of a carried history into the copy's; the chain comes with the next one.

    Raises:
        OSError: the drive failed, or something else lies under the name of one of them.
    """
    root = place.drive.root
    history = join(place.lies_in, HISTORY_FOLDER)
    root.make_folders(history)
    for entry in earlier.chain.entries:
        path = join(history, entry.path)
        if not root.exists(path):
            put_manifest(root, join(_copied_to(place), entry.path), path, entry.c4)


def _copied_to(place: Place) -> bytes:
    return join(place.lies_in, place.names.on_drive(HISTORY_FOLDER))


def _agrees(known: Mapping[str, bytes] | None, digests: Mapping[str, bytes]) -> bool:
    if known is None:
        return True
    shared = known.keys() & digests.keys()
    return bool(shared) and all(known[each] == digests[each] for each in shared)


def put_manifest(root: Root, source: bytes, path: bytes, c4: bytes) -> None:
    """Put one manifest of the card's into a history of the copy.

    Args:
        root: the drive.
        source: where it was copied to.
        path: its place in the history, free.
        c4: raw digest that the chain gives.

    Raises:
        OSError: the drive failed, or it is not what the chain says.
    """
    with (
        root.open_stream(source, buffering=0) as content,
        growing(root, path) as out,
    ):
        while part := content.read(_BLOCK):
            view = memoryview(part)
            while view:
                view = view[out.write(view) :]
        if sha512_of(out) != c4:
            raise OSError("a manifest of the card's history reads otherwise than a moment ago")
