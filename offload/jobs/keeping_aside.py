"""Moving something out of the way on a drive without losing it: renamed, never over anything."""

from collections.abc import Iterator

from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from offload.storage.syncing import sync_folder
from offload.values.paths import parent

_MOST = 9999


def move_aside(root: Root, source: bytes, target: bytes) -> bytes:
    """Move ``source`` to ``target``, or to ``target-2`` and so on where that is taken; durably.

    Args:
        root: the drive.
        source: what is in the way; a link, a pipe and the like too.
        target: its folder is made where it is missing.

    Returns:
        Where it lies now.

    Raises:
        FileExistsError: too many of its name are kept already.
        OSError: the drive failed; it lies in one of the two places.
    """
    for made in root.make_folders(parent(target)):
        sync_folder(root, parent(made))
    for free in _names(target):
        try:
            rename_exclusive(root, source, free)
        except FileExistsError:
            continue
        sync_folder(root, parent(free))
        sync_folder(root, parent(source))
        return free
    raise FileExistsError(f"{_MOST} things of one name are kept aside")


def _names(path: bytes) -> Iterator[bytes]:
    yield path
    for number in range(2, _MOST):
        yield path + b"-%d" % number
