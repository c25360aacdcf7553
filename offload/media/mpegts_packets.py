"""Packets of a transport stream and what stands in one (ISO/IEC 13818-1)."""

from dataclasses import dataclass

from offload.media.packed import number

PACKET_BYTES = 188
STAMPED_BYTES = 192
"""With a time stamp of 4 bytes in front, as measured."""
SYNC = 0x47


@dataclass(frozen=True, slots=True)
class Packet:
    """One packet.

    Attributes:
        offset: where it begins in the file, its time stamp included.
        pid: of the stream that it belongs to.
        starts_unit: a unit (PES packet or table) begins in it.
        counter: of the packets of its stream, 0 to 15.
        payload: what it carries.
        is_filled: its adaptation field is longer than its own content asks for.
        may_jump: the counter may begin anew here.
    """

    offset: int
    pid: int
    starts_unit: bool
    counter: int
    payload: bytes
    is_filled: bool
    may_jump: bool


def packet_form(head: bytes) -> tuple[int, int] | None:
    """Packet length and bytes in front of the mark, where a head is a transport stream.

    Five marks in a row decide; a shorter head needs all that fit, and three at least.
    """
    for length, stamp in ((PACKET_BYTES, 0), (STAMPED_BYTES, 4)):
        marks = head[stamp : stamp + 5 * length : length]
        if len(marks) >= 3 and set(marks) == {SYNC}:
            return length, stamp
    return None


def read_packet(data: bytes, at: int, stamp: int, offset: int) -> Packet | None:
    """Take one packet apart; None where its own sizes cannot be."""
    start, end = at + stamp, at + stamp + PACKET_BYTES
    head = number(data, start, 4)
    payload_at, is_filled, may_jump = start + 4, False, False
    control = (head >> 4) & 3
    if control & 2:
        length = number(data, start + 4, 1)
        payload_at += 1 + length
        is_filled = length != _field_bytes(data, start + 5, length)
        may_jump = bool(length and number(data, start + 5, 1) & 0x80)
    if payload_at > end:
        return None
    payload = data[payload_at:end] if control & 1 else b""
    return Packet(
        offset,
        (head >> 8) & 0x1FFF,
        bool(head & 0x400000),
        head & 15,
        payload,
        is_filled,
        may_jump,
    )


def _field_bytes(data: bytes, at: int, length: int) -> int:
    """How long an adaptation field has to be for its flags; what is more is filling."""
    if not length:
        return -1
    flags = number(data, at, 1)
    needed = 1 + 6 * bool(flags & 0x10) + 6 * bool(flags & 0x08) + bool(flags & 0x04)
    for flag in (0x02, 0x01):
        if flags & flag:
            needed += 1 + number(data, at + needed, 1)
    return needed


def presentation_time(packet: Packet) -> int | None:
    """The time stamp of a unit that begins in this packet, in units of 1/90000 s."""
    data = packet.payload
    if not packet.starts_unit or data[:3] != b"\0\0\1" or len(data) < 14 or not data[7] & 0x80:
        return None
    return (
        ((data[9] >> 1) & 7) << 30
        | data[10] << 22
        | (data[11] >> 1) << 15
        | data[12] << 7
        | data[13] >> 1
    )


def section(packet: Packet) -> bytes:
    pointer = number(packet.payload, 0, 1)
    section = packet.payload[1 + pointer :]
    return section[: max(3 + (number(section, 1, 2) & 0xFFF) - 4, 0)]


def programmes(section: bytes) -> list[int]:
    pairs = (section[at : at + 4] for at in range(8, len(section) - 3, 4))
    return [number(pair, 2, 2) & 0x1FFF for pair in pairs if number(pair, 0, 2)]


def elementary(section: bytes) -> list[tuple[int, int]]:
    at = 12 + (number(section, 10, 2) & 0xFFF)
    found = []
    while at + 5 <= len(section):
        found.append((section[at], number(section, at + 1, 2) & 0x1FFF))
        at += 5 + (number(section, at + 3, 2) & 0xFFF)
    return found
