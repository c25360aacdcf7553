"""Nobody else may be working on a roll while something is written beside or into it."""

from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress

from offload.jobs.lease import Lock
from offload.storage.root import Root
from offload.storage.syncing import sync_folder
from offload.values.paths import parent


@contextmanager
def records_made(root: Root, records: Iterable[bytes]) -> Iterator[None]:
    """Make ``records/ROLL`` where it is not there yet; what stays empty goes again.

    Args:
        root: held.
        records: paths of such folders.

    Raises:
        OSError: the drive takes none.
    """
    made: list[bytes] = []
    try:
        for folder in records:
            made += root.make_folders(folder)
        for folder in made:
            sync_folder(root, parent(folder))
        yield
    finally:
        for folder in reversed(made):
            with suppress(OSError):
                root.remove_folder(folder)


@contextmanager
def rolls_locked(root: Root, records: Iterable[bytes], drive: str) -> Iterator[None]:
    """Hold every roll whose ``records/ROLL`` is there.

    Args:
        root: held.
        records: paths of such folders.
        drive: what to call the place, for people.

    Raises:
        BusyError: a run is working on one of them; nothing was touched.
    """
    with ExitStack() as stack:
        for folder in sorted(records):
            if root.exists(folder):
                lock = Lock(root, folder, drive)
                stack.callback(lock.release)
        yield
