"""Filling the ring from the card, in the order given, with the next reads already under way.

A file is asked for in stretches, each with its own place in a slot, and the answers are taken in
the order of the asking. A slot is handed on when the last stretch in it has been taken.
"""

import errno
import os
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from offload.errors import reason
from offload.storage.asking import Asked, Asking
from offload.storage.buffers import aligned
from offload.storage.evidence import drop_pages, forget_pages
from offload.storage.reading import ReadFile
from offload.storage.root import Root
from offload.transfer.counters import Lane
from offload.transfer.plan import IsStopped, Item
from offload.transfer.results import CopyingResult, is_same_moment
from offload.transfer.ring import Piece, Ring, Slot
from offload.values.facts import CardState
from offload.values.findings import Finding

_AHEAD_STRETCHES = 48
_AHEAD_SLOTS = 3

_GONE = frozenset(
    {errno.ENODEV, errno.ENXIO, errno.ESTALE, errno.ENOTCONN, errno.ESHUTDOWN, errno.ENOMEDIUM}
)

NoteRead = Callable[[int, int], None]
"""Told number and size of each file that was read whole, by the reader's thread."""


@dataclass(slots=True)
class _Opened:
    """A file of the card.

    Attributes:
        item: what it is.
        file: open.
        state: the one it will have once it is read whole.
        under_way: stretches of it that were asked for and not taken.
        is_ended: nothing more of it is wanted.
    """

    item: Item
    file: ReadFile
    state: CardState
    under_way: int = 0
    is_ended: bool = False


@dataclass(slots=True)
class _Stretch:
    """What was asked for, and where it goes."""

    opened: _Opened
    slot: Slot
    piece: Piece
    asked: Asked


class CardReader:
    """Reads the card once; one thread's.

    Args:
        card: the held root.
        ring: what is filled.
        result: digests apart, all of it is this object's to fill.
        lane: the card's counters.
        is_stopped: asked before each block.
        is_card_present: asked after a read error that retries did not cure.
        is_only_reading: a file whose pages could not be shown to be gone is then ``CACHED``.
        note_read: see there.
    """

    def __init__(
        self,
        card: Root,
        ring: Ring,
        result: CopyingResult,
        lane: Lane,
        *,
        is_stopped: IsStopped,
        is_card_present: Callable[[], bool],
        is_only_reading: bool,
        note_read: NoteRead,
    ) -> None:
        self._card = card
        self._ring = ring
        self._result = result
        self._lane = lane
        self._is_stopped = is_stopped
        self._is_card_present = is_card_present
        self._is_only_reading = is_only_reading
        self._note_read = note_read
        self._stretches: deque[_Stretch] = deque()
        self._slots: deque[Slot] = deque([ring.take()])

    def read_all(self, items: Iterable[Item]) -> None:
        """Read every item whole, or say in the result why not."""
        with Asking() as self._asking:
            try:
                for item in items:
                    if self._is_ended():
                        break
                    if item.is_folder:
                        self._add_folder(item)
                    elif (opened := self._open(item)) is not None:
                        self._ask_for(opened)
                while self._stretches:
                    self._take_oldest()
            finally:
                # What is under way has a buffer that may not be given back before.
                while self._stretches:
                    self._give_up(self._stretches.popleft())
        self._hand_on()

    def _is_ended(self) -> bool:
        if not self._result.is_card_gone and self._is_stopped():
            self._result.is_stopped = True
        return self._result.is_card_gone or self._result.is_stopped

    def _add_folder(self, item: Item) -> None:
        slot = self._slots[-1]
        slot.pieces.append(Piece(item, 0, slot.used, 0, True, True))
        self._result.card_states[item.number] = CardState.READ_EQUAL

    # --- asking ---

    def _open(self, item: Item) -> _Opened | None:
        """Open a file as it was listed, its pages dropped where that matters."""
        try:
            file = ReadFile(self._card, item.path)
        except OSError as error:
            self._note_unreadable(item, error)
            return None
        if file.size_bytes != item.size_bytes or file.facts.st_mtime_ns != item.mtime_ns:
            file.close()
            self._note_changed(item)
            return None
        return _Opened(item, file, self._drop_pages(file))

    def _drop_pages(self, file: ReadFile) -> CardState:
        if not self._is_only_reading:
            # Nothing rests on this reading alone; a direct one passes the pages by in any case.
            if not file.is_direct:
                forget_pages(file.fd)
            return CardState.READ_EQUAL
        is_gone = drop_pages(file.fd, file.size_bytes)
        return CardState.READ_EQUAL if is_gone else CardState.CACHED

    def _ask_for(self, opened: _Opened) -> None:
        item = opened.item
        if aligned(item.size_bytes) > self._slots[-1].room:
            self._begin_slot()
        offset = 0
        while not opened.is_ended:
            slot = self._slots[-1]
            length = min(slot.room, item.size_bytes - offset)
            is_last = offset + length >= item.size_bytes
            piece = Piece(item, offset, slot.reserve(length), length, offset == 0, is_last)
            asked = self._asking.ask(opened.file, slot.window_of(piece), offset, length)
            slot.under_way += 1
            opened.under_way += 1
            self._stretches.append(_Stretch(opened, slot, piece, asked))
            if len(self._stretches) > _AHEAD_STRETCHES:
                self._take_oldest()
            if is_last:
                return
            offset += length
            self._begin_slot()

    def _begin_slot(self) -> None:
        while self._stretches and (len(self._slots) >= _AHEAD_SLOTS or not self._ring.has_free):
            self._take_oldest()
        self._hand_on()
        self._slots.append(self._ring.take())

    # --- taking ---

    def _take_oldest(self) -> None:
        stretch = self._stretches.popleft()
        opened = stretch.opened
        if opened.is_ended:
            self._give_up(stretch)
            return
        try:
            self._take(stretch)
        finally:
            self._settle(stretch)

    def _take(self, stretch: _Stretch) -> None:
        opened, piece = stretch.opened, stretch.piece
        if self._is_ended():
            self._void(stretch)
            return
        try:
            count = self._asking.take(stretch.asked, patiently=True)
            is_still = not piece.is_last or is_same_moment(
                opened.file.facts, os.fstat(opened.file.fd)
            )
        except OSError as error:
            self._void(stretch)
            self._note_unreadable(piece.item, error)
            return
        if count != piece.length or not is_still:
            self._void(stretch)
            self._note_changed(piece.item)
            return
        stretch.slot.pieces.append(piece)
        self._lane.moved(count)
        if piece.is_last:
            self._end(opened)

    def _end(self, opened: _Opened) -> None:
        item = opened.item
        opened.is_ended = True
        self._result.card_states[item.number] = opened.state
        self._result.card_marks.put(item.number, opened.file.facts)
        self._lane.done_files += 1
        self._note_read(item.number, item.size_bytes)

    def _void(self, stretch: _Stretch) -> None:
        """End a file, so that every consumer throws away its part of one that has begun."""
        stretch.opened.is_ended = True
        self._asking.give_up(stretch.asked)
        piece = stretch.piece
        if piece.offset:
            piece.length = 0
            piece.is_last = piece.is_void = True
            stretch.slot.pieces.append(piece)

    def _give_up(self, stretch: _Stretch) -> None:
        stretch.opened.is_ended = True
        self._asking.give_up(stretch.asked)
        self._settle(stretch)

    def _settle(self, stretch: _Stretch) -> None:
        """The stretch is done with: close the file at its last one, hand filled slots on."""
        opened = stretch.opened
        opened.under_way -= 1
        if opened.is_ended and not opened.under_way:
            opened.file.close()
        stretch.slot.under_way -= 1
        if stretch.slot is not self._slots[-1]:
            self._hand_on()

    def _hand_on(self) -> None:
        """Give the consumers every slot that nothing is under way into, in order."""
        while self._slots and not self._slots[0].under_way:
            self._ring.publish(self._slots.popleft())

    # --- what went wrong ---

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
