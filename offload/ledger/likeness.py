"""Which entries of two listings look the same: path, size, and time as far as times can be trusted.

Looking the same proves nothing; it says what is worth comparing.
"""

from collections.abc import Iterator

from offload.values.entries import Entries

_LONGEST_RUN = 4096
_QUARTER_HOUR_NS = 900 * 10**9
_GRANULARITY_NS = 2 * 10**9


def is_same_time(one_ns: int, other_ns: int) -> bool:
    """Whether two modification times differ by no more than driver and summer time make."""
    apart = abs(one_ns - other_ns) % _QUARTER_HOUR_NS
    return min(apart, _QUARTER_HOUR_NS - apart) <= _GRANULARITY_NS


def alike(now: Entries, before: Entries) -> Iterator[tuple[int, int]]:
    """Numbers of the entries of two listings with one path, one size and one time, in order."""
    if now == before:
        yield from zip(range(len(now)), range(len(now)), strict=True)
        return
    # Both are sorted by path, so one walk through both finds all pairs.
    then = 0
    for at in range(len(now)):
        path = now.path(at)
        while then < len(before) and before.path(then) < path:
            then += 1
        if then == len(before):
            return
        if before.path(then) != path or before.size_bytes(then) != now.size_bytes(at):
            continue
        if is_same_time(now.mtime_ns(at), before.mtime_ns(then)):
            yield at, then


def runs(pairs: Iterator[tuple[int, int]]) -> Iterator[tuple[int, int, int]]:
    """Pairs that follow each other on both sides, as first pair and length."""
    start, length = (0, 0), 0
    for pair in pairs:
        if length and pair == (start[0] + length, start[1] + length) and length < _LONGEST_RUN:
            length += 1
            continue
        if length:
            yield *start, length
        start, length = pair, 1
    if length:
        yield *start, length
