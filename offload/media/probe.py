"""The pool of workers that look into clips, beside the copying and never in the daemon itself.

A clip is handed over as an open descriptor, so that no name is ever taken for an address. A worker
that dies, hangs or answers nonsense is replaced, its clip is reported as "could not be checked"
with the reason, and the others go on. A clip on which an older worker dies is tried once more in a
fresh one: the death may belong to the clip before it.
"""

import fcntl
import os
import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from offload.errors import reason
from offload.media.look_request import FORMATS, Depth, LookRequest
from offload.media.wire import WireError, read_reply, request_line
from offload.media.worker_process import WorkerGoneError, WorkerProcess
from offload.values.clips import ClipCode, ClipFacts, ClipFinding, Usable, Weight
from offload.values.probed import Probed

WORKERS = 2
TIMEOUT_S = 30.0
_QUICK_BYTES_PER_S = 256 * 1024 * 1024
"""Quick looks read little, but a large file's tables take longer to load."""
_FULL_BYTES_PER_S = 4 * 1024 * 1024
"""The slowest decoding we wait for: a tenth of what was measured."""
_MAX_CLIPS = 500
"""Clips after which a worker is replaced, so that no leak of the library grows for a day."""


@dataclass(frozen=True, slots=True)
class ProbeRequest:
    """One file to look into.

    Attributes:
        path: for the findings; never opened.
        open_file: gives a descriptor open for reading only, which the pool closes. Called in one of
            the pool's threads, when its turn has come.
        look: what is asked.
    """

    path: bytes
    open_file: Callable[[], int]
    look: LookRequest


class ProbePool:
    """Warm workers, and a queue before them. Close it: afterwards nothing is left open or running.

    Args:
        workers: processes at the same time.
        timeout_s: seconds by the wall clock for a small file; more for larger ones.
        command: what to run in place of the worker, for tests.
    """

    def __init__(
        self,
        workers: int = WORKERS,
        *,
        timeout_s: float = TIMEOUT_S,
        command: Sequence[str] | None = None,
    ) -> None:
        self._timeout_s = timeout_s
        self._is_closed = threading.Event()
        self._threads = ThreadPoolExecutor(workers, thread_name_prefix="probe")
        self._seats = [_Seat(self._is_closed, command) for _ in range(workers)]
        # The seat used last is warm: its memory is in the caches.
        self._free: queue.LifoQueue[_Seat] = queue.LifoQueue()
        for seat in self._seats:
            self._free.put(seat)

    def submit(self, request: ProbeRequest) -> Future[Probed]:
        """Queue one file. Whatever is wrong with the clip is in the result, never an error.

        Raises:
            RuntimeError: the pool is closed.
        """
        return self._threads.submit(self._probe, request)

    def probe(self, request: ProbeRequest) -> Probed:
        """Look into one file, and wait."""
        return self.submit(request).result()

    def pids(self) -> tuple[int, ...]:
        """Process ids of the workers that run now."""
        return tuple(worker.pid for seat in self._seats if (worker := seat.worker))

    def close(self) -> None:
        """End all workers and threads. Clips in hand are reported as not checked, those that wait
        in the queue are cancelled."""
        self._is_closed.set()
        self._threads.shutdown(wait=False, cancel_futures=True)
        for seat in self._seats:
            seat.kill()
        self._threads.shutdown(wait=True)
        for seat in self._seats:
            seat.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _probe(self, request: ProbeRequest) -> Probed:
        if request.look.container not in FORMATS:
            return _opaque(request)
        try:
            descriptor = request.open_file()
        except OSError as error:
            return _unchecked(request, f"it could not be opened: {reason(error)}")
        try:
            time_s = self._time_s(request.look, _size_bytes(descriptor))
            seat = self._free.get()
            try:
                return _ask(seat, request, descriptor, time_s)
            finally:
                self._free.put(seat)
        finally:
            os.close(descriptor)

    def _time_s(self, look: LookRequest, size_bytes: int) -> float:
        is_full = look.depth is Depth.FULL
        return self._timeout_s + size_bytes / (_FULL_BYTES_PER_S if is_full else _QUICK_BYTES_PER_S)


class _Seat:
    """A place for one worker; only who holds it asks."""

    def __init__(self, is_closed: threading.Event, command: Sequence[str] | None) -> None:
        self._is_closed = is_closed
        self._command = command
        self.worker: WorkerProcess | None = None

    @property
    def is_used(self) -> bool:
        """Whether its worker has looked into a clip before."""
        return self.worker is not None and self.worker.asked > 0

    def ask(self, line: bytes, descriptor: int, timeout_s: float) -> bytes:
        """One answer, from a worker that is started if need be.

        Raises:
            WorkerGoneError: there was none; the seat is empty again.
        """
        try:
            if self.worker is None:
                self.worker = WorkerProcess(self._command)
            if self._is_closed.is_set():
                raise WorkerGoneError("the check was stopped")
            return self.worker.ask(line, descriptor, timeout_s)
        except WorkerGoneError:
            self.clear()
            raise

    def kill(self) -> None:
        """End the worker under whoever waits for it."""
        if worker := self.worker:
            worker.kill()

    def clear(self) -> None:
        """End the worker; the next clip gets another."""
        if self.worker is not None:
            self.worker.stop()
            self.worker = None


def _ask(seat: _Seat, request: ProbeRequest, descriptor: int, time_s: float) -> Probed:
    line = request_line(request.look, time_s)
    is_used = seat.is_used
    try:
        answer = seat.ask(line, descriptor, time_s)
    except WorkerGoneError as error:
        if error.is_timeout or not is_used:
            return _unchecked(request, str(error))
        try:
            answer = seat.ask(line, descriptor, time_s)
        except WorkerGoneError as again:
            return _unchecked(request, str(again))
    return _read(seat, request, answer)


def _read(seat: _Seat, request: ProbeRequest, answer: bytes) -> Probed:
    try:
        found = read_reply(answer, request.path)
    except WireError:
        found = "the check gave no answer that makes sense"
    if isinstance(found, str):
        seat.clear()
        return _unchecked(request, found)
    if seat.worker is not None and seat.worker.asked >= _MAX_CLIPS:
        seat.clear()
    return found


def _unchecked(request: ProbeRequest, why: str) -> Probed:
    finding = ClipFinding(
        ClipCode.UNCHECKED, f"could not be checked: {why}", request.path, check="probe"
    )
    return Probed(
        facts=ClipFacts(container=request.look.container),
        usable=Usable.UNKNOWN,
        findings=(finding,),
    )


def _opaque(request: ProbeRequest) -> Probed:
    text = "we cannot look inside: a form of file that is not known here"
    finding = ClipFinding(
        ClipCode.OPAQUE, text, request.path, weight=Weight.NOTICE, check="container"
    )
    return Probed(findings=(finding,))


def _size_bytes(descriptor: int) -> int:
    if fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE != os.O_RDONLY:
        raise RuntimeError("a clip is handed over open for reading only")
    return os.fstat(descriptor).st_size
