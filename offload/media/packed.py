"""Tables of big-endian numbers as packed arrays: a million entries in a few megabytes."""

import sys
from array import array


def numbers(size_bytes: int, data: bytes | memoryview) -> "array[int]":
    """The unsigned numbers of 1, 2, 4 or 8 bytes in ``data``, whose length is a multiple of it."""
    values = array({1: "B", 2: "H", 4: "I", 8: "Q"}[size_bytes])
    values.frombytes(data)
    if sys.byteorder == "little":
        values.byteswap()
    return values


def number(data: bytes | memoryview, at: int, size_bytes: int) -> int:
    """One unsigned number at ``at``; 0 where the data ends before."""
    part = data[at : at + size_bytes]
    return int.from_bytes(part, "big") if len(part) == size_bytes else 0
