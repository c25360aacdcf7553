"""Blocks of zeros are found whatever stretches a file is read in."""

import random

import pytest

from offload.transfer.results import ZeroRuns
from offload.transfer.taps import ZERO_BLOCK, note_zeros

BLOCKS = 40


def _file() -> bytes:
    data = bytearray(random.Random(3).randbytes(BLOCKS * ZERO_BLOCK + 700).replace(b"\0", b"\1"))
    for first, count in ((0, 1), (5, 1), (9, 3), (38, 2)):
        data[first * ZERO_BLOCK : (first + count) * ZERO_BLOCK] = bytes(count * ZERO_BLOCK)
    # Zeros that are no whole block of the file.
    data[20 * ZERO_BLOCK + 4096 : 21 * ZERO_BLOCK - 4096] = bytes(ZERO_BLOCK - 8192)
    return bytes(data)


@pytest.mark.parametrize("stretch", [ZERO_BLOCK, 3 << 20, 1_044_480, 20_480, 4096])
def test_whole_blocks_are_found_in_any_stretches(stretch: int) -> None:
    data, runs = _file(), ZeroRuns()
    for offset in range(0, len(data), stretch):
        note_zeros(runs, 7, offset, memoryview(data)[offset : offset + stretch])
    whole = [
        (at // ZERO_BLOCK, size // ZERO_BLOCK) for at, size in runs.of(7) if size >= ZERO_BLOCK
    ]
    assert whole == [(0, 1), (5, 1), (9, 3), (38, 2)]
