"""Entries of an inventory put together by what is known of them.

A million files share few states, so a verdict is worked out once for each combination of kind,
card state and copy states, and paths are looked up only for those that keep the card.
"""

from array import array
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from offload.values.entries import Kind
from offload.values.facts import CardState, CopyState, Facts
from offload.values.selection import Selection

_UNKNOWN = 255
"""Stands in every place of a column whose length does not fit; no state has this number."""

_CARD_STATES = {state.value: state for state in CardState}
_COPY_STATES = {state.value: state for state in CopyState}

Key = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """All entries of one kind of which exactly the same is known.

    Attributes:
        kind: what they are.
        card: what the readings of the card say; None for a number that means nothing.
        copies: what is known on each drive, in the order of the facts; None likewise.
        count: how many entries.
        key: the combination itself.
    """

    kind: Kind
    card: CardState | None
    copies: tuple[CopyState | None, ...]
    count: int
    key: Key

    @property
    def needs_copies(self) -> bool:
        """Whether bytes or an empty folder have to be on the drives."""
        return self.kind.is_copied


class Groups:
    """The groups of an inventory, and the way back from a group to its paths."""

    __slots__ = ("_columns", "_entries", "all")

    def __init__(self, facts: Facts) -> None:
        self._entries = facts.inventory.entries
        count = len(self._entries)
        columns = [facts.card_states, *(drive.states for drive in facts.drives)]
        self._columns = (self._entries.kinds, *(_fitted(each, count) for each in columns))
        keys = Counter(zip(*self._columns, strict=True))
        self.all = tuple(_group(key, keys[key]) for key in sorted(keys))

    def paths(self, groups: Iterable[Group]) -> Selection:
        """Paths of all entries of these groups, in the order of the inventory."""
        keys = {group.key for group in groups}
        found = array("Q")
        if keys:
            rows = enumerate(zip(*self._columns, strict=True))
            found.extend(number for number, row in rows if row in keys)
        return Selection(self._entries, found)


def fits(column: bytes, count: int) -> bool:
    """Whether a column has exactly one state for each entry."""
    return len(column) == count


def _fitted(column: bytes, count: int) -> Sequence[int]:
    return column if fits(column, count) else bytes([_UNKNOWN]) * count


def _group(key: Key, count: int) -> Group:
    kind, card, *copies = key
    states = tuple(_COPY_STATES.get(each) for each in copies)
    return Group(Kind(chr(kind)), _CARD_STATES.get(card), states, count, key)
