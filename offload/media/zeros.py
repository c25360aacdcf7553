"""Runs of zero blocks: damage inside compressed pictures, perhaps silence inside sound.

The copier notes every aligned block of zeros as the bytes pass. After a power cut a file system
without journal leaves files of the right size with a tail, or a hole, of zeros; a player shows
fewer pictures and says nothing. What may rightly be zeros is told apart here: uncompressed
pictures may be black, uncompressed sound silent, and some codecs fill a picture up to a constant
size.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from offload.media.essence import padding_begins, vc3_fields
from offload.media.reading import BoundedReader
from offload.media.structure import Essence, EssenceLayout, Findings
from offload.values.clips import ClipCode, ClipFinding, Weight

_CHECK = "zero-runs"
_MAX_RUNS = 10_000
_MAX_LOOKED_INTO = 256
_SCAN_BYTES = 4 * 1024 * 1024
_LEAST_SILENCE_BYTES = 1 << 20

# In these nothing of 64 KiB can be zeros wherever it lies: emulation prevention, packet marks.
_NEVER_ZERO = frozenset((Essence.NAL, Essence.PACKETS, Essence.DV))


class _Judgement(Enum):
    DAMAGE = "damage"
    DOUBT = "doubt"
    PADDING = "padding"


@dataclass(slots=True)
class _Tally:
    pictures: int = 0
    first: int | None = None
    doubts: int = 0
    looked_into: int = 0


def zero_runs_in_essence(
    runs: Iterable[tuple[int, int]],
    layout: EssenceLayout,
    reader: BoundedReader | None = None,
    path: bytes = b"",
) -> tuple[ClipFinding, ...]:
    """What runs of zeros mean for a clip.

    Args:
        runs: (offset, length) of each run of zero blocks, bytes.
        layout: where the clip's essence lies, as its structure check found it.
        reader: the file; lets padding inside a picture be told from damage. Without it, what may
            be padding is a notice.
        path: the clip's path, for the findings.

    Raises:
        OSError: the medium could not be read.
    """
    findings = Findings(path)
    for number, (offset, length) in enumerate(runs):
        if number >= _MAX_RUNS:
            findings.add(ClipCode.ZEROS, _CHECK, "more runs of zeros than are followed", offset)
            break
        _judge_run(offset, length, layout, reader, findings)
    return findings.result()


def zeros_in_unknown(
    runs: Iterable[tuple[int, int]], size: int, path: bytes
) -> tuple[ClipFinding, ...]:
    """What runs of zeros may mean in a file that we cannot look into: at most a notice.

    Args:
        runs: (offset, length) of each run of zero blocks, bytes.
        size: of the file.
        path: the file's path, for the finding.
    """
    zeros = sum(length for _offset, length in runs)
    if zeros < _LEAST_SILENCE_BYTES:
        return ()
    text = f"{zeros} of its {size} bytes are blocks of zeros: padding, or lost"
    check = "zero-runs-doubtful"
    return (ClipFinding(ClipCode.ZEROS, text, path, weight=Weight.NOTICE, check=check),)


def _judge_run(
    offset: int,
    length: int,
    layout: EssenceLayout,
    reader: BoundedReader | None,
    findings: Findings,
) -> None:
    end, tally, sound = offset + length, _Tally(), 0
    for start, behind, essence in layout.within(offset, end):
        if essence in (Essence.PCM, Essence.RAW_PICTURE):
            sound += min(end, behind) - max(offset, start) if essence is Essence.PCM else 0
            continue
        if essence is Essence.OTHER:
            continue
        judgement = _judge(offset, end, (start, behind, essence), reader, tally)
        if judgement is _Judgement.DAMAGE:
            tally.pictures += 1
            tally.first = max(offset, start) if tally.first is None else tally.first
        elif judgement is _Judgement.DOUBT:
            tally.doubts += 1
    _report(offset, length, tally, findings)
    if sound >= _LEAST_SILENCE_BYTES and not tally.pictures:
        text = f"{sound} bytes of zeros in every channel of its sound: silence, or lost"
        findings.notice(ClipCode.ZEROS, "zero-runs-sound", text, offset)


def _report(offset: int, length: int, tally: _Tally, findings: Findings) -> None:
    if tally.pictures:
        findings.add(
            ClipCode.ZEROS,
            _CHECK,
            f"{length} bytes of zeros where {tally.pictures} compressed "
            f"{'sample has' if tally.pictures == 1 else 'samples have'} data",
            tally.first,
        )
    elif tally.doubts:
        findings.add(
            ClipCode.ZEROS,
            "zero-runs-doubtful",
            f"{length} bytes of zeros inside a compressed picture: padding, or lost",
            offset,
            Weight.NOTICE,
        )


def _judge(
    offset: int,
    end: int,
    extent: tuple[int, int, Essence],
    reader: BoundedReader | None,
    tally: _Tally,
) -> _Judgement:
    start, behind, essence = extent
    if offset <= start or essence in _NEVER_ZERO or not essence.is_picture:
        # No sample of any codec begins with blocks of zeros.
        return _Judgement.DAMAGE
    if reader is None or tally.looked_into >= _MAX_LOOKED_INTO:
        return _Judgement.DOUBT
    tally.looked_into += 1
    if essence is Essence.START_CODES:
        return _judge_start_codes(reader, start, behind, offset, end)
    if essence in (Essence.JPEG, Essence.JPEG2000):
        return _judge_after_end(reader, start, offset)
    if essence is Essence.UNKNOWN_PICTURE:
        return _Judgement.DOUBT
    if essence is Essence.VC3:
        fields = vc3_fields(reader, start, behind - start)
        if len(fields) > 1:
            return _judge_fields(offset, end, fields, reader)
    return _judge_padding(offset, end, extent, reader)


def _judge_fields(
    offset: int, end: int, fields: list[tuple[int, int]], reader: BoundedReader
) -> _Judgement:
    """Each field of a picture is filled up for itself; damage in one is damage."""
    for start, size in fields:
        if end <= start or offset >= start + size:
            continue
        field = (start, start + size, Essence.VC3)
        is_hit = offset <= start
        if is_hit or _judge_padding(offset, end, field, reader) is _Judgement.DAMAGE:
            return _Judgement.DAMAGE
    return _Judgement.PADDING


def _judge_padding(
    offset: int, end: int, extent: tuple[int, int, Essence], reader: BoundedReader
) -> _Judgement:
    start, behind, essence = extent
    padding = padding_begins(reader, essence, start, behind - start)
    if padding is None or offset - start < padding:
        return _Judgement.DAMAGE
    if essence is Essence.VC3 and end >= behind - 4:
        # A VC-3 frame ends in a mark, so padding never reaches its end.
        return _Judgement.DAMAGE
    return _Judgement.PADDING


def _judge_after_end(reader: BoundedReader, start: int, offset: int) -> _Judgement:
    """Zeros behind the end mark FFD9 are padding; anywhere else they replace a picture."""
    before = reader.read_at(max(start, offset - _SCAN_BYTES), min(offset - start, _SCAN_BYTES))
    is_ended = before.rstrip(b"\0").endswith(b"\xff\xd9")
    return _Judgement.PADDING if is_ended else _Judgement.DAMAGE


def _judge_start_codes(
    reader: BoundedReader, start: int, behind: int, offset: int, end: int
) -> _Judgement:
    """Zeros may stand in front of a start code or at a picture's end, never inside a slice."""
    if end < behind:
        after = reader.read_at(end, min(behind - end, _SCAN_BYTES)).lstrip(b"\0")
        if after and after[0] != 1:
            return _Judgement.DAMAGE
    before = reader.read_at(start, min(offset - start, _SCAN_BYTES))
    code = before.rfind(b"\0\0\1")
    # Without a slice in front of them the zeros hide the whole picture (ISO/IEC 13818-2, 6.2.1).
    has_slice = 0 <= code < len(before) - 3 and (1 <= before[code + 3] <= 0xAF)
    return _Judgement.DOUBT if has_slice else _Judgement.DAMAGE
