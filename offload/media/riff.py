"""Wave files: RIFF, RF64 and BW64 with the broadcast extension.

A recorder that loses power leaves sizes of 0 or FFFFFFFF; players play such a file to its end and
say nothing. Sources: EBU Tech 3285 (broadcast wave), EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64).
"""

import struct
from dataclasses import dataclass, field
from fractions import Fraction

from offload.media.heads import Looking
from offload.media.reading import BoundedReader
from offload.media.structure import (
    Essence,
    EssenceLayout,
    Findings,
    MalformedError,
    StructureReport,
    StructureTrack,
    TimecodeStart,
    TrackKind,
)
from offload.values.clips import ClipCode, Container, Weight

_HEAD_BYTES = 8
_FORMS = (b"RIFF", b"RF64", b"BW64")
_UNKNOWN_SIZE = 0xFFFFFFFF
_BEXT_BYTES = 602
_MAX_CHUNKS = 10_000
_MAX_PADDING_BYTES = 1 << 20
_PCM, _FLOAT, _EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
_CHECK = "chunk-sizes"
_FORMAT = "wave-format"


@dataclass(frozen=True, slots=True)
class _Chunk:
    kind: bytes
    body: int
    size: int

    @property
    def end(self) -> int:
        """First position behind it and its padding (chunks begin at even positions)."""
        return self.body + self.size + (self.size & 1)


@dataclass(frozen=True, slots=True)
class _Format:
    tag: int
    channels: int
    rate: int
    byte_rate: int
    block: int
    bits: int

    @property
    def is_pcm(self) -> bool:
        return self.tag in (_PCM, _FLOAT)


@dataclass(slots=True)
class _Wave:
    looking: Looking
    form: bytes = b""
    riff_size: int = 0
    data_size: int | None = None
    chunks: dict[bytes, _Chunk] = field(default_factory=dict)

    @property
    def reader(self) -> BoundedReader:
        return self.looking.reader

    @property
    def findings(self) -> Findings:
        return self.looking.findings


def check(looking: Looking) -> StructureReport:
    """Check one file.

    Args:
        looking: the file, and where flaws go.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    wave = _Wave(looking)
    head = looking.reader.read_at(0, 12)
    if head[:4] not in _FORMS or len(head) < 12:
        looking.findings.add(ClipCode.DAMAGED, _CHECK, "it does not begin as a wave file", 0)
        return StructureReport(Container.WAV)
    wave.form = head[:4]
    wave.riff_size = int.from_bytes(head[4:8], "little")
    variant = wave.form.decode("ascii")
    if head[8:12] != b"WAVE":
        looking.findings.notice(
            ClipCode.OPAQUE, _CHECK, "it is RIFF without wave data; we cannot look inside"
        )
        return StructureReport(Container.UNKNOWN, variant)
    if wave.form != b"RIFF":
        _read_long_sizes(wave)
    _walk(wave)
    layout = EssenceLayout()
    track = _check_sound(wave, layout)
    _check_extension(wave)
    return StructureReport(
        container=Container.WAV,
        variant=variant,
        tracks=(track,) if track else (),
        duration=track.duration if track else None,
        timecode=_time_reference(wave, track),
        layout=layout,
    )


def _read_long_sizes(wave: _Wave) -> None:
    """RF64 and BW64 keep their sizes in ``ds64``, which must come first."""
    head = wave.reader.read_at(12, 8 + 28)
    if head[:4] != b"ds64" or len(head) < 36:
        wave.findings.add(
            ClipCode.DAMAGED, "long-sizes", f"{wave.form.decode()} without its sizes ('ds64')", 12
        )
        return
    wave.riff_size, wave.data_size = struct.unpack_from("<QQ", head, 8)


def _walk(wave: _Wave) -> None:
    """Follow the chunks to the end that the header gives, and look at what comes after it."""
    reader, findings = wave.reader, wave.findings
    is_open = wave.form == b"RIFF" and wave.riff_size in (0, _UNKNOWN_SIZE)
    end = reader.size if is_open else wave.riff_size + 8
    if is_open:
        findings.add(
            ClipCode.UNFINISHED, _CHECK, "the file was never given its length: not closed", 4
        )
    elif end > reader.size:
        findings.add(
            ClipCode.CUT_SHORT,
            _CHECK,
            f"it says it ends at byte {end}, the file ends at {reader.size}",
            4,
            _weight_of_excess(wave, end),
        )
    at = 12
    for _chunk in range(_MAX_CHUNKS):
        if at >= min(end, reader.size):
            break
        chunk = _chunk_at(wave, at, min(end, reader.size))
        if chunk is None:
            return
        wave.chunks.setdefault(chunk.kind, chunk)
        at = _next_chunk(wave, chunk)
    if not is_open and end < reader.size:
        _report_trailing(wave, end)


def _weight_of_excess(wave: _Wave, end: int) -> Weight:
    """How much it means that the header's length is more than the file has.

    No chunk that holds anything fits into 8 bytes: where the chunks end with the file, so little
    is a writer that counted the header too, or left out the last padding.
    """
    excess = end - wave.reader.size
    if excess == 1 and end % 2 == 0:
        return Weight.NOTE
    is_all_there = excess <= _HEAD_BYTES and _are_chunks(wave, 12)
    return Weight.NOTICE if is_all_there else Weight.HOLD


def _are_chunks(wave: _Wave, at: int) -> bool:
    """Whether chunks follow one another from ``at`` to the very end; zeros may follow them."""
    reader = wave.reader
    for _chunk in range(_MAX_CHUNKS):
        if _is_zeros(wave, at):
            return True
        head = reader.read_at(at, 8)
        chunk = _Chunk(head[:4], at + 8, int.from_bytes(head[4:8], "little"))
        if len(head) < 8 or not _is_kind(chunk.kind) or chunk.body + chunk.size > reader.size:
            return False
        at = _next_chunk(wave, chunk)
    return False


def _is_zeros(wave: _Wave, at: int) -> bool:
    """Whether from ``at`` to the end of the file nothing but a bounded number of zeros follows."""
    rest = wave.reader.size - at
    return rest <= _MAX_PADDING_BYTES and not any(wave.reader.read_at(at, max(rest, 0)))


def _next_chunk(wave: _Wave, chunk: _Chunk) -> int:
    """Where the next chunk begins: at an even position, except after careless writers."""
    if chunk.size & 1 and _is_kind(wave.reader.read_at(chunk.end - 1, 4)):
        return chunk.end - 1
    return chunk.end


def _is_kind(kind: bytes) -> bool:
    return len(kind) == 4 and all(32 <= byte < 127 for byte in kind)


def _chunk_at(wave: _Wave, at: int, end: int) -> _Chunk | None:
    """The chunk at ``at``; None where the walk cannot go on."""
    head = wave.reader.read_at(at, 8)
    kind, size = head[:4], int.from_bytes(head[4:8], "little")
    if len(head) < 8 or at + 8 > end or not _is_kind(kind):
        if wave.findings.has(ClipCode.CUT_SHORT):
            return None
        what = "zeros stand where a chunk should begin" if not any(head) else "no chunk begins here"
        is_filled_up = b"data" in wave.chunks and _is_zeros(wave, at)
        wave.findings.add(
            ClipCode.TRAILING if is_filled_up else ClipCode.DAMAGED,
            _CHECK,
            what,
            at,
            Weight.NOTICE if is_filled_up else Weight.HOLD,
        )
        return None
    if kind == b"data":
        return _Chunk(kind, at + 8, _data_size(wave, at, size))
    chunk = _Chunk(kind, at + 8, size)
    if chunk.body + size > wave.reader.size:
        wave.findings.add(
            ClipCode.CUT_SHORT,
            _CHECK,
            f"a chunk of {size} bytes at byte {at} reaches past the end of the file",
            at,
        )
        return None
    return chunk


def _data_size(wave: _Wave, at: int, size: int) -> int:
    """How much sound there is: as declared, or what the file holds where that is less."""
    left = wave.reader.size - at - 8
    if size == _UNKNOWN_SIZE and wave.form != b"RIFF" and wave.data_size is not None:
        size = wave.data_size
    elif size == _UNKNOWN_SIZE or (size == 0 and left > 0 and wave.form == b"RIFF"):
        wave.findings.add(
            ClipCode.UNFINISHED, _CHECK, "the sound was never given its length: not closed", at
        )
        return left
    elif wave.data_size is not None and wave.data_size != size:
        wave.findings.add(
            ClipCode.DAMAGED,
            "long-sizes",
            f"the sound has {size} bytes by its chunk and {wave.data_size} by 'ds64'",
            at,
        )
    if size > left:
        wave.findings.add(
            ClipCode.CUT_SHORT, _CHECK, f"{size} bytes of sound are declared, {left} are there", at
        )
        return left
    return size


def _report_trailing(wave: _Wave, at: int) -> None:
    """What stands behind the end: filling, chunks that a writer added later, or something else."""
    rest = wave.reader.size - at
    is_padding = _is_zeros(wave, at)
    is_harmless = is_padding or _are_chunks(wave, 12)
    wave.findings.add(
        ClipCode.TRAILING if is_harmless else ClipCode.DAMAGED,
        _CHECK,
        f"{rest} bytes {'of zeros ' if is_padding else ''}follow the end that the header gives",
        at,
        Weight.NOTICE if is_harmless else Weight.HOLD,
    )


def _check_sound(wave: _Wave, layout: EssenceLayout) -> StructureTrack | None:
    form = _format(wave)
    data = wave.chunks.get(b"data")
    if data is None:
        if not wave.findings.has(ClipCode.CUT_SHORT, ClipCode.DAMAGED):
            wave.findings.add(ClipCode.UNFINISHED, _CHECK, "it holds no sound ('data')")
    elif data.size == 0:
        wave.findings.add(ClipCode.EMPTY, _CHECK, "its sound is 0 bytes long", data.body - 8)
    if form is None:
        return None
    essence = Essence.PCM if form.is_pcm else Essence.SOUND
    samples, duration = None, None
    if data is not None:
        layout.add(data.body, data.size, essence)
        if form.is_pcm and form.block:
            samples = data.size // form.block
            if data.size % form.block and not wave.findings.has(ClipCode.CUT_SHORT):
                wave.findings.add(
                    ClipCode.CUT_SHORT,
                    _FORMAT,
                    f"{data.size} bytes are no whole number of samples of {form.block} bytes",
                    data.body,
                )
        if form.is_pcm and form.rate and samples is not None:
            duration = Fraction(samples, form.rate)
    return StructureTrack(
        kind=TrackKind.SOUND,
        essence=essence,
        codec=f"{form.tag:#06x}",
        rate=Fraction(form.rate) if form.rate else None,
        samples=samples,
        duration=duration,
        channels=form.channels,
        bits=form.bits or None,
    )


def _format(wave: _Wave) -> _Format | None:
    chunk = wave.chunks.get(b"fmt ")
    if chunk is None:
        wave.findings.add(ClipCode.DAMAGED, _FORMAT, "it does not say how its sound is stored")
        return None
    data = wave.reader.read_at(chunk.body, min(chunk.size, 40))
    if len(data) < 16:
        raise MalformedError(_FORMAT, "its sound format is too short", chunk.body)
    tag, channels, rate, byte_rate, block, bits = struct.unpack_from("<HHIIHH", data)
    if tag == _EXTENSIBLE and len(data) >= 26:
        tag = int.from_bytes(data[24:26], "little")
    form = _Format(tag, channels, rate, byte_rate, block, bits)
    if form.is_pcm:
        _check_format(wave, form, chunk)
    return form


def _check_format(wave: _Wave, form: _Format, chunk: _Chunk) -> None:
    """Channels, bits, block and byte rate must agree (EBU Tech 3285, format chunk)."""
    if not form.channels or not form.rate or not form.bits:
        text = f"{form.channels} channels of {form.bits} bits at {form.rate} Hz"
        wave.findings.add(ClipCode.DAMAGED, _FORMAT, text, chunk.body)
    elif form.block < form.channels * ((form.bits + 7) // 8) or form.block % form.channels:
        # Larger blocks are legal: 24 bits may be kept in 32.
        text = f"{form.channels} channels of {form.bits} bits in blocks of {form.block} bytes"
        wave.findings.add(ClipCode.DAMAGED, _FORMAT, text, chunk.body)
    elif form.byte_rate != form.block * form.rate:
        text = f"{form.byte_rate} bytes a second instead of {form.block * form.rate}"
        wave.findings.add(ClipCode.DAMAGED, _FORMAT, text, chunk.body, Weight.NOTICE)


def _check_extension(wave: _Wave) -> None:
    chunk = wave.chunks.get(b"bext")
    if chunk is not None and chunk.size < _BEXT_BYTES:
        wave.findings.add(
            ClipCode.DAMAGED,
            "broadcast-extension",
            f"its broadcast extension has {chunk.size} bytes, fewer than {_BEXT_BYTES}",
            chunk.body,
            Weight.NOTICE,
        )


def _time_reference(wave: _Wave, track: StructureTrack | None) -> TimecodeStart | None:
    """Samples since midnight, from the broadcast extension; the base is the sample rate."""
    chunk = wave.chunks.get(b"bext")
    if chunk is None or chunk.size < _BEXT_BYTES or track is None or not track.rate:
        return None
    data = wave.reader.read_at(chunk.body + 338, 8)
    return TimecodeStart(int.from_bytes(data, "little"), int(track.rate), is_drop=False)
