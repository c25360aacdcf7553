"""MPEG transport streams, in packets of 188 bytes, or of 192 with a time stamp in front.

A stream has no index, no length and no end mark, so a cut on a packet boundary leaves little to
find. What there is: every packet begins with its mark, each stream counts its packets, and a
writer that ends in order ends the last picture and the last sound, which leaves their last
packets filled up. A file that goes on in the next one (a long take in pieces) may end anywhere.

Sources: ISO/IEC 13818-1 (packets, tables, PES); packets of 192 bytes measured.
"""

from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction

from offload.media.heads import Looking
from offload.media.mpegts_packets import (
    STAMPED_BYTES,
    SYNC,
    Packet,
    elementary,
    packet_form,
    presentation_time,
    programmes,
    read_packet,
    section,
)
from offload.media.packed import number
from offload.media.reading import BoundedReader
from offload.media.structure import (
    Essence,
    EssenceLayout,
    StructureReport,
    StructureTrack,
    TrackKind,
)
from offload.values.clips import ClipCode, Container

_WINDOW_PACKETS = 340
_ALL_BYTES = 16 * 1024 * 1024
_WINDOWS = 64
_HEAD_PACKETS = 4096
_TAIL_PACKETS = 16_384
_ALIGNED_BYTES = 6144
_CLOCK = 90_000
_HALF_CLOCK = 1 << 32

OPEN_END = "last-unit-open"
"""The check whose doubt decoding can lift: see :func:`_check_unit_end`."""

# Stream types of ISO/IEC 13818-1 and of the packed disc form, from memory.
_TYPES = {
    0x01: ("mpeg1video", TrackKind.PICTURE),
    0x02: ("mpeg2video", TrackKind.PICTURE),
    0x03: ("mp2", TrackKind.SOUND),
    0x04: ("mp2", TrackKind.SOUND),
    0x0F: ("aac", TrackKind.SOUND),
    0x11: ("aac", TrackKind.SOUND),
    0x1B: ("h264", TrackKind.PICTURE),
    0x24: ("hevc", TrackKind.PICTURE),
    0x80: ("pcm_bluray", TrackKind.SOUND),
    0x81: ("ac3", TrackKind.SOUND),
}


@dataclass(slots=True)
class _Stream:
    pid: int
    type: int
    first_time: int | None = None
    earliest: int = 0
    latest: int = 0


@dataclass(slots=True)
class _Transport:
    looking: Looking
    packet_bytes: int
    stamp_bytes: int
    streams: dict[int, _Stream] = field(default_factory=dict)
    layout: EssenceLayout = field(default_factory=EssenceLayout)

    @property
    def reader(self) -> BoundedReader:
        return self.looking.reader

    @property
    def packets(self) -> int:
        return self.reader.size // self.packet_bytes


def check(looking: Looking, *, continues: bool = False) -> StructureReport:
    """Check one file.

    Args:
        looking: the file, and where flaws go.
        continues: the recording goes on in another file, so this one may end anywhere.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    form = packet_form(looking.reader.read_at(0, 5 * STAMPED_BYTES))
    if form is None:
        looking.findings.add(ClipCode.DAMAGED, "packets", "it does not begin with packets", 0)
        return StructureReport(Container.MPEGTS)
    stream = _Transport(looking, *form)
    _check_size(stream)
    _read_tables(stream)
    counters: dict[int, int] = {}
    end = 0
    for first, count in _windows(stream):
        if first != end:
            counters.clear()
        _check_window(stream, first, count, counters)
        end = first + count
    if not continues:
        _check_end(stream)
    stream.layout.add(0, looking.reader.size, Essence.PACKETS)
    tracks = tuple(_track(each) for each in stream.streams.values())
    return StructureReport(
        container=Container.MPEGTS,
        variant=f"{stream.packet_bytes}-byte packets",
        tracks=tracks,
        duration=max((t.duration for t in tracks if t.duration), default=None),
        layout=stream.layout,
    )


def _check_size(stream: _Transport) -> None:
    size, findings = stream.reader.size, stream.looking.findings
    if rest := size % stream.packet_bytes:
        findings.add(
            ClipCode.CUT_SHORT,
            "packets",
            f"it ends {rest} bytes into a packet of {stream.packet_bytes}",
            size - rest,
        )
    elif stream.stamp_bytes and size % _ALIGNED_BYTES:
        findings.note(
            ClipCode.CUT_SHORT, "packets", f"its size is no multiple of {_ALIGNED_BYTES} bytes"
        )


def _windows(stream: _Transport) -> list[tuple[int, int]]:
    """Runs of packets to look at, as (first, count): all of a short file, else spread."""
    total = stream.packets
    is_all = stream.looking.is_whole or stream.reader.size <= _ALL_BYTES
    if is_all or total <= _WINDOWS * _WINDOW_PACKETS:
        return [
            (first, min(_WINDOW_PACKETS, total - first))
            for first in range(0, total, _WINDOW_PACKETS)
        ]
    last = total - _WINDOW_PACKETS
    return [(at * last // (_WINDOWS - 1), _WINDOW_PACKETS) for at in range(_WINDOWS)]


def _check_window(stream: _Transport, first: int, count: int, counters: dict[int, int]) -> None:
    """Marks and counters of neighbouring packets; counters by stream, from the window before."""
    findings = stream.looking.findings
    length = stream.packet_bytes
    data = stream.reader.read_at(first * length, count * length)
    marks = data[stream.stamp_bytes :: length]
    stream.looking.count.total += count
    stream.looking.count.checked += count
    lost = len(marks) - marks.count(SYNC)
    if lost:
        bad = next(at for at, mark in enumerate(marks) if mark != SYNC)
        findings.add(
            ClipCode.DAMAGED,
            "packets",
            f"{lost} of {len(marks)} packets do not begin with their mark",
            (first + bad) * length,
            count=lost,
        )
        counters.clear()
        return
    for at in range(len(marks)):
        packet = read_packet(data, at * length, stream.stamp_bytes, (first + at) * length)
        if packet is not None and packet.pid in stream.streams:
            _check_counter(stream, counters, packet)
            _note_time(stream.streams[packet.pid], packet)


def _check_counter(stream: _Transport, counters: dict[int, int], packet: Packet) -> None:
    last = counters.get(packet.pid)
    if packet.payload:
        counters[packet.pid] = packet.counter
    if last is None or packet.may_jump or not packet.payload:
        return
    if packet.counter not in ((last + 1) & 15, last):
        missing = (packet.counter - last - 1) & 15
        stream.looking.findings.add(
            ClipCode.DAMAGED,
            "packet-counters",
            f"stream {packet.pid:#x}: {missing} or more packets are missing",
            packet.offset,
        )


def _note_time(stream: _Stream, packet: Packet) -> None:
    time = presentation_time(packet)
    if time is None:
        return
    if stream.first_time is None:
        stream.first_time = time
    # The clock has 33 bits; a later time may be a smaller number.
    apart = (time - stream.first_time + _HALF_CLOCK) % (2 * _HALF_CLOCK) - _HALF_CLOCK
    stream.earliest = min(stream.earliest, apart)
    stream.latest = max(stream.latest, apart)


def _read_tables(stream: _Transport) -> None:
    """Find the programme's streams in the tables at the head of the file."""
    length = stream.packet_bytes
    data = stream.reader.read_at(0, _HEAD_PACKETS * length)
    tables: set[int] = set()
    for at in range(0, len(data) - length + 1, length):
        stream.reader.step()
        packet = read_packet(data, at, stream.stamp_bytes, at)
        if packet is None or not packet.starts_unit:
            continue
        if packet.pid == 0:
            tables.update(programmes(section(packet)))
        elif packet.pid in tables:
            for kind, pid in elementary(section(packet)):
                stream.streams[pid] = _Stream(pid, kind)
            break
    if not stream.streams:
        stream.looking.findings.add(
            ClipCode.DAMAGED, "tables", "no table of its streams at the head of the file", 0
        )


def _check_end(stream: _Transport) -> None:
    """Each picture and sound stream must end with the end of a unit.

    A unit's last packet is filled up unless the unit happens to fit; a unit that gives its length
    must be as long as it says.
    """
    length = stream.packet_bytes
    first = max(stream.packets - _TAIL_PACKETS, 0)
    data = stream.reader.read_at(first * length, (stream.packets - first) * length)
    open_streams = {pid for pid, each in stream.streams.items() if each.type in _TYPES}
    sizes: Counter[int] = Counter()
    last: dict[int, Packet] = {}
    for at in range(len(data) - length, -1, -length):
        packet = read_packet(data, at, stream.stamp_bytes, first * length + at)
        if packet is None or packet.pid not in open_streams or not packet.payload:
            continue
        stream.reader.step()
        last.setdefault(packet.pid, packet)
        sizes[packet.pid] += len(packet.payload)
        if packet.starts_unit:
            open_streams.discard(packet.pid)
            _check_unit_end(stream, packet, last[packet.pid], sizes[packet.pid])
        if not open_streams:
            break


def _check_unit_end(stream: _Transport, start: Packet, last: Packet, size: int) -> None:
    if start.payload[:3] != b"\0\0\1":
        return
    declared = number(start.payload, 4, 2)
    wanted = declared + 6
    if declared and size < wanted:
        check, text = "last-units", f"its last unit says {wanted} bytes, {size} are there"
    elif not declared and not last.is_filled:
        kind = _TYPES[stream.streams[start.pid].type][1]
        check, text = "last-units", "its last unit does not end"
        # One recording in a hundred ends so in good order, because its last unit happens to fit
        # (measured: 10 of 868). Whether that unit is whole only decoding tells.
        if kind is TrackKind.PICTURE:
            check = OPEN_END
    else:
        return
    stream.looking.findings.add(
        ClipCode.CUT_SHORT, check, f"stream {start.pid:#x}: {text}", start.offset
    )


def _track(stream: _Stream) -> StructureTrack:
    codec, kind = _TYPES.get(stream.type, ("", TrackKind.OTHER))
    duration = None
    if stream.first_time is not None:
        duration = Fraction(stream.latest - stream.earliest, _CLOCK)
    return StructureTrack(kind, stream.pid, Essence.PACKETS, codec=codec, duration=duration)
