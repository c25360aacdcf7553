"""What a structure check reports: what the file says of itself, and what does not add up."""

import operator
from array import array
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, IntEnum
from fractions import Fraction

from offload.values.clips import ClipCode, ClipFinding, Complete, Container, Weight

_KEPT_PER_CHECK = 6


class Essence(IntEnum):
    """What the bytes of a sample are, as far as it decides how they are checked."""

    UNKNOWN_PICTURE = 0
    """Compressed in a way we do not know, or encrypted."""
    PRORES = 1
    VC3 = 2
    NAL = 3
    """H.264 or HEVC, each unit behind its length (ISO/IEC 14496-15)."""
    START_CODES = 4
    """MPEG video, or H.264 and HEVC, as a byte stream with start codes."""
    JPEG = 5
    JPEG2000 = 6
    DV = 7
    RAW_PICTURE = 8
    """Uncompressed: zeros may be black."""
    PCM = 9
    """Uncompressed sound: zeros may be silence."""
    SOUND = 10
    """Compressed sound."""
    PACKETS = 11
    """A transport stream, whose packets all begin with a mark."""
    OTHER = 12
    """Timecode, subtitles, metadata."""

    @property
    def is_picture(self) -> bool:
        """Whether it is one coded or uncompressed picture."""
        return self <= Essence.RAW_PICTURE


_ESSENCES = tuple(Essence)


class TrackKind(Enum):
    """What a track carries."""

    PICTURE = "picture"
    SOUND = "sound"
    TIMECODE = "timecode"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class TimecodeStart:
    """Where a timecode track begins, as the file stores it.

    Attributes:
        frame: number of the first frame, counted from 00:00:00:00.
        base: frames counted in a second (24, 25, 30, 50, 60 ...).
        is_drop: labels are dropped (SMPTE ST 12-1).
    """

    frame: int
    base: int
    is_drop: bool


@dataclass(frozen=True, slots=True)
class StructureTrack:
    """One track as the structure declares it; None or empty where it says nothing.

    Attributes:
        kind: what it carries.
        number: the container's own number for it.
        essence: how its samples are checked.
        fourcc: the sample description's code, escaped; for MXF empty.
        codec: what the structure says of the codec, in words of the standard; may be empty.
        width: of a picture, pixels, as described.
        height: likewise; for MXF with separate fields the height of one field.
        rate: pictures in a second, or samples of a sound track in a second.
        samples: how many pictures or sample frames are declared.
        duration: seconds.
        channels: of a sound track.
        bits: stored bits of one sample.
        is_encrypted: its samples cannot be read without a key.
    """

    kind: TrackKind
    number: int = 0
    essence: Essence = Essence.OTHER
    fourcc: str = ""
    codec: str = ""
    width: int | None = None
    height: int | None = None
    rate: Fraction | None = None
    samples: int | None = None
    duration: Fraction | None = None
    channels: int | None = None
    bits: int | None = None
    is_encrypted: bool = False


class EssenceLayout:
    """Where in the file which essence lies: packed, sorted, 18 bytes for each sample or chunk."""

    __slots__ = ("_ends", "_kinds", "_sorted", "_starts")

    def __init__(self) -> None:
        self._starts = array("Q")
        self._ends = array("Q")
        self._kinds = bytearray()
        self._sorted = True

    def __len__(self) -> int:
        return len(self._starts)

    def add(self, start: int, length: int, essence: Essence) -> None:
        """Note one sample; for sound, whole chunks and neighbours are joined."""
        if length <= 0:
            return
        if self._starts:
            joins = start == self._ends[-1] and self._kinds[-1] == essence
            if joins and not essence.is_picture:
                self._ends[-1] = start + length
                return
            self._sorted = self._sorted and start >= self._starts[-1]
        self._starts.append(start)
        self._ends.append(start + length)
        self._kinds.append(essence)

    def extend(self, starts: "array[int]", lengths: "array[int]", essence: Essence) -> None:
        """Note many pictures at once.

        Args:
            starts: where they begin, 8 bytes each.
            lengths: their sizes, 8 bytes each, as many.
            essence: what they are.
        """
        follows = not self._starts or not starts or starts[0] >= self._starts[-1]
        is_rising = not any(map(operator.gt, starts, starts[1:]))
        self._sorted = self._sorted and follows and is_rising
        self._starts.extend(starts)
        self._ends.extend(map(operator.add, starts, lengths))
        self._kinds += bytes((essence,)) * len(starts)

    def within(self, start: int, end: int) -> Iterator[tuple[int, int, Essence]]:
        """The extents that share a byte with ``start`` to ``end``, as (start, end, essence)."""
        self._sort()
        at = max(0, bisect_right(self._starts, start) - 1)
        while at < len(self._starts) and self._starts[at] < end:
            if self._ends[at] > start:
                yield self._starts[at], self._ends[at], _ESSENCES[self._kinds[at]]
            at += 1

    def end_of(self, essence: Essence) -> int:
        """Where the last extent of this essence ends; 0 where there is none."""
        ends = (end for end, kind in zip(self._ends, self._kinds, strict=True) if kind == essence)
        return max(ends, default=0)

    def _sort(self) -> None:
        if self._sorted:
            return
        order = sorted(range(len(self._starts)), key=self._starts.__getitem__)
        self._starts = array("Q", map(self._starts.__getitem__, order))
        self._ends = array("Q", map(self._ends.__getitem__, order))
        self._kinds = bytearray(map(self._kinds.__getitem__, order))
        self._sorted = True


class MalformedError(Exception):
    """A structure cannot be read on from here; becomes a finding.

    Args:
        check: the check that met it.
        text: what is wrong, outside text escaped.
        offset: where in the file.
        code: one of :class:`ClipCode`.
    """

    def __init__(
        self, check: str, text: str, offset: int | None = None, code: str = ClipCode.DAMAGED
    ) -> None:
        super().__init__(text)
        self.check = check
        self.text = text
        self.offset = offset
        self.code = code


class Findings:
    """Collects what one check finds: a few of each kind, then only their number.

    Args:
        path: the file's path, for every finding.
    """

    def __init__(self, path: bytes) -> None:
        self._path = path
        self._kept: dict[tuple[str, str, Weight], list[ClipFinding]] = {}
        self._counts: Counter[tuple[str, str, Weight]] = Counter()

    def add(
        self,
        code: str,
        check: str,
        text: str,
        offset: int | None = None,
        weight: Weight = Weight.HOLD,
        count: int = 1,
    ) -> None:
        """Report one thing, or ``count`` of a kind of which this is the first."""
        key = (code, check, weight)
        self._counts[key] += count
        kept = self._kept.setdefault(key, [])
        if len(kept) < _KEPT_PER_CHECK:
            kept.append(ClipFinding(code, text, self._path, offset, weight, check))

    def note(self, code: str, check: str, text: str, offset: int | None = None) -> None:
        """Report something that is only written down."""
        self.add(code, check, text, offset, Weight.NOTE)

    def notice(self, code: str, check: str, text: str, offset: int | None = None) -> None:
        """Report something that the camera team should hear."""
        self.add(code, check, text, offset, Weight.NOTICE)

    def malformed(self, error: MalformedError) -> None:
        """Report what stopped a parser."""
        self.add(error.code, error.check, error.text, error.offset)

    def has(self, *codes: str) -> bool:
        """Whether something that keeps the card was reported under one of these codes."""
        return any(code in codes for code, _check, weight in self._counts if weight is Weight.HOLD)

    @property
    def holds(self) -> int:
        """How many things that keep the card were reported."""
        return sum(
            n for (_code, _check, weight), n in self._counts.items() if weight is Weight.HOLD
        )

    def result(self) -> tuple[ClipFinding, ...]:
        """All that is kept, and one line for each kind of which more was found."""
        found: list[ClipFinding] = []
        for key, kept in self._kept.items():
            found += kept
            if rest := self._counts[key] - len(kept):
                code, check, weight = key
                text = f"and {rest} more of this kind"
                found.append(ClipFinding(code, text, self._path, None, weight, check))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class StructureReport:
    """What the structure of one file says, and what is wrong with it.

    Attributes:
        container: by content; by suffix where the content says nothing.
        variant: the kind within the container, such as ``fragmented``, ``RF64``, ``OP1a``.
        tracks: in the order of the file.
        duration: of the whole, seconds, as declared.
        timecode: where the first timecode track begins.
        reel: reel or tape name, escaped.
        package_id: hex digits that the files of one essence group share; empty elsewhere.
        layout: where the essence lies; for zero runs.
        findings: what does not add up.
        heads_checked: samples whose beginning and inner sizes were looked at.
        heads_total: samples that could have been.
        bytes_read: what the check read of the file.
    """

    container: Container
    variant: str = ""
    tracks: tuple[StructureTrack, ...] = ()
    duration: Fraction | None = None
    timecode: TimecodeStart | None = None
    reel: str = ""
    package_id: str = ""
    layout: EssenceLayout = field(default_factory=EssenceLayout)
    findings: tuple[ClipFinding, ...] = ()
    heads_checked: int = 0
    heads_total: int = 0
    bytes_read: int = 0

    @property
    def complete(self) -> Complete:
        """Whether the file is whole, as far as its structure can say."""
        holds = {each.code for each in self.findings if each.weight is Weight.HOLD}
        if holds - {ClipCode.UNCHECKED}:
            return Complete.NO
        opaque = any(each.code == ClipCode.OPAQUE for each in self.findings)
        if holds or (opaque and not self.tracks) or self.container is Container.UNKNOWN:
            return Complete.UNKNOWN
        return Complete.YES
