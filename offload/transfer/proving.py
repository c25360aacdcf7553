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
from offload.transfer.plan import IsStopped
from offload.transfer.prover import BUFFER_COUNT, Prover
from offload.transfer.readings import Expected, Reading, ReadingResult

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


def _buffer_bytes(roots: int) -> int:
    """The size of one buffer: the more roots are read, the smaller, so that memory is the same."""
    size = min(BUFFER_BYTES, MEMORY_BYTES // (max(1, roots) * BUFFER_COUNT))
    return max(LEAST_BUFFER_BYTES, size // ALIGNMENT * ALIGNMENT)


def _lane(counters: Pass, reading: Reading) -> Lane:
    return counters.card if reading.is_card else counters.drives[reading.key]
