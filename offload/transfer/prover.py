"""Reading one root back: a thread that keeps its device busy and checksums what comes.

Files are asked for in stretches, many under way at once, and the answers are taken in the order of
the asking. Buffers are filled in turn.
"""

import os
import stat
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from offload.checksum import COMPARE, digest_of
from offload.errors import reason
from offload.storage.asking import Asked, Asking
from offload.storage.buffers import ALIGNMENT, Buffers, Window, aligned
from offload.storage.evidence import Evidence, drop_pages
from offload.storage.extents import fetched_at_least
from offload.storage.reading import ReadFile
from offload.transfer.counters import Lane
from offload.transfer.hashing import Hashing, HashingCrew
from offload.transfer.plan import IsStopped
from offload.transfer.readings import Expected, Outcome, Reading, ReadingResult
from offload.transfer.results import Marks, is_same_moment
from offload.transfer.taps import note_zeros
from offload.values.findings import Finding

BUFFER_COUNT = 4
PHASE_BYTES = 5 * ALIGNMENT

_AHEAD_STRETCHES = 48
_LARGE_BYTES = 1 << 20
"""From this size on, handing blocks to other threads for their checksums is worth the while."""

_CODES = {
    Outcome.DIFFERS: "differs",
    Outcome.UNREADABLE: "unreadable",
    Outcome.MISSING: "missing",
    Outcome.CHANGED: "changed",
    Outcome.SHARED: "not-a-file-of-its-own",
}


@dataclass(slots=True)
class _Buffer:
    """One buffer.

    Attributes:
        window: all of it.
        used: bytes that are taken, aligned.
        users: stretches and checksums that still need what is in it.
    """

    window: Window
    used: int = 0
    users: int = 0

    @property
    def room(self) -> int:
        return len(self.window.view) - self.used


@dataclass(slots=True)
class _Opened:
    """A file under way.

    Attributes:
        number: of the entry.
        file: open.
        is_gone: whether its pages were gone before it was read.
        under_way: stretches that were asked for and not taken.
        hashing: its checksums, from the first stretch on; none for what is read in one.
        is_ended: nothing more of it is wanted.
    """

    number: int
    file: ReadFile
    is_gone: bool
    under_way: int = 0
    hashing: Hashing | None = None
    is_ended: bool = False


@dataclass(slots=True)
class _Stretch:
    """What was asked for, and where it goes."""

    opened: _Opened
    buffer: _Buffer
    asked: Asked
    is_last: bool


class Prover(threading.Thread):
    """Reads one root.

    Attributes:
        key: of the reading.
        result: what was found; settled when the thread has ended.
        error: what ended it, if it did not end well; to be raised by who started it.
        silence: what is said of a drive that answers nothing any more; empty while it does.
        hanging: the thread that hangs in a call to it then.
    """

    def __init__(
        self,
        reading: Reading,
        digests: Expected,
        size_of: Callable[[int], int],
        lane: Lane,
        count: int,
        evidence: Evidence,
        is_stopped: IsStopped,
        buffer_bytes: int,
    ) -> None:
        super().__init__(name=f"proving-{reading.key or 'card'}", daemon=True)
        self.key = reading.key
        self._reading = reading
        self._root = reading.root
        self._digests = digests
        self._size_of = size_of
        self._lane = lane
        self._evidence = evidence
        self._is_stop_asked = is_stopped
        self._buffer_bytes = buffer_bytes
        self.result = ReadingResult(bytearray(count), Marks(count, reading.root.device))
        self.error: Exception | None = None
        self.silence = ""
        self.hanging: threading.Thread = self
        self._crew = HashingCrew()
        self._stretches: deque[_Stretch] = deque()
        self._buffers: deque[_Buffer] = deque()
        self._behind: _Buffer | None = None
        self._fetched = bytearray(count)
        self._fetched_bytes = 0

    @property
    def is_silent(self) -> bool:
        """Whether it has been given up."""
        return bool(self.silence)

    @property
    def done_bytes(self) -> int:
        """What it has read."""
        return self._lane.done_bytes

    @property
    def asked_bytes(self) -> int:
        """What it has to read in all: the most that it may have fetched."""
        numbers = self._reading.numbers
        return sum(self._size_of(at) for at in numbers if not self._reading.is_folder(at))

    def _is_ended_early(self) -> bool:
        return self.is_silent or self._is_stop_asked()

    @property
    def reading(self) -> Reading:
        """What was asked for."""
        return self._reading

    def fall_silent(self, why: str) -> None:
        """The drive answers nothing any more: nobody waits for this thread from now on."""
        self.silence = why
        self._lane.failure = why
        self._root.give_up()

    def run(self) -> None:
        began = time.monotonic()
        try:
            self._root = self._reading.root.again()
        except OSError as error:
            for number in self._reading.numbers:
                self._set(number, Outcome.UNREADABLE, reason(error))
            return
        try:
            size = self._buffer_bytes
            with (
                Buffers(BUFFER_COUNT, size, phase_bytes=PHASE_BYTES) as buffers,
                self._crew,
                Asking() as self._asking,
            ):
                self._buffers.extend(_Buffer(window) for window in buffers.windows)
                self._read_all()
        except Exception as error:  # noqa: BLE001  # a thread's edge: the pass raises it
            self.error = error
        finally:
            self._root.close()
            self._lane.work_s += time.monotonic() - began
            self._evidence.fetched(self.key, self._fetched_bytes)

    def least_fetched(self) -> int:
        """How many of the bytes read lie on the device at the least; asks every file."""
        read = (number for number, is_read in enumerate(self._fetched) if is_read)
        files = [(self._reading.path_of(at), self._size_of(at)) for at in read]
        return fetched_at_least(self._reading.root, files, self._fetched_bytes)

    def _read_all(self) -> None:
        try:
            for number in self._reading.numbers:
                if self._is_ended_early():
                    break
                if self._reading.is_folder(number):
                    self._look_at_folder(number)
                elif (opened := self._open(number)) is not None:
                    self._ask_for(opened)
            while self._stretches:
                self._take_oldest()
        finally:
            while self._stretches:
                self._give_up(self._stretches.popleft())

    # --- asking ---

    def _open(self, number: int) -> _Opened | None:
        """Open a file and empty its pages."""
        size = self._size_of(number)
        try:
            file = ReadFile(self._root, self._reading.path_of(number))
        except FileNotFoundError:
            self._set(number, Outcome.MISSING, "it is not there")
            return None
        except OSError as error:
            self._set(number, Outcome.UNREADABLE, reason(error))
            return None
        if file.size_bytes != size:
            self._set(number, self._when_other_size(), "its size is another")
            file.close()
            return None
        if file.facts.st_nlink > 1 and not (self._reading.is_card or self._reading.may_share):
            self._set(number, Outcome.SHARED, "it has another name as well (a hard link)")
            file.close()
            return None
        return _Opened(number, file, drop_pages(file.fd, size))

    def _when_other_size(self) -> int:
        return Outcome.CHANGED if self._reading.is_card else Outcome.DIFFERS

    def _ask_for(self, opened: _Opened) -> None:
        size = opened.file.size_bytes
        if aligned(size) > self._buffers[0].room:
            self._turn()
        offset = 0
        while not opened.is_ended:
            buffer = self._buffers[0]
            length = min(buffer.room, size - offset)
            whole = aligned(length)
            window = buffer.window.part(buffer.used, whole)
            buffer.used += whole
            asked = self._asking.ask(opened.file, window, offset, length)
            buffer.users += 1
            opened.under_way += 1
            offset += length
            is_last = offset >= size
            self._stretches.append(_Stretch(opened, buffer, asked, is_last))
            if len(self._stretches) > _AHEAD_STRETCHES:
                self._take_oldest()
            if is_last:
                return
            self._turn()

    def _turn(self) -> None:
        """Go on with the next buffer, once nobody needs what is in it."""
        self._buffers.rotate(-1)
        buffer = self._buffers[0]
        while buffer.users and self._stretches:
            self._take_oldest()
        buffer.used = 0

    # --- taking ---

    def _take_oldest(self) -> None:
        stretch = self._stretches.popleft()
        opened = stretch.opened
        if opened.is_ended or self._is_ended_early():
            self._give_up(stretch)
            return
        try:
            self._take(stretch)
        except OSError as error:
            self._end(opened)
            self._set(opened.number, Outcome.UNREADABLE, reason(error))
        finally:
            self._settle(stretch)

    def _give_up(self, stretch: _Stretch) -> None:
        self._asking.give_up(stretch.asked)
        self._end(stretch.opened)
        self._settle(stretch)

    def _settle(self, stretch: _Stretch) -> None:
        """The stretch is done with: its part of the buffer is free, and perhaps the file closed."""
        stretch.buffer.users -= 1
        opened = stretch.opened
        opened.under_way -= 1
        if opened.is_ended and not opened.under_way:
            opened.file.close()

    def _take(self, stretch: _Stretch) -> None:
        opened, asked = stretch.opened, stretch.asked
        count = self._asking.take(asked, patiently=self._reading.is_card)
        self._lane.moved(count)
        self._fetched_bytes += count
        block = asked.window.view[:count]
        if self._reading.zero_runs is not None:
            note_zeros(self._reading.zero_runs, opened.number, asked.offset, block)
        digests = self._hashed(stretch, block)
        if not stretch.is_last and count == asked.length:
            return
        is_still = is_same_moment(opened.file.facts, os.fstat(opened.file.fd))
        self._end(opened)
        self._fetched[opened.number] = 1
        if count != asked.length or not is_still:
            self._set(opened.number, Outcome.CHANGED, "it changed while it was read")
            return
        assert digests is not None
        self._judge(opened, digests)

    def _hashed(self, stretch: _Stretch, block: memoryview) -> Mapping[str, bytes] | None:
        """Take a block; at a file's end its digests."""
        opened = stretch.opened
        if opened.hashing is None:
            names = self._algorithms(opened.number)
            if stretch.is_last and len(names) == 1:
                # What is read in one needs no running checksum.
                return {COMPARE: digest_of(COMPARE, block)}
            is_large = opened.file.size_bytes > _LARGE_BYTES
            opened.hashing = self._crew.begin(names, is_large=is_large)
        opened.hashing.update(block)
        # The threads are done with the block before this one.
        self._let_go()
        if opened.hashing.blocks_held > 1:
            self._behind = stretch.buffer
            self._behind.users += 1
        return opened.hashing.digests() if stretch.is_last else None

    def _algorithms(self, number: int) -> tuple[str, ...]:
        further = self._reading.algorithms(number) if self._reading.algorithms else ()
        return (COMPARE, *further)

    def _end(self, opened: _Opened) -> None:
        """Nothing more of this file is wanted, and nobody works on its blocks any more."""
        opened.is_ended = True
        if opened.hashing is not None:
            opened.hashing.digests()
            opened.hashing = None
            self._let_go()

    def _let_go(self) -> None:
        if self._behind is not None:
            self._behind.users -= 1
            self._behind = None

    def _judge(self, opened: _Opened, digests: Mapping[str, bytes]) -> None:
        number = opened.number
        self._lane.done_files += 1
        digest = digests[COMPARE]
        if self._reading.take is not None:
            self._reading.take(number, digests)
        expected = self._digests.get(COMPARE, number)
        if digest != expected:
            self.result.found[number] = digest
        if expected is not None and digest != expected:
            self._set(number, Outcome.DIFFERS, "its bytes are not the ones read from the card")
            return
        self.result.marks.put(number, opened.file.facts)
        if expected is not None or self._reading.may_share:
            is_gone = opened.is_gone
            self.result.outcomes[number] = Outcome.EQUAL if is_gone else Outcome.EQUAL_CACHED

    def _look_at_folder(self, number: int) -> None:
        path = self._reading.path_of(number)
        try:
            facts = self._root.facts(path)
        except OSError as error:
            self._set(number, Outcome.MISSING, reason(error))
            return
        if stat.S_ISDIR(facts.st_mode):
            self.result.outcomes[number] = Outcome.EQUAL
        else:
            self._set(number, Outcome.DIFFERS, "it is not a folder")

    def _set(self, number: int, outcome: int, text: str) -> None:
        self.result.outcomes[number] = outcome
        drive = "" if self._reading.is_card else self.key
        path = self._reading.path_of(number)
        self.result.findings.append(Finding(_CODES[outcome], text, path, drive))


def unanswered(prover: Prover) -> ReadingResult:
    """What is known of a root that was given up: nothing of it was read, whatever was before.

    Its thread may still write into the result that it began.
    """
    reading = prover.reading
    count = len(prover.result.outcomes)
    result = ReadingResult(bytearray(count), Marks(count, reading.root.device))
    for number in reading.numbers:
        result.outcomes[number] = Outcome.UNREADABLE
    result.hanging, result.silence = prover.hanging, prover.silence
    return result
