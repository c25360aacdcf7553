"""OpenEXR frames: a header of attributes, and a table that places every block of the picture.

The table is written last: a frame whose writing was broken off has zeros in it. Source: the
OpenEXR file layout document; sizes of blocks by compression as listed there.
"""

import struct
from dataclasses import dataclass, field

from offload.media.heads import Looking
from offload.media.packed import number
from offload.media.structure import (
    Essence,
    EssenceLayout,
    MalformedError,
    StructureReport,
    StructureTrack,
    TrackKind,
)
from offload.values.clips import ClipCode, Container

MAGIC = b"\x76\x2f\x31\x01"
_CHECK = "frame-offsets"
_TILED, _DEEP, _MULTIPART = 0x200, 0x800, 0x1000
_MAX_PARTS = 64
_MAX_ATTRIBUTES = 1024
_MAX_NAME_BYTES = 256
_MAX_KEPT_BYTES = 4096
_MAX_BLOCKS = 4_000_000
_HEADS = 256
# Lines of one block by compression: none, RLE, ZIPS, ZIP, PIZ, PXR24, B44, B44A, DWAA, DWAB.
_LINES = (1, 1, 1, 16, 32, 16, 32, 32, 32, 256)


@dataclass(slots=True)
class _Header:
    values: dict[bytes, bytes] = field(default_factory=dict)

    def box(self, name: bytes) -> tuple[int, int, int, int]:
        value = self.values.get(name, b"")
        if len(value) != 16:
            raise MalformedError(_CHECK, "its header does not give the picture's size")
        left, top, right, bottom = struct.unpack("<4i", value)
        return left, top, right, bottom


def check(looking: Looking) -> StructureReport:
    """Check one frame.

    Args:
        looking: the file, and where flaws go.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    reader, findings = looking.reader, looking.findings
    layout = EssenceLayout()
    tracks: tuple[StructureTrack, ...] = ()
    try:
        flags = int.from_bytes(reader.read_at(4, 4), "little")
        headers, at = _headers(looking, 8, is_many=bool(flags & _MULTIPART))
        tracks = (_track(headers[0]),)
        blocks = [_blocks(header, flags) for header in headers]
        for count in blocks:
            at = _check_table(looking, at, count, flags, layout)
    except MalformedError as error:
        findings.malformed(error)
    return StructureReport(Container.EXR, tracks=tracks, layout=layout)


def _headers(looking: Looking, at: int, *, is_many: bool) -> tuple[list[_Header], int]:
    headers: list[_Header] = []
    while len(headers) < _MAX_PARTS:
        header, at = _header(looking, at)
        if not header.values and is_many:
            break
        headers.append(header)
        if not is_many:
            break
    if not headers:
        raise MalformedError(_CHECK, "its header is empty", at)
    return headers, at


def _header(looking: Looking, at: int) -> tuple[_Header, int]:
    """One header: name, type, size and value of each attribute, and a zero behind the last."""
    header = _Header()
    for _attribute in range(_MAX_ATTRIBUTES):
        name, at = _name(looking, at)
        if not name:
            return header, at
        _type, at = _name(looking, at)
        size = int.from_bytes(_part(looking, at, 4), "little")
        at += 4
        if at + size > looking.reader.size:
            raise _cut("its header reaches past the end of the file", at)
        if size <= _MAX_KEPT_BYTES:
            header.values[name] = _part(looking, at, size) if size else b""
        at += size
    raise MalformedError(_CHECK, "its header does not end", at)


def _name(looking: Looking, at: int) -> tuple[bytes, int]:
    data = looking.reader.read_at(at, _MAX_NAME_BYTES)
    end = data.find(b"\0")
    if end < 0:
        raise _cut("its header breaks off", at)
    return data[:end], at + end + 1


def _part(looking: Looking, at: int, length: int) -> bytes:
    data = looking.reader.read_at(at, length)
    if len(data) != length:
        raise _cut("its header breaks off", at)
    return data


def _cut(text: str, at: int) -> MalformedError:
    return MalformedError(_CHECK, text, at, ClipCode.CUT_SHORT)


def _blocks(header: _Header, flags: int) -> int:
    """How many blocks the table of one part has."""
    if b"chunkCount" in header.values:
        return int.from_bytes(header.values[b"chunkCount"], "little")
    left, top, right, bottom = header.box(b"dataWindow")
    width, height = right - left + 1, bottom - top + 1
    if not (0 < width <= 1 << 20 and 0 < height <= 1 << 20):
        raise MalformedError(_CHECK, f"a picture of {width}x{height}")
    if flags & _TILED and b"tiles" in header.values:
        return _tile_count(header.values[b"tiles"], width, height)
    compression = number(header.values.get(b"compression", b""), 0, 1)
    if compression >= len(_LINES):
        raise MalformedError(
            _CHECK, f"compression {compression} is unknown", code=ClipCode.UNCHECKED
        )
    lines = _LINES[compression]
    return (height + lines - 1) // lines


def _tile_count(value: bytes, width: int, height: int) -> int:
    across, down = struct.unpack_from("<II", value) if len(value) >= 9 else (0, 0)
    if not across or not down:
        raise MalformedError(_CHECK, "tiles of no size")
    levels, is_up = value[8] & 15, bool(value[8] >> 4)
    widths, heights = _level_sizes(width, is_up), _level_sizes(height, is_up)
    if levels == 0:
        pairs = [(width, height)]
    elif levels == 1:
        count = max(len(widths), len(heights))
        pairs = [
            (widths[min(at, len(widths) - 1)], heights[min(at, len(heights) - 1)])
            for at in range(count)
        ]
    else:
        pairs = [(w, h) for h in heights for w in widths]
    return sum((-(-w // across)) * (-(-h // down)) for w, h in pairs)


def _level_sizes(size: int, is_up: bool) -> list[int]:
    sizes = [size]
    while sizes[-1] > 1:
        sizes.append((sizes[-1] + is_up) // 2)
    return sizes


def _check_table(looking: Looking, at: int, count: int, flags: int, layout: EssenceLayout) -> int:
    """Check one part's table; returns where it ends."""
    findings, size = looking.findings, looking.reader.size
    end = at + 8 * count
    if count > _MAX_BLOCKS or end > size:
        raise _cut(f"a table of {count} blocks reaches past the end of the file", at)
    data = looking.reader.need(at, 8 * count) if count else b""
    offsets = struct.unpack(f"<{count}Q", data)
    unset = offsets.count(0)
    if unset:
        findings.add(
            ClipCode.UNFINISHED,
            _CHECK,
            f"{unset} of {count} blocks were never written",
            at,
        )
    outside = [offset for offset in offsets if offset and not end <= offset < size]
    if outside:
        findings.add(
            ClipCode.CUT_SHORT if min(outside) >= size else ClipCode.DAMAGED,
            _CHECK,
            f"{len(outside)} of {count} blocks lie outside the file",
            at,
        )
    inside = sorted(offset for offset in offsets if end <= offset < size)
    if not unset and not outside and not flags & (_DEEP | _MULTIPART):
        _check_blocks(looking, inside, is_tiled=bool(flags & _TILED))
    for start, behind in zip(inside, [*inside[1:], size], strict=False):
        layout.add(start, behind - start, Essence.UNKNOWN_PICTURE)
    return end


def _check_blocks(looking: Looking, offsets: list[int], *, is_tiled: bool) -> None:
    """Each block gives its place in the picture and its length; the last must fit too."""
    head = 16 if is_tiled else 4
    chosen = {at * (len(offsets) - 1) // max(_HEADS - 1, 1) for at in range(_HEADS)}
    looking.count.total += len(offsets)
    for at in sorted(chosen):
        offset = offsets[at]
        looking.count.checked += 1
        data = looking.reader.read_at(offset, head + 4)
        size = int.from_bytes(data[head : head + 4], "little")
        behind = offsets[at + 1] if at + 1 < len(offsets) else looking.reader.size
        if len(data) < head + 4 or offset + head + 4 + size > looking.reader.size:
            text = "a block reaches past the end of the file"
            looking.findings.add(ClipCode.CUT_SHORT, _CHECK, text, offset)
        elif size == 0 or offset + head + 4 + size != behind:
            text = "a block does not end where the next one or the file begins"
            looking.findings.add(ClipCode.DAMAGED, _CHECK, text, offset)


def _track(header: _Header) -> StructureTrack:
    left, top, right, bottom = header.box(b"dataWindow")
    return StructureTrack(
        kind=TrackKind.PICTURE,
        essence=Essence.UNKNOWN_PICTURE,
        codec="exr",
        width=max(right - left + 1, 0),
        height=max(bottom - top + 1, 0),
        samples=1,
    )
