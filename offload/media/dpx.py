"""DPX frames: a fixed header that says how long the file is and where the picture lies.

Source: SMPTE ST 268 (header fields and their places, from memory and as FFmpeg reads them).
"""

import struct
from fractions import Fraction

from offload.media.heads import Looking
from offload.media.structure import (
    Essence,
    EssenceLayout,
    StructureReport,
    StructureTrack,
    TimecodeStart,
    TrackKind,
)
from offload.values.clips import ClipCode, Container

MAGICS = {b"SDPX": ">", b"XPDS": "<"}
_HEADER_BYTES = 2048
_UNDEFINED = 0xFFFFFFFF
_CHECK = "frame-header"

# Samples of each pixel, by image descriptor.
_SAMPLES = {
    **dict.fromkeys((0, 1, 2, 3, 4, 6, 8), 1),
    50: 3,
    51: 4,
    52: 4,
    100: 2,
    101: 3,
    102: 3,
    103: 4,
}


def check(looking: Looking) -> StructureReport:
    """Check one frame.

    Args:
        looking: the file, and where flaws go.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    reader, findings = looking.reader, looking.findings
    head = reader.read_at(0, _HEADER_BYTES)
    order = MAGICS.get(head[:4])
    if order is None or len(head) < 1024:
        findings.add(ClipCode.CUT_SHORT, _CHECK, "its header is not all there", 0)
        return StructureReport(Container.DPX)
    size = _field(head, order, 16)
    if size not in (0, _UNDEFINED) and size != reader.size:
        code = ClipCode.CUT_SHORT if size > reader.size else ClipCode.DAMAGED
        findings.add(code, _CHECK, f"it says {size} bytes, the file has {reader.size}", 16)
    # All ones mean that it is not encrypted; some writers leave the field empty instead.
    is_encrypted = _field(head, order, 660) not in (0, _UNDEFINED)
    if is_encrypted:
        findings.notice(ClipCode.OPAQUE, _CHECK, "encrypted; we cannot look inside", 660)
    width, height = _field(head, order, 772), _field(head, order, 776)
    layout = EssenceLayout()
    _check_elements(looking, head, order, (width, height), layout)
    track = StructureTrack(
        kind=TrackKind.PICTURE,
        essence=Essence.RAW_PICTURE,
        codec="dpx",
        width=width,
        height=height,
        rate=_rate(head, order),
        samples=1,
        bits=head[803],
        is_encrypted=is_encrypted,
    )
    return StructureReport(
        Container.DPX, tracks=(track,), timecode=_timecode(head, order, track), layout=layout
    )


def _field(head: bytes, order: str, at: int) -> int:
    value: int = struct.unpack_from(order + "I", head, at)[0]
    return value


def _check_elements(
    looking: Looking, head: bytes, order: str, raster: tuple[int, int], layout: EssenceLayout
) -> None:
    findings, size = looking.findings, looking.reader.size
    (count,) = struct.unpack_from(order + "H", head, 770)
    width, height = raster
    if not 1 <= count <= 8 or not width or not height or _UNDEFINED in raster:
        text = f"{count} images of {width}x{height} cannot be"
        findings.add(ClipCode.DAMAGED, _CHECK, text, 770)
        return
    common_at = _field(head, order, 4)
    for number in range(count):
        at = 780 + 72 * number
        offset = _field(head, order, at + 28)
        offset = common_at if offset in (0, _UNDEFINED) else offset
        needed = _image_bytes(head, order, at, width, height)
        if offset < 768 or offset + needed > size:
            findings.add(
                ClipCode.CUT_SHORT if offset >= 768 else ClipCode.DAMAGED,
                _CHECK,
                f"its picture needs bytes {offset} to {offset + needed}, the file has {size}",
                min(offset, size),
            )
        layout.add(offset, min(needed or size, size - offset), Essence.RAW_PICTURE)


def _image_bytes(head: bytes, order: str, at: int, width: int, height: int) -> int:
    """The least an uncompressed image takes; 0 where it is not known."""
    descriptor, bits = head[at + 20], head[at + 23]
    packing, encoding = struct.unpack_from(order + "HH", head, at + 24)
    samples = _SAMPLES.get(descriptor, 0) * width
    if not samples or encoding:
        return 0
    if bits == 10 and packing in (1, 2):
        line = (samples + 2) // 3 * 4
    elif bits == 12 and packing in (1, 2):
        line = samples * 2
    elif packing == 0 and bits in (10, 12):
        line = (samples * bits + 31) // 32 * 4
    else:
        line = samples * bits // 8
    return line * height


def _rate(head: bytes, order: str) -> Fraction | None:
    """The frame rate of the television header, else of the film header."""
    for at in (1940, 1724):
        if len(head) >= at + 4:
            (value,) = struct.unpack_from(order + "f", head, at)
            if 1 <= value <= 1000:
                return known_rate(value)
    return None


def known_rate(value: float) -> Fraction:
    """A rate given as a decimal, as the fraction it stands for."""
    whole = round(value)
    slowed = Fraction(round(value * 1.001) * 1000, 1001)
    if abs(value - whole) > 0.004 and abs(value - slowed) < 0.004:
        return slowed
    return Fraction(whole) if abs(value - whole) <= 0.004 else Fraction(value).limit_denominator()


def _timecode(head: bytes, order: str, track: StructureTrack) -> TimecodeStart | None:
    """Time code of the television header: eight binary coded digits (SMPTE ST 268)."""
    if len(head) < 1924:
        return None
    value = _field(head, order, 1920)
    digits = [(value >> shift) & 15 for shift in range(28, -4, -4)]
    if value == _UNDEFINED or max(digits) > 9:
        return None
    hours, minutes, seconds, frames = (10 * digits[at] + digits[at + 1] for at in range(0, 8, 2))
    base = round(track.rate) if track.rate else 24
    if hours > 23 or minutes > 59 or seconds > 59 or frames >= base:
        return None
    return TimecodeStart(((hours * 60 + minutes) * 60 + seconds) * base + frames, base, False)
