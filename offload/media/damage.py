"""The structure check of one file: which container it is, whether it is whole, what it says.

A decoder swallows much damage in silence: it plays what it finds. Here the container's own sums
are made: sizes, counts, offsets, marks. Only heads and tables are read, by position, within a
budget that grows slowly with the file. Neither this nor decoding proves that the bytes are right;
only a checksum against the card does. What passes here was complete when it left the camera.

The container is decided by suffix and content together, and forced from then on: a file that
begins like another container than its suffix says is checked as what it is, and the difference
is reported. Every file is hostile input: tables are bounded, and whatever a check trips over
becomes "could not be checked", never "nothing found".
"""

from collections.abc import Callable, Iterable
from dataclasses import replace

from offload.errors import reason
from offload.media import bmff, mpegts, mxf, riff
from offload.media.containers import container_of
from offload.media.frames import CHECKS as FRAME_CHECKS
from offload.media.frames import frame_container
from offload.media.heads import HeadCount, Looking
from offload.media.mpegts_packets import packet_form
from offload.media.mxf_klv import MAX_RUN_IN_BYTES, find_header
from offload.media.reading import BoundedReader, BudgetError, EndOfFileError, Reader
from offload.media.structure import Findings, MalformedError, StructureReport
from offload.media.zeros import zero_runs_in_essence, zeros_in_unknown
from offload.values.clips import ClipCode, ClipFinding, Container
from offload.values.paths import name as last_part
from offload.values.paths import to_text

__all__ = ["check", "zero_runs_in_essence"]

_FIRST_BOXES = frozenset((b"ftyp", b"styp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"))
_HEAD_BYTES = 1024
_UNIFORM_SAMPLES = 64
_APPLE_DOUBLE = b"\x00\x05\x16\x07"
_UNIFORM_BYTES = 4096


def check(
    reader: Reader,
    name: bytes,
    zero_runs: Iterable[tuple[int, int]] = (),
    *,
    continues: bool = False,
    is_whole: bool = False,
) -> StructureReport:
    """Check the structure of one file; never raises for what the file holds.

    Args:
        reader: the file, by position.
        name: its path, relative to card or copy; the suffix counts, findings carry it.
        zero_runs: (offset, length) of runs of zero blocks noted while copying, bytes.
        continues: the recording goes on in another file, so this one may end anywhere.
        is_whole: read every sample whole and look into it, without limit on what is read.

    Returns:
        What the file says and what is wrong; an unreadable file is a finding too.
    """
    findings, count = Findings(name), HeadCount()
    bounded = BoundedReader(reader, is_unlimited=is_whole)
    looking = Looking(bounded, findings, count, is_whole)
    report = StructureReport(container_of(name))
    extra: tuple[ClipFinding, ...] = ()
    try:
        report = _checked(looking, name, continues)
        if report.container is Container.UNKNOWN:
            extra = zeros_in_unknown(zero_runs, bounded.size, name)
        else:
            extra = zero_runs_in_essence(zero_runs, report.layout, bounded, name)
    except Exception as error:  # noqa: BLE001 - whatever a file provokes is part of the result
        _unchecked(findings, error)
    return replace(
        report,
        findings=findings.result() + extra,
        heads_checked=count.checked,
        heads_total=count.total,
        bytes_read=bounded.bytes_read,
    )


def _checked(looking: Looking, file: bytes, continues: bool) -> StructureReport:
    reader, findings = looking.reader, looking.findings
    promised = container_of(file)
    if reader.size == 0:
        findings.add(ClipCode.EMPTY, "size", "the file is 0 bytes long")
        return StructureReport(promised)
    head = reader.read_at(0, _HEAD_BYTES)
    found = _container_by_content(head)
    if found is None and find_header(reader.read_at(0, MAX_RUN_IN_BYTES + 32)) is not None:
        found = Container.MXF
    if found is None:
        return _strange(looking, promised, head, file)
    if promised not in (Container.UNKNOWN, found) and not _are_kin(promised, found):
        findings.notice(
            ClipCode.SUFFIX_LIES,
            "container",
            f"named as {promised.value}, made as {found.value}",
        )
    return _run(looking, found, continues)


def _run(looking: Looking, container: Container, continues: bool) -> StructureReport:
    if container is Container.MPEGTS:
        return mpegts.check(looking, continues=continues)
    return _CHECKS[container](looking)


def _container_by_content(head: bytes) -> Container | None:
    """What a file's first bytes show; None where they show nothing that we know."""
    if head[:4] in (b"RIFF", b"RF64", b"BW64"):
        return Container.WAV
    frame = frame_container(head)
    if frame is not None:
        return frame
    if head[4:8] in _FIRST_BOXES:
        return Container.MOV
    if find_header(head) == 0:
        return Container.MXF
    return Container.MPEGTS if packet_form(head) is not None else None


def _are_kin(promised: Container, found: Container) -> bool:
    # A DNG is a TIFF file, and only its tags tell.
    return {promised, found} == {Container.TIFF, Container.DNG}


def _is_computer_file(head: bytes, file: bytes) -> bool:
    """Whether a file is what computers write beside others on a card (AppleDouble, RFC 1740)."""
    return last_part(file).startswith(b"._") and head.startswith(_APPLE_DOUBLE)


def _strange(looking: Looking, promised: Container, head: bytes, file: bytes) -> StructureReport:
    """A file that begins like nothing we know."""
    findings = looking.findings
    if _is_uniform(looking.reader, head):
        text = f"it holds nothing but bytes {head[0]:#04x}"
        findings.add(ClipCode.EMPTY, "container", text, 0)
    elif _is_computer_file(head, file):
        text = "a computer's side file whose own file is not beside it; no recording"
        findings.notice(ClipCode.OPAQUE, "container", text)
        return StructureReport(Container.UNKNOWN)
    elif promised is Container.UNKNOWN:
        findings.notice(ClipCode.OPAQUE, "container", "copied and verified; we cannot look inside")
    else:
        what = f"it does not begin as {promised.value} does"
        shown = to_text(head[:8])
        findings.add(ClipCode.DAMAGED, "container", f"{what}, but with '{shown}'", 0)
    return StructureReport(promised)


def _is_uniform(reader: BoundedReader, head: bytes) -> bool:
    """Whether every byte looked at has one value: the head, and places spread over the file."""
    value = head[:1]
    if head.strip(value):
        return False
    last = max(reader.size - _UNIFORM_BYTES, 0)
    places = (at * last // (_UNIFORM_SAMPLES - 1) for at in range(_UNIFORM_SAMPLES))
    return not any(reader.read_at(at, _UNIFORM_BYTES).strip(value) for at in places)


def _unchecked(findings: Findings, error: Exception) -> None:
    offset = getattr(error, "offset", None)
    if isinstance(error, MalformedError):
        findings.malformed(error)
        return
    if isinstance(error, OSError):
        text = f"it could not be read: {reason(error)}"
    elif isinstance(error, BudgetError):
        text = f"it could not be checked to the end: {error}"
    elif isinstance(error, EndOfFileError):
        text = "unreadable structure: a part of it lies behind the end of the file"
    else:
        text = f"unreadable structure ({type(error).__name__})"
    findings.add(ClipCode.UNCHECKED, "structure", text, offset)


_CHECKS: dict[Container, Callable[[Looking], StructureReport]] = {
    Container.MOV: bmff.check,
    Container.MXF: mxf.check,
    Container.WAV: riff.check,
    **FRAME_CHECKS,
}
