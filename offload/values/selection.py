"""Some entries of an inventory, named by number: a hold may concern a million frames."""

from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import overload

from offload.values.entries import Entries


class Selection(Sequence[bytes]):
    """Paths of some entries, made when looked at and not kept; 8 bytes each.

    Args:
        entries: the inventory's entries, shared and not copied.
        numbers: which of them, in the order in which they are to be named.
    """

    __slots__ = ("_entries", "_numbers")

    def __init__(self, entries: Entries, numbers: Iterable[int]) -> None:
        self._entries = entries
        self._numbers = array("Q", numbers)

    def __len__(self) -> int:
        return len(self._numbers)

    @overload
    def __getitem__(self, index: int) -> bytes: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[bytes]: ...
    def __getitem__(self, index: int | slice) -> bytes | Sequence[bytes]:
        if isinstance(index, slice):
            return Selection(self._entries, self._numbers[index])
        return self._entries.path(self._numbers[index])

    def __iter__(self) -> Iterator[bytes]:
        return (self._entries.path(number) for number in self._numbers)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Selection):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    def __hash__(self) -> int:
        return hash((len(self), self[0] if self else b""))
