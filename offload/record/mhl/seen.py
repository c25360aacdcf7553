"""Finding a path that comes twice among a million, in some 13 bytes a path."""

from array import array

_PARTS = 64


class SeenPaths:
    """Keeps a 64-bit hash and a line number of each path.

    The hash is Python's own for bytes: keyed anew in every process, so that nobody can make paths
    collide; by chance two of a million do once in 37 million manifests.
    """

    def __init__(self) -> None:
        self._hashes = [array("q") for _ in range(_PARTS)]
        self._lines = [array("I") for _ in range(_PARTS)]

    def add(self, path: bytes, line: int) -> None:
        """Remember one."""
        number = hash(path)
        part = number % _PARTS
        self._hashes[part].append(number)
        self._lines[part].append(line)

    def first_twice(self) -> tuple[int, int] | None:
        """The lines of the earliest path that came before, and of the one before it."""
        found = [twice for part in range(_PARTS) if (twice := self._twice_in(part))]
        return min(found, key=lambda lines: lines[1]) if found else None

    def _twice_in(self, part: int) -> tuple[int, int] | None:
        if len(set(self._hashes[part])) == len(self._hashes[part]):
            return None
        first: dict[int, int] = {}
        for number, line in zip(self._hashes[part], self._lines[part], strict=True):
            if number in first:
                return first[number], line
            first[number] = line
        return None
