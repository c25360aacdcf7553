"""How the samples of each codec must begin, divide and end.

A container says where a sample lies; these checks say whether what lies there can be one. They
read heads and tables of lengths, some hundred bytes to some kilobytes of each picture, and find
what a decoder passes over in silence: a frame whose tables are zeros, a chain of units that does
not land on the end. Zeros inside the coded data itself are found where the whole sample is read
(``whole``), because every slice then has to begin like one.

Sources: ProRes, SMPTE RDD 36 (frame and picture header, slice table) and measurement; VC-3, SMPTE
ST 2019-1 (marks measured; table of rows from memory, as FFmpeg reads it); units behind their
lengths, ISO/IEC 14496-15; start codes, ISO/IEC 13818-2 and 14496-10 annex B; JPEG, ISO/IEC
10918-1; JPEG 2000, ISO/IEC 15444-1; DV, IEC 61834-2 (from memory).
"""

import re
import struct
import sys
from array import array
from collections.abc import Callable
from dataclasses import dataclass
from itertools import accumulate

from offload.media.reading import BoundedReader
from offload.media.structure import Essence

_HEAD_BYTES = 4096
_MAX_UNITS = 4096
_STUFFING_BYTES = 64
_TRAILING_ZEROS = 16
_PRORES_SLICE_HEADER_BYTES = 6
_NOT_ZERO = re.compile(rb"[^\0]")
_VC3_START = b"\x00\x00\x02\x80"
_VC3_END = b"\x60\x0d\xc0\xde"
_VC3_ROWS_AT = 0x16C
_VC3_TABLE_AT = 0x170
_VC3_HD_DATA_AT = 0x280
_VC3_HD_ROWS = 68
_VC3_FIELDS = 2


@dataclass(frozen=True, slots=True)
class HeadFlaw:
    """Why a sample cannot be what the container says.

    Attributes:
        text: a phrase.
        offset: where in the file.
    """

    text: str
    offset: int


class _FlawError(Exception):
    def __init__(self, text: str, at: int) -> None:
        super().__init__(text)
        self.text = text
        self.at = at


class Sample:
    """One sample in the file, read by positions inside it.

    Args:
        reader: the whole file.
        offset: where the sample begins.
        size: its length in bytes.
        is_whole: read all of it at once, for checks that look at every slice.
    """

    def __init__(
        self, reader: BoundedReader, offset: int, size: int, *, is_whole: bool = False
    ) -> None:
        self._reader = reader
        self.offset = offset
        self.size = size
        self.is_whole = is_whole
        self._head = reader.read_at(offset, size if is_whole else min(size, _HEAD_BYTES))

    def part(self, at: int, length: int) -> bytes:
        """``length`` bytes from position ``at`` of the sample.

        Raises:
            _FlawError: the sample, or the file, ends before.
        """
        if at < 0 or at + length > self.size:
            raise _FlawError("its inner sizes reach past its end", max(0, min(at, self.size)))
        if at + length <= len(self._head):
            return self._head[at : at + length]
        data = self._reader.read_at(self.offset + at, length)
        if len(data) != length:
            raise _FlawError("the file ends inside it", at)
        return data

    def step(self) -> None:
        """Count one step of a loop over the sample."""
        self._reader.step()


def has_checks(essence: Essence) -> bool:
    """Whether anything is known about the heads of this essence."""
    return essence in _CHECKS


def head_flaw(
    reader: BoundedReader,
    essence: Essence,
    offset: int,
    size: int,
    *,
    unit_length_bytes: int = 0,
    is_whole: bool = False,
) -> HeadFlaw | None:
    """What is wrong with the sample at ``offset``; None where nothing is.

    Args:
        reader: the whole file.
        essence: what it should be.
        offset: where it begins in the file.
        size: its length in bytes, as the container says.
        unit_length_bytes: size of the length before each unit (ISO/IEC 14496-15); 0 elsewhere.
        is_whole: look at every slice, reading the whole sample.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    check = _CHECKS.get(essence)
    if check is None:
        return None
    try:
        check(Sample(reader, offset, size, is_whole=is_whole), unit_length_bytes)
    except _FlawError as flaw:
        return HeadFlaw(flaw.text, offset + flaw.at)
    return None


def padding_begins(reader: BoundedReader, essence: Essence, offset: int, size: int) -> int | None:
    """From which position inside the sample zeros may be padding; None where never.

    ProRes frames may end in stuffing (RDD 36), VC-3 pictures are filled up to their constant size;
    of two fields each is a sample of its own here, see :func:`vc3_fields`.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    try:
        if essence is Essence.PRORES:
            return _prores_pictures(Sample(reader, offset, size))
        if essence is Essence.VC3:
            return _vc3_last_row(Sample(reader, offset, size), 0)
    except _FlawError:
        return None
    return None


def _check_prores(sample: Sample, _unit_length_bytes: int) -> None:
    used = _prores_pictures(sample)
    if sample.is_whole and sample.part(used, sample.size - used).strip(b"\0"):
        raise _FlawError("something other than padding follows its last picture", used)


def _prores_pictures(sample: Sample) -> int:
    """Check header and pictures; returns where they end, and stuffing may begin."""
    head = sample.part(0, 28)
    frame_size, mark, header_size = struct.unpack_from(">I4sH", head)
    if mark != b"icpf":
        raise _FlawError("a ProRes frame does not begin with its mark", 4)
    behind = min(sample.size - frame_size, _STUFFING_BYTES)
    if behind < 0 or any(sample.part(sample.size - behind, behind)):
        raise _FlawError(
            f"a ProRes frame gives its size as {frame_size}, the index says {sample.size}", 0
        )
    width, height = struct.unpack_from(">HH", head, 16)
    pictures = 2 if (head[20] >> 2) & 3 else 1
    at: int = 8 + header_size
    for _picture in range(pictures):
        at = _prores_picture(sample, at, width, (height + pictures - 1) // pictures)
    return at


def _prores_picture(sample: Sample, at: int, width: int, height: int) -> int:
    """Check one picture; returns where it ends."""
    head = sample.part(at, 8)
    header_size = head[0] >> 3
    picture_size = int.from_bytes(head[1:5], "big")
    written_count = int.from_bytes(head[5:7], "big")
    table_at = at + header_size
    # RDD 36 deprecates the written number of slices; the raster gives the one that counts.
    for count in dict.fromkeys((_prores_slices(width, height, head[7] >> 4), written_count)):
        sizes = _big_endian("H", sample.part(table_at, 2 * count))
        if count and header_size + 2 * count + sum(sizes) == picture_size:
            if sample.is_whole:
                _check_prores_slices(sample, table_at + 2 * count, sizes)
            return at + picture_size
    raise _FlawError("the slice sizes of a ProRes picture do not add up to it", at)


def _prores_slices(width: int, height: int, log2_width: int) -> int:
    across = (width + 15) >> 4
    whole, rest = divmod(across, 1 << log2_width)
    # What is left of a row is cut into slices of falling powers of two.
    return ((height + 15) >> 4) * (whole + rest.bit_count())


def _check_prores_slices(sample: Sample, first_at: int, sizes: "array[int]") -> None:
    end = first_at + sum(sizes)
    data = sample.part(first_at, end - first_at)
    for at, size in zip(accumulate(sizes, initial=0), sizes, strict=False):
        if size < _PRORES_SLICE_HEADER_BYTES:
            raise _FlawError("a ProRes slice is too short to be one", first_at + at)
        header, quantiser, luma, blue = struct.unpack_from(">BBHH", data, at)
        if header >> 3 < _PRORES_SLICE_HEADER_BYTES or not quantiser:
            raise _FlawError("a ProRes slice does not begin like one", first_at + at)
        if (header >> 3) + luma + blue > size:
            raise _FlawError("the parts of a ProRes slice are longer than it", first_at + at)


def _check_vc3(sample: Sample, _unit_length_bytes: int) -> None:
    head = sample.part(0, _VC3_TABLE_AT)
    if head[:4] != _VC3_START:
        raise _FlawError("a VC-3 frame does not begin with its mark", 0)
    if sample.part(sample.size - 4, 4) != _VC3_END:
        raise _FlawError("a VC-3 frame does not end with its mark", sample.size - 4)
    _vc3_last_row(sample, 0)
    if head[5] & _VC3_FIELDS:
        half = sample.size // 2
        if sample.part(half, 4) != _VC3_START:
            raise _FlawError("the second field of a VC-3 frame does not begin", half)
        _vc3_last_row(sample, half)


def vc3_fields(reader: BoundedReader, offset: int, size: int) -> list[tuple[int, int]]:
    """The pictures that a VC-3 frame is made of, one or two, as (offset, size in bytes).

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    flags = reader.read_at(offset + 5, 1)
    if not flags or not flags[0] & _VC3_FIELDS:
        return [(offset, size)]
    return [(offset, size // 2), (offset + size // 2, size - size // 2)]


def _vc3_last_row(sample: Sample, at: int) -> int:
    """Where the last row of blocks of the picture at ``at`` begins, counted from there; behind its
    data the picture is only filled up."""
    rows = int.from_bytes(sample.part(at + _VC3_ROWS_AT, 2), "big")
    if not rows:
        raise _FlawError("a VC-3 frame has no rows", at + _VC3_ROWS_AT)
    starts = _big_endian("I", sample.part(at + _VC3_TABLE_AT, 4 * rows))
    data_at = _VC3_TABLE_AT + 4 * rows if rows > _VC3_HD_ROWS else _VC3_HD_DATA_AT
    if any(map(int.__gt__, starts, starts[1:])):
        raise _FlawError("the rows of a VC-3 frame are not in order", at + _VC3_TABLE_AT)
    if at + data_at + starts[-1] >= sample.size:
        raise _FlawError("the last row of a VC-3 frame lies outside it", at + _VC3_TABLE_AT)
    if sample.is_whole:
        for start in starts:
            if not any(sample.part(at + data_at + start, 4)):
                raise _FlawError("a row of a VC-3 frame does not begin", at + data_at + start)
    return data_at + starts[-1]


def _check_units(sample: Sample, length_bytes: int) -> None:
    if not length_bytes:
        return
    at = 0
    for _unit in range(_MAX_UNITS):
        if at == sample.size:
            return
        head = sample.part(at, length_bytes + 1)
        length = int.from_bytes(head[:length_bytes], "big")
        if not length:
            raise _FlawError("a unit of no length", at)
        if head[length_bytes] & 0x80:
            raise _FlawError("a unit has its forbidden bit set", at + length_bytes)
        if at + length_bytes + length > sample.size:
            raise _FlawError("the chain of units does not end where the sample ends", at)
        if sample.is_whole:
            _check_unit_data(sample, at + length_bytes, length)
        at += length_bytes + length
        sample.step()
    raise _FlawError(f"more than {_MAX_UNITS} units in one sample", at)


def _check_unit_data(sample: Sample, at: int, length: int) -> None:
    # Three zeros in a row cannot occur inside a unit: that is what emulation prevention is for
    # (ISO/IEC 14496-10 and 23008-2, 7.4.1.1 and 7.4.2). Some writers leave a few at its end.
    data = sample.part(at, length)
    found = data.find(b"\0\0\0")
    if found >= 0 and (found < length - _TRAILING_ZEROS or data[found:].strip(b"\0")):
        raise _FlawError("zeros that cannot occur inside a unit", at + found)


def _check_start_code(sample: Sample, _unit_length_bytes: int) -> None:
    head = sample.part(0, min(4, sample.size))
    if not (head[:3] == b"\0\0\1" or head == b"\0\0\0\1"):
        raise _FlawError("a picture does not begin with a start code", 0)
    if sample.is_whole:
        _check_stray_zeros(sample.part(0, sample.size))


def _check_stray_zeros(data: bytes) -> None:
    """Three zeros may only stand in front of a start code or at a picture's end."""
    at = data.find(b"\0\0\0")
    while at >= 0:
        # Found forwards from each run's beginning, so that long runs cost their length once.
        behind = _NOT_ZERO.search(data, at)
        if behind is None:
            return
        if behind.group() != b"\1":
            raise _FlawError("zeros that cannot occur inside a picture", at)
        at = data.find(b"\0\0\0", behind.end())


def _marked(name: str, *marks: bytes) -> Callable[[Sample, int], None]:
    most = max(map(len, marks))

    def check(sample: Sample, _unit_length_bytes: int) -> None:
        if not sample.part(0, min(most, sample.size)).startswith(marks):
            raise _FlawError(f"a {name} picture does not begin with its mark", 0)

    return check


def _big_endian(code: str, data: bytes) -> "array[int]":
    values = array(code, data)
    if sys.byteorder == "little":
        values.byteswap()
    return values


_CHECKS: dict[Essence, Callable[[Sample, int], None]] = {
    Essence.PRORES: _check_prores,
    Essence.VC3: _check_vc3,
    Essence.NAL: _check_units,
    Essence.START_CODES: _check_start_code,
    Essence.JPEG: _marked("JPEG", b"\xff\xd8\xff"),
    # The bare code stream, as SMPTE ST 422 wants it, or the boxes of a JP2 file around it, as some
    # writers leave it (measured: FFmpeg's MXF).
    Essence.JPEG2000: _marked("JPEG 2000", b"\xff\x4f\xff\x51", b"\0\0\0\x0cjP  \r\n\x87\n"),
    Essence.DV: _marked("DV", b"\x1f"),
}
