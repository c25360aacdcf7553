"""The tables of one MOV or MP4 track as packed numbers; a count larger than its box is refused."""

from array import array

from offload.media.bmff_boxes import Box, BoxData, shown_kind
from offload.media.bmff_index import Track
from offload.media.packed import number, numbers
from offload.media.structure import MalformedError
from offload.values.clips import ClipCode

CHECK = "sample-tables"


class Tables:
    """The table boxes of one track.

    Args:
        source: the index in memory.
        track: whose tables.

    Attributes:
        number: track id.
        descriptions: how many sample descriptions there are.
    """

    def __init__(self, source: BoxData, track: Track) -> None:
        self._source = source
        self._boxes = track.tables
        self.number = track.number
        self.descriptions = len(track.descriptions)

    def has(self, kind: bytes) -> bool:
        """Whether the track has this table."""
        return kind in self._boxes

    def flaw(self, kind: bytes, text: str, code: str = ClipCode.DAMAGED) -> MalformedError:
        """What to raise where a table cannot be followed."""
        return MalformedError(CHECK, self.said(text), self.offset(kind), code)

    def said(self, text: str) -> str:
        """A finding's text, naming the track."""
        return f"track {self.number}: {text}"

    def offset(self, kind: bytes) -> int:
        """Where a table lies in the file."""
        box = self._boxes.get(kind)
        return self._source.offset + (box.start if box else 0)

    def field(self, kind: bytes, at: int, size_bytes: int = 4) -> int:
        """One number of a table, by its place behind the box's head.

        Raises:
            MalformedError: the track has no such table.
        """
        box = self._box(kind)
        return number(self._source.data[box.body : box.end], at, size_bytes)

    def entries(
        self, kind: bytes, size_bytes: int, per_entry: int = 1, header: int = 8
    ) -> "array[int]":
        """All numbers of a table.

        Args:
            kind: of the table.
            size_bytes: of one number.
            per_entry: numbers in one entry.
            header: where the entries begin, behind the box's head; their count stands before.

        Raises:
            MalformedError: there is no such table, or its count is not what its size allows. Zeros
                behind the entries are room that the writer kept.
        """
        box = self._box(kind)
        count = number(self._source.data[box.body : box.end], header - 4, 4)
        wanted = count * size_bytes * per_entry
        held = box.end - box.body - header
        spare = held - wanted
        if spare < 0 or any(self._source.data[box.end - spare : box.end]):
            raise self.flaw(
                kind, f"{shown_kind(kind)} counts {count} entries and holds {held} bytes"
            )
        return numbers(size_bytes, self._source.data[box.end - held : box.end - spare])

    def rest(self, kind: bytes, at: int) -> memoryview:
        """The bytes of a table from a place behind the box's head on."""
        box = self._box(kind)
        return self._source.data[min(box.body + at, box.end) : box.end]

    def _box(self, kind: bytes) -> Box:
        if kind not in self._boxes:
            raise MalformedError(
                "index-parts", self.said(f"no {shown_kind(kind)}"), self._source.offset
            )
        return self._boxes[kind]
