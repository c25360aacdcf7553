"""JPEG 2000 frames: a header with the raster, and a chain of tile-parts down to the end mark.

Every tile-part says how long it is, so that a frame whose writing was broken off, or that lost
some bytes, shows without decoding. Source: ISO/IEC 15444-1, annex A (markers and their segments,
from memory and as FFmpeg reads and writes them).
"""

import struct

from offload.media.heads import Looking
from offload.media.structure import (
    Essence,
    EssenceLayout,
    MalformedError,
    StructureReport,
    StructureTrack,
    TrackKind,
)
from offload.values.clips import ClipCode, Container

MAGIC = b"\xff\x4f\xff\x51"
"""Start of codestream, and the image and tile size behind it, which has to be the first segment."""

_CHECK = "frame-tiles"
_TILE_PART, _END = 0xFF90, 0xFFD9
_MARKER_BYTES = 2
# Down to the depth of the first component.
_HEAD_BYTES = 43
_TILE_PART_BYTES = 12
# 65,535 tiles of 255 parts each are allowed; what cameras write has some hundreds in all.
_MAX_SEGMENTS = 4096
_MAX_TILE_PARTS = 1_000_000


def check(looking: Looking) -> StructureReport:
    """Check one frame.

    Args:
        looking: the file, and where flaws go.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    layout = EssenceLayout()
    tracks: tuple[StructureTrack, ...] = ()
    try:
        tracks = (_track(looking),)
        at = _first_tile_part(looking)
        layout.add(at, looking.reader.size - at, Essence.JPEG2000)
        _check_tile_parts(looking, at)
    except MalformedError as error:
        looking.findings.malformed(error)
    return StructureReport(Container.JPEG2000, tracks=tracks, layout=layout)


def _track(looking: Looking) -> StructureTrack:
    head = looking.reader.read_at(0, _HEAD_BYTES)
    if len(head) < _HEAD_BYTES:
        raise MalformedError(_CHECK, "its header is not all there", 0, ClipCode.CUT_SHORT)
    right, bottom, left, top = struct.unpack_from(">4I", head, 8)
    if right <= left or bottom <= top:
        raise MalformedError(_CHECK, "its header gives a picture without width or height", 8)
    return StructureTrack(
        kind=TrackKind.PICTURE,
        essence=Essence.JPEG2000,
        codec="jpeg2000",
        width=right - left,
        height=bottom - top,
        samples=1,
        # Less one, with a bit for the sign above it.
        bits=(head[_HEAD_BYTES - 1] & 0x7F) + 1,
    )


def _first_tile_part(looking: Looking) -> int:
    """Where the header's segments end."""
    at = _MARKER_BYTES
    for _ in range(_MAX_SEGMENTS):
        looking.reader.step()
        marker, length = _pair(looking, at)
        if marker == _TILE_PART:
            return at
        if marker >> 8 != 0xFF or length < _MARKER_BYTES:
            raise MalformedError(_CHECK, "a segment of its header is none", at)
        at += _MARKER_BYTES + length
    raise MalformedError(_CHECK, "its header has no end", at)


def _check_tile_parts(looking: Looking, at: int) -> None:
    """From one tile-part to the next by their lengths; behind the last comes the end mark."""
    size = looking.reader.size
    for _ in range(_MAX_TILE_PARTS):
        looking.reader.step()
        head = looking.reader.read_at(at, _TILE_PART_BYTES)
        marker = int.from_bytes(head[:_MARKER_BYTES], "big")
        if marker == _END and len(head) >= _MARKER_BYTES:
            if at + _MARKER_BYTES != size:
                rest = size - at - _MARKER_BYTES
                text = f"{rest} bytes lie behind the end of the picture"
                raise MalformedError(_CHECK, text, at)
            return
        if at + _TILE_PART_BYTES > size:
            raise MalformedError(_CHECK, "it ends before the picture does", at, ClipCode.CUT_SHORT)
        if marker != _TILE_PART:
            raise MalformedError(_CHECK, "a tile-part does not begin where the last one ends", at)
        looking.count.checked += 1
        looking.count.total += 1
        length = int.from_bytes(head[6:10], "big")
        if length == 0:
            # Of the last one alone: it reaches down to the end mark.
            length = size - _MARKER_BYTES - at
        if length < _TILE_PART_BYTES + _MARKER_BYTES:
            raise MalformedError(_CHECK, "a tile-part is shorter than its own header", at)
        at += length
    raise MalformedError(_CHECK, "it has more tile-parts than any picture", at)


def _pair(looking: Looking, at: int) -> tuple[int, int]:
    found = looking.reader.read_at(at, 2 * _MARKER_BYTES)
    if len(found) < 2 * _MARKER_BYTES:
        raise MalformedError(_CHECK, "its header is not all there", at, ClipCode.CUT_SHORT)
    return int.from_bytes(found[:2], "big"), int.from_bytes(found[2:], "big")
