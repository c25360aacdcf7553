"""The essence of an MXF file: how many pictures and sounds there are, and where they lie.

Frame-wrapped essence has one value for each edit unit; clip-wrapped essence has a single value,
divided by the index (SMPTE ST 379-1, ST 390). Either way the number found must be the number
declared.
"""

from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from offload.media.mxf_klv import Klv
from offload.media.mxf_sets import MxfDescriptor, track_kind
from offload.media.packed import number
from offload.media.structure import Essence, TrackKind

_MAX_PLACES = 8_000_000
_MAX_INDEX_ENTRIES = 4_000_000

# Picture codings of SMPTE ST 2019-1, RDD 44, ST 381 and others, from memory: bytes 9 to 14.
_CODINGS = (
    (bytes.fromhex("0401020271"), Essence.VC3),
    (bytes.fromhex("040102020306"), Essence.PRORES),
    (bytes.fromhex("040102020301"), Essence.JPEG2000),
    (bytes.fromhex("0401020202"), Essence.DV),
    (bytes.fromhex("0401020201"), Essence.START_CODES),
    (bytes.fromhex("04010201"), Essence.RAW_PICTURE),
)
# Element types of the generic container: VC-3 and ProRes measured, the others from memory.
_ELEMENTS = {
    0x02: Essence.RAW_PICTURE,
    0x03: Essence.RAW_PICTURE,
    0x05: Essence.START_CODES,
    0x08: Essence.JPEG2000,
    0x0C: Essence.VC3,
    0x0D: Essence.VC3,
    0x17: Essence.PRORES,
}
_PCM_ELEMENTS = frozenset((0x01, 0x02, 0x03, 0x04, 0x10))


@dataclass(slots=True)
class Stream:
    """One essence element: all values under one key in one body.

    Attributes:
        body_sid: stream that holds it.
        number: last four bytes of its key.
        offsets: where its values begin; kept for pictures only.
        lengths: of these values.
        count: how many values.
        total_bytes: of all its values.
        first: the first value.
    """

    body_sid: int
    number: int
    first: Klv
    offsets: "array[int]" = field(default_factory=lambda: array("Q"))
    lengths: "array[int]" = field(default_factory=lambda: array("Q"))
    count: int = 0
    total_bytes: int = 0

    @property
    def kind(self) -> TrackKind:
        """What it carries."""
        return track_kind(self.number >> 24)

    def add(self, klv: Klv) -> None:
        """Take one more value."""
        self.count += 1
        self.total_bytes += klv.length
        if self.kind is TrackKind.PICTURE and len(self.offsets) < _MAX_PLACES:
            self.offsets.append(klv.value)
            self.lengths.append(klv.length)

    def locate(self, value: int) -> tuple[int, int]:
        """Offset and size of one value, by its number from 0."""
        return self.offsets[value], self.lengths[value]


def essence_of(stream: Stream, descriptor: MxfDescriptor | None) -> Essence:
    """What a stream's values are, by its description, else by its key."""
    if stream.kind is TrackKind.SOUND:
        return Essence.PCM if (stream.number >> 8) & 0xFF in _PCM_ELEMENTS else Essence.SOUND
    if stream.kind is not TrackKind.PICTURE:
        return Essence.OTHER
    coding = descriptor.coding[8:14] if descriptor else b""
    for label, essence in _CODINGS:
        if coding.startswith(label):
            return essence
    if stream.number >> 24 == 0x18:
        return Essence.DV
    if stream.number >> 24 == 0x05:
        return Essence.START_CODES
    if coding.strip(b"\0"):
        return Essence.UNKNOWN_PICTURE
    return _ELEMENTS.get((stream.number >> 8) & 0xFF, Essence.UNKNOWN_PICTURE)


@dataclass(slots=True)
class IndexTable:
    """The index segments of one body, joined.

    Attributes:
        unit_bytes: of every edit unit where all are equal; 0 where they differ.
    """

    unit_bytes: int = 0
    _durations: dict[int, int] = field(default_factory=dict)
    _offsets: "dict[int, array[int]]" = field(default_factory=dict)
    _held: int = 0

    def add(self, value: bytes) -> None:
        """Take one segment; a repeated one replaces the earlier."""
        fields = _segment_fields(value)
        start = number(fields.get(0x3F0C, b""), 0, 8)
        self._durations[start] = number(fields.get(0x3F0D, b""), 0, 8)
        self.unit_bytes = number(fields.get(0x3F05, b""), 0, 4)
        entries = fields.get(0x3F0A, b"")
        count, size = number(entries, 0, 4), number(entries, 4, 4)
        self._held += count
        if size >= 11 and 8 + count * size <= len(entries) and self._held <= _MAX_INDEX_ENTRIES:
            self._offsets[start] = array(
                "Q", (number(entries, 8 + at * size + 3, 8) for at in range(count))
            )

    @property
    def duration(self) -> int:
        """Edit units that the segments describe; 0 where they do not say."""
        return sum(self._durations.values())

    def units(self, end: int, most: int) -> Iterator[tuple[int, int]]:
        """Offset from the beginning of the stream and size of each edit unit, as indexed.

        Units that are not inside the stream, or not in order, end the list.

        Args:
            end: length of the stream, where the last unit ends.
            most: how many at most.
        """
        if self.unit_bytes:
            for at in range(min(most, end // self.unit_bytes)):
                yield at * self.unit_bytes, self.unit_bytes
            return
        offsets = array("Q")
        for start in sorted(self._offsets):
            # Segments repeat or overlap only in files that are still growing.
            if start == len(offsets):
                offsets.extend(self._offsets[start])
        # The last unit ends where one more begins, or with the stream.
        bounds = offsets[: most + 1] if len(offsets) > most else array("Q", [*offsets, end])
        for offset, behind in pairwise(bounds):
            if not offset < behind <= end:
                return
            yield offset, behind - offset


def _segment_fields(value: bytes) -> dict[int, bytes]:
    fields: dict[int, bytes] = {}
    at = 0
    while at + 4 <= len(value):
        tag, length = number(value, at, 2), number(value, at + 2, 2)
        if at + 4 + length > len(value):
            break
        fields[tag] = value[at + 4 : at + 4 + length]
        at += 4 + length
    return fields
