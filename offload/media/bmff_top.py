"""The outermost boxes of a MOV or MP4 file: they must add up to the file exactly."""

from dataclasses import dataclass, field

from offload.media.bmff_boxes import Box, is_kind, shown_kind
from offload.media.bmff_samples import Mdat
from offload.media.packed import number
from offload.media.reading import BoundedReader
from offload.media.structure import Findings
from offload.values.clips import ClipCode, Weight

# What may stand at the top of a file (ISO/IEC 14496-12, and QuickTime's own).
_KNOWN = frozenset(
    b"ftyp styp pdin moov moof mfra mdat free skip wide pnot PICT udta uuid meta meco sidx ssix "
    b"prft emsg imda".split()
)
_MAX_BOXES = 1_000_000
_MAX_PADDING_BYTES = 1 << 20
_CHECK = "top-level"


@dataclass(slots=True)
class TopLevel:
    """What stands at the top of the file.

    Attributes:
        boxes: all but media data, whole ones only, in their order.
        mdats: where media data lies, sorted; the last may be cut short by the end of the file.
        brand: major brand of the file type; empty without one.
        is_cut: the last box reaches past the end of the file.
    """

    boxes: list[Box] = field(default_factory=list)
    mdats: list[Mdat] = field(default_factory=list)
    brand: bytes = b""
    is_cut: bool = False

    def of(self, kind: bytes) -> list[Box]:
        """All whole boxes of one type."""
        return [box for box in self.boxes if box.kind == kind]

    @property
    def is_whole(self) -> bool:
        """Whether an index and media data have been seen."""
        return bool(self.mdats) and any(box.kind == b"moov" for box in self.boxes)


def read_top_level(reader: BoundedReader, findings: Findings) -> TopLevel:
    """Walk the outermost boxes and report what does not add up.

    Raises:
        BudgetError: more boxes than a check follows.
        OSError: the medium could not be read.
    """
    top, at = TopLevel(), 0
    while at < reader.size:
        reader.step()
        box = _box_at(reader, at, findings)
        if box is None or (box.end > reader.size and top.is_whole and box.kind not in _KNOWN):
            _report_strange(reader, at, top, findings)
            break
        _keep(reader, box, top, findings)
        if box.end > reader.size:
            top.is_cut = True
            findings.add(
                ClipCode.CUT_SHORT,
                _CHECK,
                f"{shown_kind(box.kind)} says it ends at byte {box.end}, "
                f"the file ends at {reader.size}",
                at,
            )
            break
        at = box.end
        if len(top.boxes) + len(top.mdats) > _MAX_BOXES:
            findings.add(ClipCode.UNCHECKED, _CHECK, "more boxes than a check follows", at)
            break
    return top


def _box_at(reader: BoundedReader, at: int, findings: Findings) -> Box | None:
    """The box that begins at ``at``; None where none can."""
    head = reader.read_at(at, 16)
    size, kind, body = number(head, 0, 4), head[4:8], at + 8
    if not is_kind(kind):
        return None
    if size == 0 or (size == 1 and kind == b"mdat" and number(head, 8, 8) == 0):
        # Legal for the last box of a file; media data is left so until it is closed.
        if kind == b"mdat":
            findings.add(
                ClipCode.UNFINISHED, _CHECK, "the media data was never given its length", at
            )
        return Box(kind, at, body if size == 0 else at + 16, reader.size)
    if size == 1:
        size, body = number(head, 8, 8), at + 16
    return Box(kind, at, body, at + size) if size >= body - at else None


def _keep(reader: BoundedReader, box: Box, top: TopLevel, findings: Findings) -> None:
    if box.kind == b"mdat":
        top.mdats.append(Mdat(box.body, min(box.end, reader.size)))
    elif box.end <= reader.size:
        top.boxes.append(box)
    if box.kind == b"ftyp":
        top.brand = reader.read_at(box.body, 4)
    if box.kind not in _KNOWN:
        findings.note(ClipCode.DAMAGED, _CHECK, f"an unknown box {shown_kind(box.kind)}", box.start)


def _report_strange(reader: BoundedReader, at: int, top: TopLevel, findings: Findings) -> None:
    rest = reader.size - at
    tail = reader.read_at(at, min(rest, _MAX_PADDING_BYTES))
    is_zeros = not any(tail)
    if not top.is_whole:
        what = "zeros stand where a box should begin" if is_zeros else "no box begins here"
        findings.add(ClipCode.DAMAGED, _CHECK, what, at)
        return
    # Zeros behind fragments may be fragments that were lost, unless the table at the end is there.
    is_open = bool(top.of(b"moof")) and not top.of(b"mfra")
    is_padding = is_zeros and rest <= _MAX_PADDING_BYTES and not is_open
    findings.add(
        ClipCode.TRAILING if is_padding else ClipCode.DAMAGED,
        _CHECK,
        f"{rest} bytes {'of zeros ' if is_zeros else ''}follow the last box",
        at,
        Weight.NOTICE if is_padding else Weight.HOLD,
    )
