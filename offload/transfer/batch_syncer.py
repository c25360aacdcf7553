"""Making many files durable together, beside the writing of the next ones.

One sync of the whole file system stands for the fsync of a thousand files, and takes as long as the
drive needs to write them. If the writing waited for it, card and drives would take turns.
"""

import threading
from collections.abc import Sequence
from queue import Queue

from offload.storage.syncing import sync_whole
from offload.values.facts import CopyState


class BatchSyncer(threading.Thread):
    """Syncs one drive, batch after batch; at most one waits while another is synced.

    The first error is final: the system tells a failed write-back once, and after it nothing says
    which file of this batch or of a later one is not down.

    Attributes:
        error: what the sync said; nothing while it is well.
    """

    def __init__(self, name: str, fd: int, states: bytearray) -> None:
        """
        Args:
            name: the drive's, for the thread.
            fd: a descriptor on the drive, opened before anything was written through this run.
            states: a :class:`CopyState` byte for each entry; set once a batch is settled.
        """
        super().__init__(name=f"sync-{name}", daemon=True)
        self._fd = fd
        self._states = states
        self._batches: Queue[Sequence[int] | None] = Queue(maxsize=1)
        self._is_given_up = False
        self.error: Exception | None = None

    def run(self) -> None:
        while (numbers := self._batches.get()) is not None:
            is_down = self.error is None and not self._is_given_up and self._sync()
            state = CopyState.WRITTEN if is_down else CopyState.FAILED
            for number in numbers:
                self._states[number] = state

    def hand_over(self, numbers: Sequence[int]) -> None:
        """Take files that are written and closed; waits while another batch is waiting."""
        self._batches.put(numbers)

    def finish(self) -> None:
        """Wait until every batch is settled."""
        self._batches.put(None)
        self.join()

    def give_up(self) -> None:
        """The drive is dropped: what is not synced yet has failed."""
        self._is_given_up = True
        self.finish()

    def _sync(self) -> bool:
        try:
            sync_whole(self._fd)
        except Exception as error:  # noqa: BLE001  # a thread's edge: it drops the drive
            self.error = error
            return False
        return True
