"""Putting packed rows in the order of their keys, where they come in runs that are in order.

A walk gives its files folder by folder, each in order. Runs are merged by whole stretches, cut
where another run begins: a million frames in a thousand folders are a thousand stretches, and no
object is made for any of them.
"""

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from heapq import heapify, heappop, heapreplace

_LEAST_MEAN = 8
"""Rows of a run on average, below which sorting them one by one is quicker."""

Stretch = tuple[int, int]
"""Begin and end of rows that stay together."""


def in_order(count: int, starts: "array[int]", key: Callable[[int], bytes]) -> list[Stretch]:
    """The stretches of rows in the order of their keys; rows of one key stay as they came.

    Args:
        count: of rows.
        starts: where each run begins, the first at 0; within it no key is less than the one before.
        key: of a row.
    """
    if len(starts) < 2:
        return [(0, count)] if count else []
    if count < _LEAST_MEAN * len(starts):
        return [(at, at + 1) for at in sorted(range(count), key=key)]
    ends = [*starts[1:], count]
    waiting = [(key(start), start, end) for start, end in zip(starts, ends, strict=True)]
    heapify(waiting)
    found: list[Stretch] = []
    while len(waiting) > 1:
        _, start, end = waiting[0]
        limit, other, _ = min(waiting[1:3])
        rows = range(start, end)
        # Of equal keys the row that came first goes first.
        cut = bisect_right if start < other else bisect_left
        until = start + cut(rows, limit, key=key)
        found.append((start, until))
        if until < end:
            heapreplace(waiting, (key(until), until, end))
        else:
            heappop(waiting)
    found += [(start, end) for _, start, end in waiting]
    return found
