"""Boxes of the ISO base media file format: a size, a four-character type, and what is inside."""

from collections.abc import Iterator
from dataclasses import dataclass

from offload.media.packed import number
from offload.media.structure import Findings
from offload.values.clips import ClipCode, Weight
from offload.values.paths import to_text

_MAX_CHILDREN = 4096

# Boxes that hold boxes and nothing else, and so must be filled by them exactly.
PARENTS = frozenset(
    b"moov trak mdia minf dinf stbl edts mvex tapt gmhd udta moof traf mfra".split()
)
MAX_DEPTH = 8


@dataclass(frozen=True, slots=True)
class Box:
    """One box.

    Attributes:
        kind: four bytes.
        start: where its size stands.
        body: where its content begins.
        end: first position behind it.
    """

    kind: bytes
    start: int
    body: int
    end: int


@dataclass(frozen=True, slots=True)
class BoxData:
    """A box read into memory, with the place it came from.

    Attributes:
        data: the whole box.
        offset: where it begins in the file.
    """

    data: memoryview
    offset: int


def is_kind(kind: bytes) -> bool:
    """Whether four bytes can be a type: printable, or the sign that old writers begin with."""
    return len(kind) == 4 and all(32 <= byte < 127 or byte == 0xA9 for byte in kind)


def shown_kind(kind: bytes) -> str:
    """A type as text for people."""
    return f"'{to_text(kind)}'"


def children(source: BoxData, parent: Box, findings: Findings) -> Iterator[Box]:
    """The boxes directly inside ``parent``, which they must fill exactly.

    What does not fit is reported, and ends the list.
    """
    at, data = parent.body, source.data
    for _child in range(_MAX_CHILDREN):
        left = parent.end - at
        # A list may end in four zeros instead of a box (QuickTime file format, user data).
        if left == 0 or (left < 8 and not any(data[at : parent.end])):
            return
        size, kind, body = number(data, at, 4), bytes(data[at + 4 : at + 8]), at + 8
        if size == 1:
            size, body = number(data, at + 8, 8), at + 16
        if left < 8 or size < body - at or size > left or not is_kind(kind):
            findings.add(
                ClipCode.DAMAGED,
                "box-sizes",
                f"what lies in {shown_kind(parent.kind)} does not add up to it",
                source.offset + at,
                # What makers keep in user data is theirs, and need not be boxes.
                Weight.NOTE if parent.kind == b"udta" else Weight.HOLD,
            )
            return
        yield Box(kind, at, body, at + size)
        at += size
    findings.add(
        ClipCode.DAMAGED,
        "box-sizes",
        f"more than {_MAX_CHILDREN} boxes in {shown_kind(parent.kind)}",
        source.offset + at,
    )


def tree(
    source: BoxData, parent: Box, findings: Findings, depth: int = 0
) -> Iterator[tuple[Box, Box]]:
    """Every box below ``parent`` that a known parent holds, as (box, its parent)."""
    for box in children(source, parent, findings):
        yield box, parent
        if box.kind in PARENTS and depth < MAX_DEPTH:
            yield from tree(source, box, findings, depth + 1)
