"""The sample tables of one MOV or MP4 track: that they agree, and point at what is there.

The rules (ISO/IEC 14496-12): the counts of ``stts``, ``stsz`` and ``stsc`` describe the same
samples; every chunk lies inside an ``mdat``; the media duration is the sum of the sample
durations. Tables stay packed: a table larger than what holds it is refused, not read.
"""

import operator
from array import array
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import accumulate, chain, islice, pairwise, repeat

from offload.media.bmff_boxes import BoxData
from offload.media.bmff_descriptions import SampleDescription
from offload.media.bmff_index import Track
from offload.media.bmff_tables import CHECK, Tables
from offload.media.structure import Essence, EssenceLayout, Findings, MalformedError
from offload.values.clips import ClipCode, Weight

_MAX_PICTURES = 4_000_000
_MEDIA = (b"vide", b"soun")
_REORDERED = 16


@dataclass(frozen=True, slots=True)
class Mdat:
    """Where the content of one ``mdat`` lies in the file."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Sizes:
    """The sizes of a track's samples: one for all, or the position of each in a running sum.

    Attributes:
        count: samples.
        each: bytes of every sample; 0 where they differ.
        ends: running sum, with 0 in front, where they differ.
    """

    count: int
    each: int
    ends: "array[int]" = field(default_factory=lambda: array("Q"))

    def total(self, first: int, end: int) -> int:
        """Bytes of the samples from ``first`` up to ``end``."""
        return self.each * (end - first) if self.each else self.ends[end] - self.ends[first]


@dataclass(frozen=True, slots=True)
class Chunks:
    """Where a track's chunks lie.

    Attributes:
        offsets: in the file.
        lengths: in bytes.
        firsts: number of the first sample of each chunk, and of one behind the last.
    """

    offsets: "array[int]"
    lengths: "array[int]"
    firsts: "array[int]"

    @property
    def total(self) -> int:
        """Bytes in all chunks."""
        return sum(self.lengths)

    @property
    def end(self) -> int:
        """First position behind the chunk that lies farthest back."""
        return max(map(operator.add, self.offsets, self.lengths), default=0)


@dataclass(frozen=True, slots=True)
class TrackSamples:
    """What the tables of one track say, once they have been checked.

    Attributes:
        samples: how many.
        duration: their sum, in the track's units.
        frame_duration: the most frequent duration of one sample, in the track's units.
        sizes: of the samples.
        chunks: where they lie.
        essence: what they are.
    """

    samples: int
    duration: int
    frame_duration: int
    sizes: Sizes
    chunks: Chunks
    essence: Essence

    def locate(self, sample: int) -> tuple[int, int]:
        """Offset in the file and size in bytes of one sample, by its number from 0."""
        chunk = bisect_right(self.chunks.firsts, sample) - 1
        before = self.sizes.total(self.chunks.firsts[chunk], sample)
        return self.chunks.offsets[chunk] + before, self.sizes.total(sample, sample + 1)

    def places(self) -> "tuple[array[int], array[int]]":
        """Offset and size of every sample, 16 bytes each; for pictures, of bounded number."""
        if len(self.chunks.offsets) == self.samples:
            return array("Q", self.chunks.offsets), self.chunks.lengths
        offsets = array("Q")
        for chunk, offset in enumerate(self.chunks.offsets):
            first, end = self.chunks.firsts[chunk], self.chunks.firsts[chunk + 1]
            if self.sizes.each:
                whole = (end - first) * self.sizes.each
                offsets.extend(range(offset, offset + whole, self.sizes.each))
            else:
                shift = offset - self.sizes.ends[first]
                offsets.extend(before + shift for before in self.sizes.ends[first:end])
        if self.sizes.each:
            return offsets, array("Q", [self.sizes.each]) * self.samples
        return offsets, array("Q", map(operator.sub, self.sizes.ends[1:], self.sizes.ends))


def check_samples(
    source: BoxData, track: Track, mdats: list[Mdat], findings: Findings
) -> TrackSamples | None:
    """Check the tables of one track.

    Returns:
        What they say; None where they cannot be followed.
    """
    try:
        return _checked(source, track, mdats, findings)
    except MalformedError as error:
        findings.malformed(error)
        return None


def _checked(source: BoxData, track: Track, mdats: list[Mdat], findings: Findings) -> TrackSamples:
    tables = Tables(source, track)
    description = _one_description(track)
    sizes = _sizes(tables, description, findings)
    duration, frame_duration = _durations(tables, track, sizes.count, findings)
    chunks = _chunks(tables, sizes, description)
    if not track.is_external:
        _check_inside(tables, chunks, mdats, findings)
    _check_side_tables(tables, sizes.count, findings)
    essence = description.essence
    if track.handler not in _MEDIA:
        essence = Essence.OTHER
    return TrackSamples(sizes.count, duration, frame_duration, sizes, chunks, essence)


def _one_description(track: Track) -> SampleDescription:
    """The description of all samples; without a known essence where there are several."""
    fourccs = {each.fourcc for each in track.descriptions}
    if len(fourccs) == 1:
        return track.descriptions[0]
    return SampleDescription(
        b"", Essence.UNKNOWN_PICTURE if track.handler == b"vide" else Essence.OTHER
    )


def _sizes(tables: Tables, description: SampleDescription, findings: Findings) -> Sizes:
    if tables.has(b"stz2"):
        return _compact_sizes(tables)
    each, count = tables.field(b"stsz", 4), tables.field(b"stsz", 8)
    if not each:
        values = tables.entries(b"stsz", 4, header=12)
        return Sizes(len(values), 0, array("Q", accumulate(values, initial=0)))
    if description.essence is Essence.PCM:
        each = _sound_frame_bytes(tables, description, each, findings)
    return Sizes(count, each)


def _sound_frame_bytes(
    tables: Tables, description: SampleDescription, each: int, findings: Findings
) -> int:
    allowed = description.frame_bytes
    if each in allowed or not allowed:
        return each
    if each != 1:
        text = f"samples of {each} bytes, described as {' or '.join(map(str, sorted(allowed)))}"
        findings.add(ClipCode.DAMAGED, CHECK, tables.said(text), tables.offset(b"stsz"))
    # Old writers put 1 here for uncompressed sound; the description tells.
    return min(allowed)


def _compact_sizes(tables: Tables) -> Sizes:
    bits, count = tables.field(b"stz2", 7, 1), tables.field(b"stz2", 8)
    if bits == 4:
        pairs = tables.rest(b"stz2", 12)
        if len(pairs) != (count + 1) // 2:
            raise tables.flaw(b"stz2", f"'stz2' counts {count} entries and has {len(pairs)} bytes")
        halves: Iterable[int] = chain.from_iterable((pair >> 4, pair & 15) for pair in pairs)
        values: Iterable[int] = islice(halves, count)
    elif bits in (8, 16):
        values = tables.entries(b"stz2", bits // 8, header=12)
    else:
        raise tables.flaw(b"stz2", f"sample sizes of {bits} bits")
    return Sizes(count, 0, array("Q", accumulate(values, initial=0)))


def _durations(tables: Tables, track: Track, samples: int, findings: Findings) -> tuple[int, int]:
    values = tables.entries(b"stts", 4, 2)
    counts, deltas = values[0::2], values[1::2]
    if sum(counts) != samples:
        findings.add(
            ClipCode.COUNTS_DIFFER,
            CHECK,
            tables.said(f"durations for {sum(counts)} samples, sizes for {samples}"),
            tables.offset(b"stts"),
        )
    total = sum(map(operator.mul, counts, deltas))
    usual = max(zip(counts, deltas, strict=True), default=(0, 0))[1]
    if track.duration is not None and track.duration != total:
        # Two pictures; for sound, whose samples are short, a tenth of a second.
        allowed = max(2 * usual, track.timescale // 10)
        if len(set(deltas)) > 1:
            # Where pictures last unequally and are shown in another order than stored, writers add
            # up either (measured); no more than 16 wait for their turn (ISO/IEC 14496-10, A.3.1).
            allowed = max(allowed, _REORDERED * usual)
        is_small = abs(track.duration - total) <= allowed or track.handler not in _MEDIA
        findings.add(
            ClipCode.COUNTS_DIFFER,
            "durations",
            tables.said(f"declared to last {track.duration} units, its samples last {total}"),
            tables.offset(b"stts"),
            Weight.NOTE if is_small else Weight.HOLD,
        )
    if track.handler == b"vide":
        _check_even(tables, counts, deltas, usual, findings)
    return total, usual


def _check_even(
    tables: Tables,
    counts: "array[int]",
    deltas: "array[int]",
    usual: int,
    findings: Findings,
) -> None:
    """Report pictures that last longer or shorter than the others; the last one may."""
    frame = 0
    for at, (count, delta) in enumerate(zip(counts, deltas, strict=True)):
        is_last = at == len(counts) - 1 and count == 1
        if delta != usual and not is_last:
            lost = delta // usual - 1 if usual and delta % usual == 0 else 0
            what = (
                f"lasts {lost + 1} frames, as if {lost} were dropped"
                if lost > 0
                else (f"lasts {delta} units instead of {usual}")
            )
            findings.notice(
                ClipCode.UNEVEN,
                "frame-durations",
                tables.said(f"picture {frame + 1} {what}"),
                tables.offset(b"stts"),
            )
        frame += count


def _chunks(tables: Tables, sizes: Sizes, description: SampleDescription) -> Chunks:
    offsets = tables.entries(b"co64", 8) if tables.has(b"co64") else tables.entries(b"stco", 4)
    firsts = array("Q", accumulate(_samples_per_chunk(tables, len(offsets)), initial=0))
    mapped = firsts[-1]
    if mapped != sizes.count:
        raise tables.flaw(
            b"stsc",
            f"{mapped} samples in {len(offsets)} chunks, sizes for {sizes.count}",
            ClipCode.COUNTS_DIFFER,
        )
    return Chunks(offsets, array("Q", _chunk_lengths(sizes, firsts, description)), firsts)


def _chunk_lengths(
    sizes: Sizes, firsts: "array[int]", description: SampleDescription
) -> Iterator[int]:
    samples, packet_bytes = description.packet
    if description.essence is Essence.SOUND and sizes.each == 1 and samples and packet_bytes:
        # The older form of compressed sound counts uncompressed samples.
        lengths: Iterable[int] = (
            (end - first) // samples * packet_bytes for first, end in pairwise(firsts)
        )
        return iter(lengths)
    if sizes.each:
        counts = map(operator.sub, firsts[1:], firsts)
        return map(operator.mul, counts, repeat(sizes.each))
    ends = map(sizes.ends.__getitem__, firsts[1:])
    return map(operator.sub, ends, map(sizes.ends.__getitem__, firsts))


def _samples_per_chunk(tables: Tables, chunks: int) -> Iterator[int]:
    runs = tables.entries(b"stsc", 4, 3)
    firsts, counts = runs[0::3], runs[1::3]
    if not chunks:
        return iter(())
    if not firsts:
        raise tables.flaw(b"stsc", "chunks without a count of their samples")
    is_rising = not any(map(operator.ge, firsts, firsts[1:]))
    if firsts[0] != 1 or not is_rising or firsts[-1] > chunks:
        raise tables.flaw(b"stsc", "the runs of chunks are not in order")
    if not all(1 <= described <= max(tables.descriptions, 1) for described in runs[2::3]):
        raise tables.flaw(b"stsc", "chunks of a sample description that is not there")
    lengths = map(operator.sub, (*firsts[1:], chunks + 1), firsts)
    return chain.from_iterable(map(repeat, counts, lengths))


def _check_inside(tables: Tables, chunks: Chunks, mdats: list[Mdat], findings: Findings) -> None:
    """Every chunk must lie inside one ``mdat``."""
    if not chunks.offsets:
        return
    first, end = min(chunks.offsets), chunks.end
    if any(mdat.start <= first and end <= mdat.end for mdat in mdats):
        return
    starts = [mdat.start for mdat in mdats]
    outside, first_outside = 0, 0
    for offset, length in zip(chunks.offsets, chunks.lengths, strict=True):
        at = bisect_right(starts, offset) - 1
        if at < 0 or offset + length > mdats[at].end:
            first_outside = first_outside if outside else offset
            outside += 1
    if outside:
        findings.add(
            ClipCode.DAMAGED,
            "chunks-in-data",
            tables.said(f"{outside} of {len(chunks.offsets)} chunks lie outside the media data"),
            first_outside,
        )


def _check_side_tables(tables: Tables, samples: int, findings: Findings) -> None:
    if tables.has(b"ctts"):
        counted = sum(tables.entries(b"ctts", 4, 2)[0::2])
        if counted != samples:
            findings.add(
                ClipCode.COUNTS_DIFFER,
                CHECK,
                tables.said(f"display times for {counted} samples, sizes for {samples}"),
                tables.offset(b"ctts"),
            )
    if tables.has(b"stss"):
        keys = tables.entries(b"stss", 4)
        if keys and (max(keys) > samples or min(keys) < 1 or any(map(operator.ge, keys, keys[1:]))):
            findings.add(
                ClipCode.DAMAGED,
                CHECK,
                tables.said("the list of key frames is not in order"),
                tables.offset(b"stss"),
            )


def note_layout(samples: TrackSamples, layout: EssenceLayout) -> None:
    """Note where a track's essence lies: each picture, or each chunk of anything else."""
    if not samples.essence.is_picture or samples.samples > _MAX_PICTURES:
        for offset, length in zip(samples.chunks.offsets, samples.chunks.lengths, strict=True):
            layout.add(offset, length, samples.essence)
        return
    layout.extend(*samples.places(), samples.essence)
