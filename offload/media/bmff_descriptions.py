"""What a sample description of a MOV or MP4 track says: codec, raster, sound format, timecode.

Sources: ISO/IEC 14496-12 (entries), 14496-15 (units), the QuickTime file format (versions 1 and 2
of the sound entry, timecode); ProRes codes from a public registry of codes; the codes of
uncompressed picture and sound formats from memory, as FFmpeg reads them.
"""

import math
import struct
from dataclasses import dataclass
from fractions import Fraction

from offload.media.packed import number
from offload.media.structure import Essence

_FOURCCS = {
    Essence.PRORES: b"apco apcs apcn apch ap4h ap4x",
    Essence.VC3: b"AVdn AVdh",
    Essence.NAL: b"avc1 avc3 hvc1 hev1 dvh1 dvhe dva1 dvav",
    Essence.START_CODES: b"m2v1 mp2v hdv1 hdv2 hdv3 hdv5 hdv6 hdv7",
    Essence.JPEG: b"jpeg mjpa",
    Essence.JPEG2000: b"mjp2",
    Essence.DV: b"dvcp dvpp dv5n dv5p dvh5 dvh6 dvhq dvhp",
    Essence.RAW_PICTURE: b"v210 v216 v308 v408 v410 2vuy yuv2 r210 R10k b64a b48r",
}
_PICTURES = {
    fourcc: essence for essence, fourccs in _FOURCCS.items() for fourcc in fourccs.split()
} | {b"dvc ": Essence.DV, b"raw ": Essence.RAW_PICTURE}

# Bytes of one sample of one channel; 0 where only the entry's bits tell.
_PCM = {
    **dict.fromkeys((b"twos", b"sowt", b"raw ", b"NONE", b"lpcm", b"ipcm", b"fpcm"), 0),
    **dict.fromkeys((b"alaw", b"ulaw"), 1),
    **{b"in24": 3, b"in32": 4, b"fl32": 4, b"fl64": 8},
}
_ENCRYPTED = frozenset((b"encv", b"enca", b"drms", b"drmi"))
_VISUAL_BYTES = 86
_SOUND_BYTES = {0: 36, 1: 52, 2: 72}
_MAX_BOXES = 64


@dataclass(frozen=True, slots=True)
class SampleDescription:
    """One entry of a track's sample descriptions; 0 or None where it says nothing.

    Attributes:
        fourcc: its code.
        essence: how samples of it are checked.
        is_encrypted: unreadable without a key.
        width: of the picture, pixels.
        height: likewise.
        unit_length_bytes: size of the length before each unit (ISO/IEC 14496-15).
        channels: of sound.
        bits: stored bits of one sample.
        sample_rate: of sound.
        frame_bytes: what one sample frame of uncompressed sound may take, bytes.
        packet: samples and bytes of one packet, for compressed sound of the older form.
        timecode: flags, timescale, frame duration and frames in a second of a timecode entry.
    """

    fourcc: bytes
    essence: Essence = Essence.OTHER
    is_encrypted: bool = False
    width: int = 0
    height: int = 0
    unit_length_bytes: int = 0
    channels: int = 0
    bits: int = 0
    sample_rate: Fraction | None = None
    frame_bytes: frozenset[int] = frozenset()
    packet: tuple[int, int] = (0, 0)
    timecode: tuple[int, int, int, int] | None = None


def read_description(handler: bytes, entry: bytes) -> SampleDescription:
    """Read one entry, from its size on; fields behind its end count as 0.

    Args:
        handler: the track's handler type, such as ``vide``.
        entry: the whole entry.
    """
    fourcc = entry[4:8]
    if handler == b"vide":
        return _visual(fourcc, entry)
    if handler == b"soun":
        return _sound(fourcc, entry)
    if fourcc == b"tmcd":
        flags, scale, length = (number(entry, at, 4) for at in (20, 24, 28))
        return SampleDescription(fourcc, timecode=(flags, scale, length, number(entry, 32, 1)))
    return SampleDescription(fourcc)


def _visual(fourcc: bytes, entry: bytes) -> SampleDescription:
    boxes = _boxes(entry, _VISUAL_BYTES)
    essence = _PICTURES.get(fourcc, Essence.UNKNOWN_PICTURE)
    unit_length = 0
    if essence is Essence.NAL:
        if avc := boxes.get(b"avcC"):
            unit_length = (number(avc, 4, 1) & 3) + 1
        elif hevc := boxes.get(b"hvcC"):
            unit_length = (number(hevc, 21, 1) & 3) + 1
    width, height = number(entry, 32, 2), number(entry, 34, 2)
    is_encrypted = fourcc in _ENCRYPTED or b"sinf" in boxes
    if is_encrypted:
        essence = Essence.UNKNOWN_PICTURE
    return SampleDescription(fourcc, essence, is_encrypted, width, height, unit_length)


def _sound(fourcc: bytes, entry: bytes) -> SampleDescription:
    version = number(entry, 16, 2)
    channels, bits = number(entry, 24, 2), number(entry, 26, 2)
    rate: Fraction | None = Fraction(number(entry, 32, 4), 65536)
    packet, frame_bytes = (0, 0), set[int]()
    if version == 1:
        packet = (number(entry, 36, 4), number(entry, 44, 4))
        frame_bytes.add(packet[1])
    elif version == 2:
        rate = _double(entry, 40)
        channels, bits = number(entry, 48, 4), number(entry, 56, 4)
        frame_bytes.add(number(entry, 64, 4))
    boxes = _boxes(entry, _SOUND_BYTES.get(version, len(entry)))
    if pcm := boxes.get(b"pcmC"):
        bits = number(pcm, 5, 1)
    is_encrypted = fourcc in _ENCRYPTED or b"sinf" in boxes
    is_pcm = fourcc in _PCM and not is_encrypted
    if is_pcm:
        frame_bytes.add(channels * (_PCM[fourcc] or (bits + 7) // 8))
        bits = 8 * _PCM[fourcc] or bits
    return SampleDescription(
        fourcc,
        Essence.PCM if is_pcm else Essence.SOUND,
        is_encrypted,
        channels=channels,
        bits=bits if is_pcm else 0,
        sample_rate=rate or None,
        frame_bytes=frozenset(frame_bytes - {0}) if is_pcm else frozenset(),
        packet=packet,
    )


def _boxes(entry: bytes, at: int) -> dict[bytes, bytes]:
    """The content of the boxes behind an entry's fixed part; what does not fit ends the list."""
    found: dict[bytes, bytes] = {}
    for _box in range(_MAX_BOXES):
        size = number(entry, at, 4)
        if size < 8 or at + size > len(entry):
            break
        found.setdefault(entry[at + 4 : at + 8], entry[at + 8 : at + size])
        at += size
    return found


def _double(entry: bytes, at: int) -> Fraction | None:
    if len(entry) < at + 8:
        return None
    (value,) = struct.unpack_from(">d", entry, at)
    return Fraction(round(value)) if math.isfinite(value) and 0 < value < 1e9 else None
