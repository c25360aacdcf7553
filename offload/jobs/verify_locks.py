"""Nobody else may be working on a roll while something is written beside or into it."""

from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager

from offload.jobs.lease import Lock
from offload.storage.root import Root


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
