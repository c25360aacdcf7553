"""The copying pass: each file of the card is read once, and all drives are written at once.

Bytes come off the card into this process, are checksummed here and written from here; no shortcut
of the system copies them where they could not be seen. A read error is tried again in smaller
pieces. A file that cannot be read whole, or whose size or times move while it is read, leaves
nothing under its name on any drive; the others go on.
"""

import errno
import os
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from offload.checksum import COMPARE
from offload.errors import reason
from offload.storage.buffers import aligned
from offload.storage.evidence import drop_pages, forget_pages
from offload.storage.reading import ReadFile
from offload.storage.root import Root
from offload.transfer.counters import Pass
from offload.transfer.drive_writer import DriveWriter
from offload.transfer.plan import IsStopped, Item, Target
from offload.transfer.results import Digests, Marks, ZeroRuns, is_same_moment
from offload.transfer.ring import Piece, Ring, Slot
from offload.transfer.taps import ChecksumTap
from offload.values.facts import CardState, CopyState
from offload.values.findings import Finding

BUFFER_BYTES = 4 << 20
BUFFER_COUNT = 8

SMALL_BYTES = 1 << 20
"""Files up to this size are asked for ahead of time, many at once, and read through pages that
were dropped just before; larger ones are read directly."""

_AHEAD_FILES = 32

_GONE = frozenset(
    {errno.ENODEV, errno.ENXIO, errno.ESTALE, errno.ENOTCONN, errno.ESHUTDOWN, errno.ENOMEDIUM}
)


NoteRead = Callable[[int, int], None]


def _note_nothing(number: int, size_bytes: int) -> None:
    """Nobody keeps books."""


@dataclass(slots=True)
class CopyingResult:
    """What the copying pass found; columns over the entries of the inventory.

    Attributes:
        digests: of what was read whole from the card.
        card_states: ``NOT_READ``, ``READ_EQUAL`` (once), ``CACHED``, ``UNREADABLE`` or ``CHANGED``.
        card_marks: facts of each file at this reading.
        drive_states: by drive name: ``ABSENT``, ``WRITTEN`` or ``FAILED``.
        failures: drive name -> why it was dropped.
        zero_runs: zero blocks met in the bytes.
        findings: what else there is to say.
        is_card_gone: the card vanished.
        is_stopped: the user wanted to stop.
    """

    digests: Digests
    card_states: bytearray
    card_marks: Marks
    drive_states: dict[str, bytearray]
    failures: dict[str, str] = field(default_factory=dict)
    zero_runs: ZeroRuns = field(default_factory=ZeroRuns)
    findings: list[Finding] = field(default_factory=list)
    is_card_gone: bool = False
    is_stopped: bool = False


@dataclass(frozen=True, slots=True)
class Drive:
    """A target and the held root it lies below."""

    target: Target
    root: Root


def copy_all(
    card: Root,
    drives: Sequence[Drive],
    items: Iterable[Item],
    result: CopyingResult,
    counters: Pass,
    *,
    is_stopped: IsStopped,
    is_card_present: Callable[[], bool],
    is_only_reading: bool = False,
    note_read: NoteRead = _note_nothing,
) -> None:
    """Copy ``items`` from the card to every drive that misses them.

    Args:
        card: the card's held root.
        drives: in the run's order, which :attr:`Item.missing_on` counts.
        items: what to read; also what is only to be read for its checksums.
        result: is filled in place, so that what was done before an interrupt is kept.
        counters: lanes for the card and each drive, totals set.
        is_stopped: asked before each block.
        is_card_present: asked after a read error that retries did not cure.
        is_only_reading: the card is not read again: a file whose pages could not be shown to be
            gone before is then ``CACHED``.
        note_read: told number and size of each file that was read whole, by this thread.
    """
    names = result.digests.names
    with Ring(BUFFER_COUNT, BUFFER_BYTES, len(names) + len(drives)) as ring:
        taps = [
            ChecksumTap(
                name, ring, queue, result.digests, result.zero_runs if name == COMPARE else None
            )
            for name, queue in zip(names, ring.queues, strict=False)
        ]
        writers = [
            DriveWriter(
                bit,
                drive.target,
                drive.root,
                ring,
                queue,
                result.drive_states[drive.target.name],
                counters.drives[drive.target.name],
            )
            for bit, (drive, queue) in enumerate(
                zip(drives, ring.queues[len(names) :], strict=True)
            )
        ]
        counters.begin()
        for thread in (*taps, *writers):
            thread.start()
        reader = _CardReader(card, ring, result, counters, is_stopped, is_card_present)
        reader.note_read = note_read
        reader.is_only_reading = is_only_reading
        try:
            reader.read_all(items)
        finally:
            ring.end()
            for thread in (*taps, *writers):
                thread.join()
            counters.card.wait_s += ring.waited_s
            counters.end()
    _gather(result, writers)
    for tap in taps:
        if tap.error is not None:
            raise tap.error


def _gather(result: CopyingResult, writers: Sequence[DriveWriter]) -> None:
    for writer in writers:
        result.findings += writer.notices
        if writer.failure:
            name = writer.name.removeprefix("drive-")
            result.failures[name] = writer.failure


_Opened = tuple[Item, ReadFile, CardState]
"""A file of the card, and the state it will have once it is read whole."""


class _CardReader:
    """Fills the ring from the card, in the order given."""

    def __init__(
        self,
        card: Root,
        ring: Ring,
        result: CopyingResult,
        counters: Pass,
        is_stopped: IsStopped,
        is_card_present: Callable[[], bool],
    ) -> None:
        self._card = card
        self.is_only_reading = False
        self.note_read: NoteRead = _note_nothing
        self._ring = ring
        self._result = result
        self._lane = counters.card
        self._is_stopped = is_stopped
        self._is_card_present = is_card_present
        self._slot: Slot = ring.take()

    def read_all(self, items: Iterable[Item]) -> None:
        ahead: deque[_Opened] = deque()
        try:
            for item in items:
                if self._is_ended():
                    break
                if item.is_folder:
                    self._add_folder(item)
                    continue
                opened = self._open(item)
                if opened is not None:
                    ahead.append(opened)
                    most = _AHEAD_FILES if item.size_bytes <= SMALL_BYTES else 0
                    self._read_down_to(most, ahead)
            self._read_down_to(0, ahead)
        finally:
            for _, file, _ in ahead:
                file.close()
        self._ring.publish(self._slot)

    def _read_down_to(self, most: int, ahead: deque[_Opened]) -> None:
        while len(ahead) > most and not self._is_ended():
            item, file, state = ahead.popleft()
            try:
                self._read_open(item, file, state)
            finally:
                file.close()

    def _is_ended(self) -> bool:
        if not self._result.is_card_gone and self._is_stopped():
            self._result.is_stopped = True
        return self._result.is_card_gone or self._result.is_stopped

    def _add_folder(self, item: Item) -> None:
        self._slot.add(Piece(item, 0, self._slot.used, 0, True, True))
        self._result.card_states[item.number] = CardState.READ_EQUAL

    def _open(self, item: Item) -> _Opened | None:
        """Open a file, drop its pages and, when it is small, ask for it ahead of time."""
        is_small = item.size_bytes <= SMALL_BYTES
        try:
            file = ReadFile(self._card, item.path, direct=not is_small)
        except OSError as error:
            self._note_unreadable(item, error)
            return None
        if file.size_bytes != item.size_bytes or file.facts.st_mtime_ns != item.mtime_ns:
            file.close()
            self._note_changed(item)
            return None
        state = self._drop_pages(file)
        if is_small:
            file.ask_ahead()
        return item, file, state

    def _drop_pages(self, file: ReadFile) -> CardState:
        if not self.is_only_reading:
            forget_pages(file.fd)
            return CardState.READ_EQUAL
        is_gone = drop_pages(file.fd, file.size_bytes)
        return CardState.READ_EQUAL if is_gone else CardState.CACHED

    def _read_open(self, item: Item, file: ReadFile, state: CardState) -> None:
        if aligned(item.size_bytes) > self._slot.room:
            self._next_slot()
        offset = 0
        while True:
            piece = self._read_piece(item, file, offset)
            if piece is None:
                return
            if piece.is_last:
                break
            offset += piece.length
            self._next_slot()
        self._result.card_states[item.number] = state
        self._result.card_marks.put(item.number, file.facts)
        self._lane.done_files += 1
        self.note_read(item.number, item.size_bytes)

    def _read_piece(self, item: Item, file: ReadFile, offset: int) -> Piece | None:
        """Read one stretch into the slot; nothing when the file ended void."""
        slot = self._slot
        length = min(slot.room, item.size_bytes - offset)
        piece = Piece(item, offset, slot.used, length, offset == 0, False)
        if self._is_stopped():
            self._result.is_stopped = True
            self._void(piece)
            return None
        try:
            count = self._fill(file, piece) if length else 0
            piece.is_last = offset + count >= item.size_bytes
            is_whole = count == length
            is_still = not piece.is_last or is_same_moment(file.facts, _facts_now(file))
        except OSError as error:
            self._void(piece)
            self._note_unreadable(item, error)
            return None
        if not is_whole or not is_still:
            self._void(piece)
            self._note_changed(item)
            return None
        slot.add(piece)
        self._lane.moved(count)
        return piece

    def _fill(self, file: ReadFile, piece: Piece) -> int:
        # Direct reads want whole blocks; the file's end cuts the last one short by itself.
        view = self._slot.view[piece.start : piece.start + aligned(piece.length)]
        return min(file.read_patiently(view, piece.offset), piece.length)

    def _void(self, piece: Piece) -> None:
        """End a file that has begun, so that every consumer throws its part away."""
        if piece.offset:
            piece.length = 0
            piece.is_last = piece.is_void = True
            self._slot.add(piece)

    def _next_slot(self) -> None:
        self._ring.publish(self._slot)
        self._slot = self._ring.take()

    def _note_unreadable(self, item: Item, error: OSError) -> None:
        self._result.card_states[item.number] = CardState.UNREADABLE
        self._result.findings.append(Finding("unreadable-on-card", reason(error), item.path))
        if error.errno in _GONE or not self._is_card_present():
            self._result.card_states[item.number] = CardState.NOT_READ
            self._result.is_card_gone = True

    def _note_changed(self, item: Item) -> None:
        self._result.card_states[item.number] = CardState.CHANGED
        text = "its size or times are not what they were a moment ago"
        self._result.findings.append(Finding("changed-on-card", text, item.path))


def _facts_now(file: ReadFile) -> os.stat_result:
    return os.fstat(file.fd)


def new_result(
    names: Iterable[str], count: int, card: Root, drives: Iterable[str]
) -> CopyingResult:
    """Empty columns for ``count`` entries; :data:`COMPARE` is always among the checksums."""
    algorithms = dict.fromkeys((COMPARE, *names))
    return CopyingResult(
        Digests(algorithms, count),
        bytearray(count),
        Marks(count, card.device),
        {name: bytearray([CopyState.ABSENT]) * count for name in drives},
    )
