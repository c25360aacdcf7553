"""One drive's side of the copying pass: a thread that writes what the ring brings, and syncs.

The first error of a write, sync or close fails that file on this drive for good. An error that
speaks of the drive and not of one name drops the drive: it takes no more part, the others go on.
"""

import errno
import threading
import time
from collections.abc import Callable
from queue import SimpleQueue

from offload.errors import reason
from offload.storage.root import Root
from offload.storage.syncing import can_sync_whole, sync_folder
from offload.storage.writing import NewFile
from offload.transfer.batch_syncer import BatchSyncer
from offload.transfer.counters import Lane
from offload.transfer.plan import Target
from offload.transfer.ring import Piece, Ring, Slot
from offload.values.facts import CopyState
from offload.values.findings import Finding
from offload.values.paths import parent

# A name or a file that this drive will not have; anything else is the drive's own trouble.
_ABOUT_ONE_FILE = frozenset(
    {
        errno.ENAMETOOLONG,
        errno.EILSEQ,
        errno.EINVAL,
        errno.EEXIST,
        errno.EISDIR,
        errno.ENOTDIR,
        errno.EFBIG,
        errno.ELOOP,
    }
)

SMALL_BYTES = 1 << 20
"""Files up to this size are written through the page cache; larger ones go directly."""

_BATCH_FILES = 1000
_BATCH_BYTES = 256 << 20


class DriveWriter(threading.Thread):
    """Writes one drive.

    Attributes:
        states: a :class:`CopyState` byte for each entry: ``WRITTEN`` once durable, ``FAILED``.
        target_name: the drive's name.
        failure: why the drive was dropped; empty while it is well.
        has_left: it was too slow for the others: what it has not written whole is still to come.
        is_silent: it hangs in a call to a drive that answers nothing any more.
        notices: facts that the file system refused.
    """

    def __init__(
        self,
        bit: int,
        target: Target,
        root: Root,
        ring: Ring,
        queue: "SimpleQueue[Slot | None]",
        states: bytearray,
        lane: Lane,
    ) -> None:
        super().__init__(name=f"drive-{target.name}", daemon=True)
        self._bit = bit
        self._target = target
        self._root = root
        self._ring = ring
        self._queue = queue
        self._lane = lane
        self._syncer: BatchSyncer | None = None
        self._file: NewFile | None = None
        self._unsynced: list[int] = []
        self._unsynced_bytes = 0
        self._folders: set[bytes] = set()
        self._made: list[bytes] = []
        self._is_open = False
        self.states = states
        self.target_name = target.name
        self.failure = ""
        self.has_left = False
        self.is_silent = False
        self.notices: list[Finding] = []

    @property
    def takes_part(self) -> bool:
        """Whether it still takes what comes."""
        return not (self.failure or self.has_left)

    @property
    def waiting_slots(self) -> int:
        """Slots that lie before it."""
        return self._queue.qsize()

    @property
    def done_bytes(self) -> int:
        """What it has written."""
        return self._lane.done_bytes

    @property
    def left_bytes(self) -> int:
        """What it has still to write."""
        return max(0, self._lane.total_bytes - self._lane.done_bytes)

    def leave(self) -> None:
        """Take no more: what comes is let go of at once, and a file under way is given up.

        Called by the thread that fills the ring; a drive that hangs keeps nobody waiting any more.
        """
        self.has_left = True
        self._ring.leave(self._queue)

    def fall_silent(self, why: str) -> None:
        """The drive answers nothing any more: nobody waits for this thread from now on.

        Called by the thread that fills the ring, or when that has ended. This thread lets go of
        everything when its call comes back; nothing of what it has not synced counts.
        """
        self.is_silent = True
        self.failure = self._lane.failure = why
        self._root.give_up()
        self._ring.leave(self._queue)

    def run(self) -> None:
        self._guarded(self._open)
        while (slot := self._queue.get()) is not None:
            began = time.monotonic()
            try:
                self._look_at_syncer()
                for piece in slot.pieces:
                    if self.takes_part and piece.item.missing_on >> self._bit & 1:
                        self._take_guarded(piece, slot)
            finally:
                self._ring.release(slot)
            self._lane.work_s += time.monotonic() - began
        if self._file is not None:
            self._file.abandon()
        began = time.monotonic()
        if not self.failure:
            self._guarded(self._finish)
        self._lane.work_s += time.monotonic() - began
        if self._syncer is not None and self._syncer.is_alive():
            self._syncer.give_up()
        if self._is_open:
            self._root.close()

    def _open(self) -> None:
        # A handle of this thread's own: folders are kept open by each.
        self._root = self._root.again()
        self._is_open = True
        if can_sync_whole(self._target.fs_type):
            self._syncer = BatchSyncer(self._target.name, self._root.fd, self.states)
            self._syncer.start()

    def _take_guarded(self, piece: Piece, slot: Slot) -> None:
        try:
            self._take(piece, slot)
        except OSError as error:
            self._fail_file(piece, reason(error))
            if error.errno not in _ABOUT_ONE_FILE:
                self._drop(reason(error))
        except Exception as error:  # noqa: BLE001  # a thread's edge: it becomes the drive's failure
            self._drop(f"{type(error).__name__}: {error}")

    def _guarded(self, step: Callable[[], None]) -> None:
        try:
            step()
        except OSError as error:
            self._drop(reason(error))
        except Exception as error:  # noqa: BLE001  # a thread's edge: it becomes the drive's failure
            self._drop(f"{type(error).__name__}: {error}")

    def _take(self, piece: Piece, slot: Slot) -> None:
        item = piece.item
        path = self._target.path_of(item.path)
        if item.is_folder:
            self._make_folder(path)
            self._note_written(item.number, 0)
            return
        if piece.is_first:
            self._make_folder(parent(path))
            direct = item.size_bytes > SMALL_BYTES
            self._file = NewFile(self._root, path, item.size_bytes, direct=direct)
        if self._file is None:
            return  # failed at an earlier piece
        if piece.is_void:
            self._file.abandon()
            self._file = None
            return
        if piece.length:
            self._file.write(slot.bytes_of(piece), piece.offset)
            self._lane.moved(piece.length)
        if piece.is_last:
            self._end_file(piece)

    def _end_file(self, piece: Piece) -> None:
        file = self._file
        assert file is not None
        item = piece.item
        file.set_time(item.mtime_ns)
        if file.metadata_refused:
            text = "the drive would not take its modification time; the manifest has it"
            self.notices.append(Finding("time-not-kept", text, item.path, self._target.name))
        if self._syncer is None:
            file.sync()
        file.close()
        self._file = None
        self._lane.done_files += 1
        self._note_written(item.number, item.size_bytes)

    def _note_written(self, number: int, size_bytes: int) -> None:
        if self.is_silent:
            return  # too late
        if self._syncer is None:
            self.states[number] = CopyState.WRITTEN
            return
        self._unsynced.append(number)
        self._unsynced_bytes += size_bytes
        if len(self._unsynced) >= _BATCH_FILES or self._unsynced_bytes >= _BATCH_BYTES:
            self._sync_batch(self._syncer)

    def _sync_batch(self, syncer: BatchSyncer) -> None:
        syncer.hand_over(self._unsynced)
        self._unsynced = []
        self._unsynced_bytes = 0

    def _look_at_syncer(self) -> None:
        # An error there is told once and speaks for all that is not synced yet.
        if self._syncer is not None and self._syncer.error is not None and not self.failure:
            error = self._syncer.error
            self._drop(reason(error) if isinstance(error, OSError) else str(error))

    def _finish(self) -> None:
        if self._syncer is not None:
            self._sync_batch(self._syncer)
            self._syncer.finish()
            self._look_at_syncer()
            return
        for folder in sorted(self._folders | {parent(made) for made in self._made}, reverse=True):
            sync_folder(self._root, folder)

    def _make_folder(self, path: bytes) -> None:
        if path not in self._folders:
            self._made += self._root.make_folders(path)
            self._folders.add(path)

    def _fail_file(self, piece: Piece, why: str) -> None:
        if self._file is not None:
            self._file.abandon()
            self._file = None
        self.states[piece.item.number] = CopyState.FAILED
        found = Finding("write-failed", why, piece.item.path, self._target.name)
        self.notices.append(found)

    def _drop(self, why: str) -> None:
        if self.is_silent:
            return  # said already
        self.failure = why
        self._lane.failure = why
        for number in self._unsynced:
            self.states[number] = CopyState.FAILED
        self._unsynced = []
