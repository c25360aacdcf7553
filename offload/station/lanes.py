"""Who may begin: one after another where cards share a reader, side by side where they do not.

Rules:

* First come, first served on each reader: nobody overtakes on a reader that somebody waits for.
* A run that has begun is never stopped for another; a new card waits instead.
* Each drive takes a few runs at once and no more: more would only move its heads about. Their
  shares are even, since each run has one writer a drive and the system serves them in turn.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

MOST_AT_ONCE = 4
"""Runs side by side; each has its own buffers."""

MOST_ON_A_DRIVE = 3


@dataclass(frozen=True, slots=True)
class InLine:
    """One card that waits or is worked on.

    Attributes:
        key: of its mounting.
        readers: what it shares its speed by; empty where nothing is known.
        drives: names of the drives that its run writes to.
    """

    key: str
    readers: frozenset[str]
    drives: frozenset[str]


def may_begin(waiting: Sequence[InLine], working: Iterable[InLine]) -> list[str]:
    """Keys of those that begin now.

    Args:
        waiting: the first come first.
        working: under way.
    """
    busy = list(working)
    taken = frozenset().union(*(each.readers for each in busy))
    loads = Counter(name for each in busy for name in each.drives)
    room = MOST_AT_ONCE - len(busy)
    found: list[str] = []
    for each in waiting:
        is_full = any(loads[name] >= MOST_ON_A_DRIVE for name in each.drives)
        if room > 0 and not is_full and not each.readers & taken:
            found.append(each.key)
            room -= 1
            loads.update(each.drives)
        taken |= each.readers
    return found
