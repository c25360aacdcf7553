"""The proving pass: every drive, and by default the card once more, read past the cache.

It begins after the last byte is down, since a drive that lies about its size overwrites what was
right a minute ago. Each root has a reader of its own; all run at once. The buffers are newly mapped
and of another count, size and phase than the copying pass's, so that a bad memory cell does not
meet the same bytes twice. What a reading says counts only with the evidence that it came from the
device (:mod:`offload.storage.evidence`).
"""

from collections.abc import Callable, Sequence

from offload.storage.buffers import ALIGNMENT
from offload.storage.evidence import Evidence, ReadCounter
from offload.transfer.counters import Lane, Pass
from offload.transfer.listening import Listening, SilenceOf
from offload.transfer.plan import IsStopped
from offload.transfer.prover import BUFFER_COUNT, Prover, unanswered
from offload.transfer.readings import CARD, Expected, Reading, ReadingResult
from offload.volumes.silence import FellSilentError, while_answering

BUFFER_BYTES = 3 << 20
LEAST_BUFFER_BYTES = 1 << 20
MEMORY_BYTES = 36 << 20
"""For the buffers of all roots together, as long as none gets less than the least."""


def prove_all(
    readings: Sequence[Reading],
    digests: Expected,
    size_of: Callable[[int], int],
    counters: Pass,
    count: int,
    *,
    read_counter: ReadCounter,
    is_stopped: IsStopped,
    silence_of: SilenceOf | None = None,
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
        silence_of: listens to a drive that is waited for; of one that is silent nothing has been
            read, and its thread is left behind (``ReadingResult.hanging``). Nothing: drives are
            waited for without end, as the card is in any case.

    Returns:
        Results by key.
    """
    evidence = Evidence({reading.key: reading.medium for reading in readings}, read_counter)
    evidence.begin()
    counters.begin()
    buffer_bytes = _buffer_bytes(len(readings))
    provers = [
        Prover(
            reading,
            digests,
            size_of,
            _lane(counters, reading),
            count,
            evidence,
            is_stopped,
            buffer_bytes,
        )
        for reading in readings
    ]
    for prover in provers:
        prover.start()
    drives = {prover.key: prover for prover in provers if prover.key != CARD}
    Listening(drives, silence_of).wait_for(provers)
    counters.end()
    all_by_key = {prover.key: prover for prover in provers}
    by_key = {prover.key: prover for prover in provers if not prover.is_silent}
    for prover in by_key.values():
        if prover.error is not None:
            raise prover.error

    for prover in provers:
        if prover.is_silent:
            # How much it fetched is not known: what is not shown to be another's may be its own.
            evidence.fetched(prover.key, prover.asked_bytes)

    def least(key: str) -> int:
        prover = all_by_key[key]
        if prover.is_silent:
            return prover.asked_bytes
        if silence_of is None or key == CARD:
            return prover.least_fetched()
        try:
            return while_answering(prover.least_fetched, silence_of(key))
        except FellSilentError as error:
            prover.fall_silent(str(error))
            prover.hanging = error.thread
            return prover.asked_bytes

    judged = evidence.judge(least)
    for key, prover in by_key.items():
        prover.result.read_back = judged[key]
    return {each.key: unanswered(each) if each.is_silent else each.result for each in provers}


def _buffer_bytes(roots: int) -> int:
    """The size of one buffer: the more roots are read, the smaller, so that memory is the same."""
    size = min(BUFFER_BYTES, MEMORY_BYTES // (max(1, roots) * BUFFER_COUNT))
    return max(LEAST_BUFFER_BYTES, size // ALIGNMENT * ALIGNMENT)


def _lane(counters: Pass, reading: Reading) -> Lane:
    return counters.card if reading.is_card else counters.drives[reading.key]
