"""Fragmented MOV and MP4: each ``moof`` describes the samples of the ``mdat`` behind it.

A fragment that is missing or overwritten leaves no trace in what a player shows: the duration
simply shrinks. Here the decode times, the sequence numbers and the announced duration must agree
(ISO/IEC 14496-12, movie fragments).
"""

import struct
from array import array
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import repeat

from offload.media.bmff_boxes import Box, BoxData, children, tree
from offload.media.bmff_index import FragmentDefaults, Index
from offload.media.bmff_samples import Mdat
from offload.media.packed import number
from offload.media.reading import BoundedReader
from offload.media.structure import Findings, MalformedError
from offload.values.clips import ClipCode, Weight

_CHECK = "fragments"
_MAX_FRAGMENT_BYTES = 16 * 1024 * 1024
_MAX_SAMPLES = 4_000_000
_MAX_DURATIONS = 1000
_TFHD_FIELDS = ((0x1, 8), (0x2, 4), (0x8, 4), (0x10, 4), (0x20, 4))


@dataclass(slots=True)
class FragmentSamples:
    """What the fragments hold of one track.

    Attributes:
        offsets: of the samples in the file.
        lengths: of the samples in bytes.
        duration: their sum, in the track's units.
        durations: how often each duration of one sample occurs.
        next_time: decode time at which the next fragment must begin; None before the first.
    """

    offsets: "array[int]" = field(default_factory=lambda: array("Q"))
    lengths: "array[int]" = field(default_factory=lambda: array("Q"))
    duration: int = 0
    durations: Counter[int] = field(default_factory=Counter)
    next_time: int | None = None

    @property
    def frame_duration(self) -> int:
        """The most frequent duration of one sample."""
        return self.durations.most_common(1)[0][0] if self.durations else 0

    def locate(self, sample: int) -> tuple[int, int]:
        """Offset and size of one sample."""
        return self.offsets[sample], self.lengths[sample]


class FragmentCheck:
    """Follows the fragments of one file in their order.

    Args:
        reader: the file.
        index: the file's index, for defaults.
        mdats: where media data lies, sorted.
        findings: where flaws go.
    """

    def __init__(
        self, reader: BoundedReader, index: Index, mdats: list[Mdat], findings: Findings
    ) -> None:
        self._reader = reader
        self._index = index
        self._mdats = mdats
        self._starts = [mdat.start for mdat in mdats]
        self._findings = findings
        self._sequence = 0
        self._total = 0
        self.tracks: dict[int, FragmentSamples] = {}

    def add(self, moof: Box) -> None:
        """Read one ``moof``.

        Raises:
            BudgetError: too much would have to be read.
            EndOfFileError: it lies partly behind the end of the file.
        """
        if moof.end - moof.start > _MAX_FRAGMENT_BYTES:
            raise MalformedError(
                _CHECK, "a fragment's index is too large", moof.start, ClipCode.UNCHECKED
            )
        data = memoryview(self._reader.need(moof.start, moof.end - moof.start))
        source = BoxData(data, moof.start)
        root = Box(moof.kind, 0, moof.body - moof.start, len(data))
        after_last = moof.start
        for box in children(source, root, self._findings):
            if box.kind == b"mfhd":
                self._check_sequence(number(data, box.body + 4, 4), moof.start)
            elif box.kind == b"traf":
                after_last = self._track_fragment(source, box, after_last)

    def _check_sequence(self, sequence: int, offset: int) -> None:
        if self._sequence and sequence <= self._sequence:
            text = f"fragment {sequence} follows fragment {self._sequence}"
            self._findings.add(ClipCode.DAMAGED, _CHECK, text, offset)
        elif self._sequence and sequence != self._sequence + 1:
            # Numbers usually rise by one (ISO/IEC 14496-12, movie fragment header): a writer that
            # counts otherwise is a person's to settle.
            text = f"fragments {self._sequence + 1} to {sequence - 1} are missing"
            self._findings.add(ClipCode.COUNTS_DIFFER, _CHECK, text, offset)
        self._sequence = sequence

    def _track_fragment(self, source: BoxData, box: Box, after_last: int) -> int:
        parts = list(children(source, box, self._findings))
        header = next((part for part in parts if part.kind == b"tfhd"), None)
        if header is None:
            raise MalformedError(_CHECK, "a fragment without its header", source.offset)
        defaults = self._index.fragment_defaults
        run = _Run(source, header, defaults, after_last, self._reader.size)
        samples = self.tracks.setdefault(run.track, FragmentSamples())
        for part in parts:
            if part.kind == b"tfdt":
                self._check_time(source, part, run.track, samples)
        began = samples.duration
        for part in parts:
            if part.kind == b"trun":
                self._samples(source, part, run, samples)
        if samples.next_time is not None:
            samples.next_time += samples.duration - began
        return run.at

    def _check_time(self, source: BoxData, box: Box, track: int, samples: FragmentSamples) -> None:
        version = number(source.data, box.body, 1)
        time = number(source.data, box.body + 4, 8 if version == 1 else 4)
        if samples.next_time is not None and time != samples.next_time:
            lost = time - samples.next_time
            self._findings.add(
                ClipCode.COUNTS_DIFFER,
                _CHECK,
                f"track {track}: a fragment begins {lost} units after the one before it ended",
                source.offset,
                Weight.NOTE if abs(lost) <= self._allowed(track, samples) else Weight.HOLD,
            )
        samples.next_time = time

    def _allowed(self, track: int, samples: FragmentSamples) -> int:
        """How far apart fragments may be: one picture, or a twentieth of a second of sound."""
        scales = (each.timescale for each in self._index.tracks if each.number == track)
        return max(samples.frame_duration, next(scales, 0) // 20)

    def _samples(self, source: BoxData, box: Box, run: "_Run", into: FragmentSamples) -> None:
        first = len(into.offsets)
        for duration, size in run.samples(source, box):
            into.offsets.append(run.at)
            into.lengths.append(size)
            into.duration += duration
            if duration in into.durations or len(into.durations) < _MAX_DURATIONS:
                into.durations[duration] += 1
            run.at += size
        self._total += len(into.offsets) - first
        if self._total > _MAX_SAMPLES:
            raise MalformedError(
                _CHECK, "more samples than a check follows", source.offset, ClipCode.UNCHECKED
            )
        if len(into.offsets) > first and not self._is_inside(into.offsets[first], run.at):
            self._findings.add(
                ClipCode.DAMAGED,
                "chunks-in-data",
                f"track {run.track}: a fragment's samples lie outside the media data",
                source.offset,
            )

    def _is_inside(self, start: int, end: int) -> bool:
        at = bisect_right(self._starts, start) - 1
        return at >= 0 and end <= self._mdats[at].end


class _Run:
    """The samples of one track fragment: defaults, and where the next sample lies."""

    def __init__(
        self,
        source: BoxData,
        header: Box,
        defaults: dict[int, FragmentDefaults],
        after_last: int,
        most: int,
    ) -> None:
        data = source.data
        # A run without a word about each sample cannot hold more than the file.
        self._most = most
        flags = number(data, header.body + 1, 3)
        self.track = number(data, header.body + 4, 4)
        known = defaults.get(self.track, FragmentDefaults(0, 0))
        fields = _optional(data, header, header.body + 8, flags, _TFHD_FIELDS, source.offset)
        self.duration = fields.get(0x8, known.duration)
        self.size = fields.get(0x10, known.size)
        # Without an own base, samples follow the fragment's start, or the track before.
        self.base = fields.get(0x1, source.offset if flags & 0x20000 else after_last)
        self.at = self.base

    def samples(self, source: BoxData, box: Box) -> Iterator[tuple[int, int]]:
        """Duration and size of each sample of one ``trun``."""
        data, flags = source.data, number(source.data, box.body + 1, 3)
        count, at = number(data, box.body + 4, 4), box.body + 8
        if flags & 0x1:
            (offset,) = struct.unpack(">i", data[at : at + 4])
            self.at, at = max(self.base + offset, 0), at + 4
        at += 4 if flags & 0x4 else 0
        present = [flag for flag in (0x100, 0x200, 0x400, 0x800) if flags & flag]
        width = 4 * len(present)
        if at + count * width > box.end or (not width and count * max(self.size, 1) > self._most):
            raise MalformedError(
                _CHECK, f"a run of {count} samples is longer than its box", source.offset
            )
        if not width:
            yield from repeat((self.duration, self.size), count)
            return
        has_duration, has_size = 0x100 in present, 0x200 in present
        rows = struct.Struct(f">{len(present)}I").iter_unpack(data[at : at + count * width])
        for row in rows:
            yield (
                row[0] if has_duration else self.duration,
                row[has_duration] if has_size else self.size,
            )


def _optional(
    data: memoryview,
    box: Box,
    at: int,
    flags: int,
    fields: tuple[tuple[int, int], ...],
    offset: int,
) -> dict[int, int]:
    """The fields that the flags announce, by flag."""
    found: dict[int, int] = {}
    for flag, size in fields:
        if flags & flag:
            if at + size > box.end:
                raise MalformedError(_CHECK, "a fragment's header is too short", offset)
            found[flag] = number(data, at, size)
            at += size
    return found


def check_announced(index: Index, tracks: dict[int, FragmentSamples], findings: Findings) -> None:
    """The announced duration of all fragments must be there."""
    if index.fragment_duration is None or not index.timescale:
        return
    scales = {track.number: track.timescale for track in index.tracks}
    longest = max(
        (
            samples.duration * index.timescale // scales[number_]
            for number_, samples in tracks.items()
            if scales.get(number_)
        ),
        default=0,
    )
    if longest + index.timescale // 5 < index.fragment_duration:
        findings.add(
            ClipCode.CUT_SHORT,
            _CHECK,
            f"{index.fragment_duration} units are announced, fragments hold {longest}",
        )


def check_random_access(
    reader: BoundedReader, box: Box, moofs: list[int], findings: Findings
) -> None:
    """The table at the end of a fragmented file must point at fragments.

    Raises:
        BudgetError: too much would have to be read.
        EndOfFileError: it lies partly behind the end of the file.
    """
    if box.end - box.start > _MAX_FRAGMENT_BYTES:
        return
    data = memoryview(reader.need(box.start, box.end - box.start))
    known = set(moofs)
    source = BoxData(data, box.start)
    for inner, _parent in tree(source, Box(box.kind, 0, box.body - box.start, len(data)), findings):
        if inner.kind != b"tfra":
            continue
        wide = number(data, inner.body, 1) == 1
        sizes = number(data, inner.body + 8, 4)
        tail = sum(((sizes >> shift) & 3) + 1 for shift in (4, 2, 0))
        width = (16 if wide else 8) + tail
        count = number(data, inner.body + 12, 4)
        if inner.body + 16 + count * width > inner.end:
            findings.add(ClipCode.DAMAGED, _CHECK, "the fragment table is too short", box.start)
            continue
        lost = 0
        for at in range(inner.body + 16, inner.body + 16 + count * width, width):
            offset = number(data, at + 8, 8) if wide else number(data, at + 4, 4)
            lost += offset not in known
        if lost:
            findings.add(
                ClipCode.DAMAGED,
                _CHECK,
                f"{lost} of {count} entries of the fragment table point at no fragment",
                box.start,
            )
