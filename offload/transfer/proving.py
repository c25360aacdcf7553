"""The proving pass: every drive, and by default the card once more, read past the cache.

It begins after the last byte is down, since a drive that lies about its size overwrites what was
right a minute ago. Each root has a reader of its own; all run at once. The buffers are newly mapped
and of another count, size and phase than the copying pass's, so that a bad memory cell does not
meet the same bytes twice. What a reading says counts only with the evidence that it came from the
device (:mod:`offload.storage.evidence`).
"""

import os
import stat
import threading
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from offload.checksum import COMPARE, digest_of
from offload.errors import reason
from offload.storage.buffers import ALIGNMENT, Buffers, aligned
from offload.storage.evidence import Evidence, Medium, ReadCounter, drop_pages
from offload.storage.extents import fetched_at_least
from offload.storage.reading import ReadFile
from offload.storage.root import Root
from offload.transfer.counters import Lane, Pass
from offload.transfer.hashing import HashingCrew
from offload.transfer.plan import IsStopped
from offload.transfer.results import Marks, is_same_moment
from offload.values.facts import ReadBack
from offload.values.findings import Finding

BUFFER_BYTES = 3 << 20
BUFFER_COUNT = 3
PHASE_BYTES = 5 * ALIGNMENT

SMALL_BYTES = 1 << 20
"""Files up to this size are asked for ahead of time, many at once, and read through pages that
were shown to be empty just before; larger ones are read directly."""

_AHEAD_FILES = 32

CARD = ""
"""Key of the card's own reading; every drive has a name, so none can pass for the card."""

_Opened = tuple[int, ReadFile, bool]
"""Entry number, the file, and whether its pages were gone."""


class Outcome:
    """What one reading says of one file. Values of a byte column.

    Where nothing was expected and the caller compares (``may_share``), ``EQUAL`` is "read whole".
    """

    NOT_READ = 0
    EQUAL = 1
    DIFFERS = 2
    UNREADABLE = 3
    MISSING = 4
    CHANGED = 5
    EQUAL_CACHED = 6
    """Equal, but its pages could not be dropped first."""
    SHARED = 7
    """Has other names (hard links), or is no regular file or folder of its own."""


class Expected(Protocol):
    """Digests to compare with; see :class:`offload.transfer.results.Digests`."""

    def get(self, name: str, number: int, /) -> bytes | None:
        """The digest that a file must have; nothing where it is not known."""
        ...


Take = Callable[[int, Mapping[str, bytes]], None]
"""Given an entry's number and its raw digests by algorithm, once it has been read whole; called in
the reader's thread, one file after the other."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What one root is to be read for.

    Attributes:
        key: :data:`CARD`, or the drive's name.
        root: held descriptor; the pass opens a handle of its own.
        medium: how the reading can be shown to come from the device.
        path_of: the path below the root, for an entry's number.
        numbers: entries to read, in order.
        is_folder: whether an entry is an empty folder, which is looked for and not read.
        is_card: reads patiently, and hard links are the camera's business.
        may_share: a file with several names is read all the same; the caller tells them apart.
        algorithms: further checksums that the one reading of a file has to work out.
        take: told the digests of each file.
    """

    key: str
    root: Root
    medium: Medium
    path_of: Callable[[int], bytes]
    numbers: Sequence[int]
    is_folder: Callable[[int], bool]
    is_card: bool = False
    may_share: bool = False
    algorithms: Callable[[int], Collection[str]] | None = None
    take: Take | None = None


@dataclass(slots=True)
class ReadingResult:
    """What one root's reading found.

    Attributes:
        outcomes: an :class:`Outcome` byte for each entry of the inventory.
        marks: facts of each file at this reading.
        read_back: by what the evidence says of the pass; for files that are ``EQUAL``.
        findings: errors and differences, with their words.
        found: entry number -> digest found, where it is not the one expected or none was.
    """

    outcomes: bytearray
    marks: Marks
    read_back: ReadBack = ReadBack.NONE
    findings: list[Finding] = field(default_factory=list)
    found: dict[int, bytes] = field(default_factory=dict)

    @property
    def differing(self) -> set[int]:
        """Entries whose bytes are not the ones expected."""
        return {number for number in self.found if self.outcomes[number] == Outcome.DIFFERS}


def prove_all(
    readings: Sequence[Reading],
    digests: Expected,
    size_of: Callable[[int], int],
    counters: Pass,
    count: int,
    *,
    read_counter: ReadCounter,
    is_stopped: IsStopped,
) -> dict[str, ReadingResult]:
    """Read every root at once and compare each file with the checksum taken while copying.

    Args:
        readings: one for each root.
        digests: from the copying pass; a file without one is ``NOT_READ``.
        size_of: the size on the card, bytes, by entry number.
        counters: lanes for the card and each drive, totals set.
        count: number of entries of the inventory.
        read_counter: bytes ever read from a block device.
        is_stopped: asked before each block.

    Returns:
        Results by key.
    """
    evidence = Evidence({reading.key: reading.medium for reading in readings}, read_counter)
    evidence.begin()
    counters.begin()
    provers = [
        _Prover(reading, digests, size_of, _lane(counters, reading), count, evidence, is_stopped)
        for reading in readings
    ]
    for prover in provers:
        prover.start()
    for prover in provers:
        prover.join()
    counters.end()
    for prover in provers:
        if prover.error is not None:
            raise prover.error
    by_key = {prover.key: prover for prover in provers}
    judged = evidence.judge(lambda key: by_key[key].least_fetched())
    for prover in provers:
        prover.result.read_back = judged[prover.key]
    return {prover.key: prover.result for prover in provers}


def _lane(counters: Pass, reading: Reading) -> Lane:
    return counters.card if reading.is_card else counters.drives[reading.key]


class _Prover(threading.Thread):
    """Reads one root."""

    def __init__(
        self,
        reading: Reading,
        digests: Expected,
        size_of: Callable[[int], int],
        lane: Lane,
        count: int,
        evidence: Evidence,
        is_stopped: IsStopped,
    ) -> None:
        super().__init__(name=f"proving-{reading.key or 'card'}", daemon=True)
        self.key = reading.key
        self._reading = reading
        self._root = reading.root
        self._digests = digests
        self._size_of = size_of
        self._lane = lane
        self._evidence = evidence
        self._is_stopped = is_stopped
        self.result = ReadingResult(bytearray(count), Marks(count, reading.root.device))
        self.error: Exception | None = None
        self._crew = HashingCrew()
        self._turn = 0
        self._fetched = bytearray(count)
        self._fetched_bytes = 0

    def run(self) -> None:
        try:
            self._root = self._reading.root.again()
        except OSError as error:
            for number in self._reading.numbers:
                self._set(number, Outcome.UNREADABLE, reason(error))
            return
        try:
            with (
                Buffers(BUFFER_COUNT, BUFFER_BYTES, phase_bytes=PHASE_BYTES) as buffers,
                self._crew,
            ):
                self._read_all(buffers)
        except Exception as error:  # noqa: BLE001  # a thread's edge: the pass raises it
            self.error = error
        finally:
            self._root.close()
            self._evidence.fetched(self.key, self._fetched_bytes)

    def least_fetched(self) -> int:
        """How many of the bytes read lie on the device at the least; asks every file."""
        read = (number for number, is_read in enumerate(self._fetched) if is_read)
        files = [(self._reading.path_of(at), self._size_of(at)) for at in read]
        return fetched_at_least(self._reading.root, files, self._fetched_bytes)

    def _read_all(self, buffers: Buffers) -> None:
        ahead: deque[_Opened] = deque()
        try:
            for number in self._reading.numbers:
                if self._is_stopped():
                    break
                if self._reading.is_folder(number):
                    self._look_at_folder(number)
                    continue
                opened = self._open(number)
                if opened is None:
                    continue
                ahead.append(opened)
                most = _AHEAD_FILES if opened[1].size_bytes <= SMALL_BYTES else 0
                self._read_down_to(most, ahead, buffers)
            self._read_down_to(0, ahead, buffers)
        finally:
            for _, file, _ in ahead:
                file.close()

    def _read_down_to(self, most: int, ahead: deque[_Opened], buffers: Buffers) -> None:
        while len(ahead) > most and not self._is_stopped():
            number, file, is_gone = ahead.popleft()
            self._turn = (self._turn + 1) % BUFFER_COUNT
            views = buffers.views[self._turn :] + buffers.views[: self._turn]
            try:
                self._read(number, file, is_gone, views)
            finally:
                file.close()

    def _open(self, number: int) -> _Opened | None:
        """Open a file, empty its pages and, when it is small, ask for it ahead of time."""
        size = self._size_of(number)
        is_small = size <= SMALL_BYTES
        try:
            file = ReadFile(self._root, self._reading.path_of(number), direct=not is_small)
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
        is_gone = drop_pages(file.fd, size)
        if is_small:
            file.ask_ahead()
        return number, file, is_gone

    def _when_other_size(self) -> int:
        return Outcome.CHANGED if self._reading.is_card else Outcome.DIFFERS

    def _read(
        self, number: int, file: ReadFile, is_gone: bool, views: Sequence[memoryview]
    ) -> None:
        offset = 0
        try:
            offset, digests = self._hashed(number, file, views)
            is_still = is_same_moment(file.facts, os.fstat(file.fd))
        except OSError as error:
            self._set(number, Outcome.UNREADABLE, reason(error))
            return
        if digests is None:
            return
        self._fetched[number] = 1
        if offset != file.size_bytes or not is_still:
            self._set(number, Outcome.CHANGED, "it changed while it was read")
            return
        self._judge(number, file, digests, is_gone)

    def _hashed(
        self, number: int, file: ReadFile, views: Sequence[memoryview]
    ) -> tuple[int, Mapping[str, bytes] | None]:
        """Read to the end: how many bytes there were, and their digests unless it was stopped."""
        names = self._algorithms(number)
        if len(names) == 1 and file.size_bytes <= len(views[0]):
            # A small file is one block: no running checksum has to be made for it.
            count = self._fill(file, views[0], 0)
            return count, {COMPARE: digest_of(COMPARE, views[0][:count])}
        hashing = self._crew.begin(names, is_large=file.size_bytes > SMALL_BYTES)
        offset = turn = 0
        while offset < file.size_bytes:
            if self._is_stopped():
                return offset, None
            view = views[turn % hashing.blocks_held]
            turn += 1
            count = self._fill(file, view, offset)
            if not count:
                break
            hashing.update(view[:count])
            offset += count
        return offset, hashing.digests()

    def _algorithms(self, number: int) -> tuple[str, ...]:
        further = self._reading.algorithms(number) if self._reading.algorithms else ()
        return (COMPARE, *further)

    def _fill(self, file: ReadFile, view: memoryview, offset: int) -> int:
        length = min(len(view), file.size_bytes - offset)
        if not length:
            return 0
        read = file.read_patiently if self._reading.is_card else file.read_into
        count = min(read(view[: aligned(length)], offset), length)
        self._lane.moved(count)
        self._fetched_bytes += count
        return count

    def _judge(
        self, number: int, file: ReadFile, digests: Mapping[str, bytes], is_gone: bool
    ) -> None:
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
        self.result.marks.put(number, file.facts)
        if expected is not None or self._reading.may_share:
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
        code = _CODES[outcome]
        path = self._reading.path_of(number)
        self.result.findings.append(Finding(code, text, path, drive))


_CODES = {
    Outcome.DIFFERS: "differs",
    Outcome.UNREADABLE: "unreadable",
    Outcome.MISSING: "missing",
    Outcome.CHANGED: "changed",
    Outcome.SHARED: "not-a-file-of-its-own",
}
