"""MXF: a chain of items that must land on the end of the file, closed by a footer.

Players open an MXF file that was cut or never closed, show its full duration, and say nothing.
The chain, the partitions and the counts tell (SMPTE ST 377-1, ST 378, ST 390).
"""

from dataclasses import dataclass, field

from offload.media.heads import Looking
from offload.media.mxf_essence import EssenceCheck
from offload.media.mxf_klv import MAX_RUN_IN_BYTES, Item, Klv, chain, find_header
from offload.media.mxf_partitions import (
    Partition,
    check_partitions,
    check_random_index,
    read_partition,
)
from offload.media.mxf_sets import MetadataSets, MxfMetadata
from offload.media.mxf_streams import IndexTable, Stream, essence_of
from offload.media.structure import EssenceLayout, MalformedError, StructureReport, TrackKind
from offload.values.clips import ClipCode, Container, Weight

_MAX_SET_BYTES = 65_536
_MAX_METADATA_BYTES = 16 * 1024 * 1024
_MAX_INDEX_BYTES = 1024 * 1024
_MAX_STREAMS = 512
_MAX_PADDING_BYTES = 1 << 20
_MAX_PARTITIONS = 1_000_000


@dataclass(slots=True)
class _File:
    """What the walk along the chain has gathered."""

    looking: Looking
    partitions: list[Partition] = field(default_factory=list)
    streams: dict[tuple[int, bytes], Stream] = field(default_factory=dict)
    indexes: dict[int, IndexTable] = field(default_factory=dict)
    sets: list[tuple[Item, MetadataSets]] = field(default_factory=list)
    random_index: Klv | None = None
    after_random_index: bool = False
    metadata_bytes: int = 0
    header_end: int = 0
    is_chain_whole: bool = False
    is_encrypted: bool = False
    layout: EssenceLayout = field(default_factory=EssenceLayout)


def check(looking: Looking) -> StructureReport:
    """Check one file.

    Args:
        looking: the file, and where flaws go.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    reader, findings = looking.reader, looking.findings
    start = find_header(reader.read_at(0, MAX_RUN_IN_BYTES + 32))
    if start is None:
        findings.add(ClipCode.DAMAGED, "klv-chain", "it has no header partition")
        return StructureReport(Container.MXF)
    file = _File(looking)
    _walk(file, start)
    if not file.partitions:
        return StructureReport(Container.MXF)
    has_final = any(item is Item.FOOTER and sets for item, sets in file.sets)
    check_partitions(
        reader,
        file.partitions,
        is_chain_whole=file.is_chain_whole,
        has_final_metadata=has_final,
        findings=findings,
    )
    if file.is_chain_whole:
        check_random_index(reader, file.random_index, file.partitions, findings)
    metadata = _metadata(file)
    essence = EssenceCheck(
        looking, file.layout, is_chain_whole=file.is_chain_whole, is_encrypted=file.is_encrypted
    )
    tracks = essence.check(file.streams.values(), metadata, file.indexes)
    return StructureReport(
        container=Container.MXF,
        variant=metadata.pattern,
        tracks=tracks,
        duration=metadata.duration,
        timecode=metadata.timecode,
        package_id=metadata.package_id,
        layout=file.layout,
    )


def _walk(file: _File, start: int) -> None:
    findings = file.looking.findings
    try:
        for klv in chain(file.looking.reader, start):
            _take(file, klv)
        file.is_chain_whole = True
    except MalformedError as error:
        if file.random_index is not None and error.offset == file.random_index.end:
            file.is_chain_whole = True
            _report_trailing(file, file.random_index.end)
        else:
            findings.malformed(error)


def _take(file: _File, klv: Klv) -> None:
    """Look at one item of the chain."""
    reader = file.looking.reader
    if file.random_index is not None and not file.after_random_index:
        file.after_random_index = klv.item is not Item.FILL
        # What fills up is nothing that was lost or added.
        weight = Weight.NOTE if klv.item is Item.FILL else Weight.HOLD
        file.looking.findings.add(
            ClipCode.DAMAGED,
            "random-index",
            "the random index is not the last item",
            klv.start,
            weight,
        )
    if file.header_end:
        _check_header_end(file, klv)
    if klv.item is Item.ESSENCE:
        _take_essence(file, klv)
    elif klv.item.is_partition:
        file.partitions.append(read_partition(reader, klv))
        if len(file.partitions) > _MAX_PARTITIONS:
            raise MalformedError("partitions", "more partitions than a check follows", klv.start)
        file.sets.append((klv.item, MetadataSets()))
    elif klv.item is Item.PRIMER and file.partitions and file.partitions[-1].header_bytes:
        file.header_end = klv.start + file.partitions[-1].header_bytes
    elif klv.item is Item.METADATA:
        _take_metadata(file, klv)
    elif klv.item is Item.INDEX:
        _take_index(file, klv)
    elif klv.item is Item.RANDOM_INDEX:
        file.random_index = klv
    elif klv.item is Item.ENCRYPTED:
        file.is_encrypted = True


def _take_essence(file: _File, klv: Klv) -> None:
    body = file.partitions[-1].body_sid if file.partitions else 0
    name = (body, klv.key[12:16])
    stream = file.streams.get(name)
    if stream is None:
        if len(file.streams) >= _MAX_STREAMS:
            raise MalformedError("essence-counts", "more streams than a check follows", klv.start)
        stream = Stream(body, int.from_bytes(klv.key[12:16], "big"), klv)
        file.streams[name] = stream
    stream.add(klv)
    if stream.kind is TrackKind.SOUND:
        file.layout.add(klv.value, klv.length, essence_of(stream, None))


def _take_metadata(file: _File, klv: Klv) -> None:
    if not file.sets or klv.length > _MAX_SET_BYTES:
        return
    file.metadata_bytes += klv.length
    if file.metadata_bytes <= _MAX_METADATA_BYTES:
        value = file.looking.reader.need(klv.value, klv.length) if klv.length else b""
        file.sets[-1][1].add(klv.key, value)


def _take_index(file: _File, klv: Klv) -> None:
    if not 0 < klv.length <= _MAX_INDEX_BYTES:
        return
    value = file.looking.reader.need(klv.value, klv.length)
    body = file.partitions[-1].body_sid if file.partitions else 0
    sid = _index_body(value) or body
    if sid in file.indexes or len(file.indexes) < _MAX_STREAMS:
        file.indexes.setdefault(sid, IndexTable()).add(value)


def _index_body(value: bytes) -> int:
    at = value.find(b"\x3f\x07\x00\x04")
    return int.from_bytes(value[at + 4 : at + 8], "big") if at >= 0 else 0


def _check_header_end(file: _File, klv: Klv) -> None:
    if klv.start < file.header_end:
        return
    if klv.start > file.header_end:
        file.looking.findings.note(
            ClipCode.DAMAGED,
            "partitions",
            "the length given for the header metadata ends inside an item",
            klv.start,
        )
    file.header_end = 0


def _report_trailing(file: _File, at: int) -> None:
    reader = file.looking.reader
    rest = reader.size - at
    is_padding = rest <= _MAX_PADDING_BYTES and not any(reader.read_at(at, rest))
    file.looking.findings.add(
        ClipCode.TRAILING if is_padding else ClipCode.DAMAGED,
        "klv-chain",
        f"{rest} bytes {'of zeros ' if is_padding else ''}follow the last item",
        at,
        Weight.NOTICE if is_padding else Weight.HOLD,
    )


def _metadata(file: _File) -> MxfMetadata:
    """The last word on the file: the footer's metadata if it has any, else the header's."""
    filled = [sets for _item, sets in file.sets if sets]
    if not filled:
        file.looking.findings.add(ClipCode.DAMAGED, "metadata", "it has no header metadata")
        return MxfMetadata()
    return filled[-1].metadata()
