"""What a clip is, what its files say about themselves, and what was found wrong with it.

Four questions are asked of a clip and never mixed: was it *copied* (checksums), is it *complete*
(structure and counts), is it *usable* (it decodes), is it *as ordered* (the brief). Each has its
own answer, and each of them can be unknown; unknown is never yes.

Rates are fractions and are compared as fractions: 24000/1001 is not 24.
"""

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction
from typing import overload

from offload.values.entries import Entries


class Container(Enum):
    """How the bytes of a file are wrapped; decided by its content together with its suffix."""

    MOV = "mov"
    """The ISO base media file format (ISO/IEC 14496-12) and the older form it grew from."""
    MXF = "mxf"
    WAV = "wav"
    """RIFF, RF64 or BW64 with wave data."""
    MPEGTS = "mpegts"
    DPX = "dpx"
    TIFF = "tiff"
    DNG = "dng"
    EXR = "exr"
    JPEG2000 = "jpeg2000"
    """A codestream (ISO/IEC 15444-1) by itself."""
    UNKNOWN = "unknown"
    """Nothing that we can look into; copied and verified like anything else."""

    @property
    def is_frame(self) -> bool:
        """Whether one file holds one frame."""
        return self in _FRAMES


_FRAMES = frozenset(
    {Container.DPX, Container.TIFF, Container.DNG, Container.EXR, Container.JPEG2000}
)


class Copied(Enum):
    """Whether every byte is on the drives; answered by checksums alone."""

    YES = "copied"
    NO = "not-copied"
    UNKNOWN = "copying-unknown"


class Complete(Enum):
    """Whether the recording was finished and whole when it left the camera."""

    YES = "complete"
    NO = "not-complete"
    UNKNOWN = "completeness-unknown"


class Usable(Enum):
    """Whether the pictures and samples looked at can be decoded."""

    YES = "usable"
    NO = "not-usable"
    UNKNOWN = "usability-unknown"


class AsOrdered(Enum):
    """Whether it was shot as the brief asks."""

    YES = "as-ordered"
    NO = "not-as-ordered"
    UNKNOWN = "order-unknown"


@dataclass(frozen=True, slots=True)
class Answers:
    """The four answers about one clip; each starts unknown."""

    copied: Copied = Copied.UNKNOWN
    complete: Complete = Complete.UNKNOWN
    usable: Usable = Usable.UNKNOWN
    as_ordered: AsOrdered = AsOrdered.UNKNOWN


class Weight(Enum):
    """What a finding about a clip asks for."""

    HOLD = "hold"
    """Keeps the card until a person decides: the clip is not complete, or could not be checked."""
    NOTICE = "notice"
    """Tell the camera team now; keeps nothing."""
    NOTE = "note"
    """Written down, shown only where everything is shown."""


class ClipCode:
    """The closed list of codes that findings about clips carry; stable, used by ``settle``."""

    # Holds.
    EMPTY = "clip-empty"
    """No byte, or not one byte that means anything."""
    UNFINISHED = "clip-unfinished"
    """Never closed by what recorded it: no index, no footer, open header, placeholder sizes."""
    CUT_SHORT = "clip-cut-short"
    """Ends before what it declares."""
    DAMAGED = "clip-damaged"
    """Its parts contradict each other, or essence does not begin and end as its codec must."""
    ZEROS = "clip-zeros"
    """Blocks of zeros where compressed pictures should be."""
    COUNTS_DIFFER = "clip-counts-differ"
    """More or fewer frames or samples than declared."""
    PART_MISSING = "clip-part-missing"
    """A hole in a frame sequence, in spanned files or in an essence group."""
    UNDECODABLE = "clip-undecodable"
    """A picture or sound that was looked at does not decode."""
    UNCHECKED = "clip-unchecked"
    """The check itself failed: unreadable structure, worker ended, time or memory ran out."""
    # Notices.
    OPAQUE = "clip-opaque"
    """Copied and verified; we cannot look inside."""
    SUFFIX_LIES = "clip-suffix-lies"
    """Named as one container, made as another."""
    UNEVEN = "clip-uneven-frames"
    """Frames of unequal duration: dropped while recording, or a variable rate."""
    LENGTHS_DIFFER = "clip-lengths-differ"
    """Picture and sound tracks are not equally long."""
    TRAILING = "clip-trailing-data"
    """Something that belongs to no structure follows a whole recording."""
    # Notes.
    DECODER_NOTE = "clip-decoder-note"
    """What a decoder says of a healthy clip when it begins in the middle."""


@dataclass(frozen=True, slots=True)
class ClipFinding:
    """One thing found wrong with one clip.

    Attributes:
        code: one of :class:`ClipCode`, or a code of the brief, sound and numbering checks.
        text: what was found, a phrase without the path, outside text in it already escaped.
        path: bytes, relative to the card or copy; empty when the whole clip is meant.
        offset: where in the file, bytes from its start; None where there is no one place.
        weight: whether it keeps the card.
        check: kebab-case name of the check that found it; for the page and the damage table.
    """

    code: str
    text: str
    path: bytes = b""
    offset: int | None = None
    weight: Weight = Weight.HOLD
    check: str = ""


@dataclass(frozen=True, slots=True)
class StartTimecode:
    """The label of the first frame.

    Attributes:
        text: ``hh:mm:ss:ff``, with ``;`` before the frames when the count drops labels.
        is_drop: the drop-frame flag (SMPTE ST 12-1).
    """

    text: str
    is_drop: bool


@dataclass(frozen=True, slots=True)
class ColourTags:
    """Colour description by the code points of ITU-T H.273; None where the file says nothing."""

    primaries: int | None = None
    transfer: int | None = None
    matrix: int | None = None
    is_full_range: bool | None = None


@dataclass(frozen=True, slots=True)
class AudioTrack:
    """One sound track as the file describes it; None where it says nothing.

    Attributes:
        codec: codec name in lower case, such as ``pcm_s24le`` or ``aac``.
        channels: may be 0 in a damaged or odd file.
        sample_rate_hz: samples of one channel in a second.
        bits_per_sample: depth of the stored samples, not of the decoder's output.
        duration: seconds.
    """

    codec: str
    channels: int | None = None
    sample_rate_hz: int | None = None
    bits_per_sample: int | None = None
    duration: Fraction | None = None


@dataclass(frozen=True, slots=True)
class ClipFacts:
    """What a clip's files say about themselves; None or empty where they say nothing.

    Attributes:
        container: how it is wrapped.
        codec: codec name in lower case, such as ``prores``, ``h264``, ``dnxhd``.
        fourcc: the four-character code of the sample description, as text escaped.
        profile: the codec's profile as text, such as ``HQ``.
        width: of the coded raster, in pixels.
        height: likewise.
        rate: frames in a second.
        frames: number of pictures.
        duration: seconds.
        timecode: label of the first frame.
        reel: reel or tape name, escaped.
        colour: colour tags.
        audio: sound tracks in the order of the file.
        time_reference: samples of sound since midnight at its first sample (EBU Tech 3285).
    """

    container: Container = Container.UNKNOWN
    codec: str = ""
    fourcc: str = ""
    profile: str = ""
    width: int | None = None
    height: int | None = None
    rate: Fraction | None = None
    frames: int | None = None
    duration: Fraction | None = None
    timecode: StartTimecode | None = None
    reel: str = ""
    colour: ColourTags = field(default_factory=ColourTags)
    audio: tuple[AudioTrack, ...] = ()
    time_reference: int | None = None


class ClipKind(Enum):
    """How many files make one clip, and why."""

    FILE = "file"
    """One file is the whole recording."""
    SPANNED = "spanned"
    """One recording cut into several files at a size limit."""
    ESSENCE_GROUP = "essence-group"
    """One file for each picture or sound track (SMPTE ST 390)."""
    FRAMES = "frames"
    """One numbered file for each frame."""


@dataclass(frozen=True, slots=True)
class ClipFile:
    """One file of a clip.

    Attributes:
        path: bytes, relative to the card.
        size_bytes: its length.
        mtime_ns: its modification time; a hint, never proof.
    """

    path: bytes
    size_bytes: int
    mtime_ns: int = 0


class ClipFiles(Sequence[ClipFile]):
    """An immutable sequence of files in recording order, 8 bytes each beside the inventory.

    A clip may be 100,000 frames, so files are made when looked at and not kept.

    Args:
        entries: the inventory's entries, shared and not copied.
        order: numbers of entries, in the order of recording.
    """

    __slots__ = ("_entries", "_order")

    def __init__(self, entries: Entries, order: Iterable[int]) -> None:
        self._entries = entries
        self._order = array("Q", order)

    def __len__(self) -> int:
        return len(self._order)

    @overload
    def __getitem__(self, index: int) -> ClipFile: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[ClipFile]: ...
    def __getitem__(self, index: int | slice) -> ClipFile | Sequence[ClipFile]:
        if isinstance(index, slice):
            return ClipFiles(self._entries, self._order[index])
        entry = self._entries[self._order[index]]
        return ClipFile(entry.path, entry.size_bytes, entry.mtime_ns)

    def __iter__(self) -> Iterator[ClipFile]:
        return (self[at] for at in range(len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, ClipFiles):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    def __hash__(self) -> int:
        return hash((len(self), self.total_bytes))

    @property
    def total_bytes(self) -> int:
        """Sum of the sizes."""
        return sum(self._entries.size_bytes(at) for at in self._order)

    @property
    def entry_numbers(self) -> Sequence[int]:
        """Where the files stand in the inventory, in recording order."""
        return tuple(self._order)


@dataclass(frozen=True, slots=True)
class Clip:
    """One recording and the files that make it.

    Attributes:
        path: names the clip: its one file, the first of spanned files, the picture file of an
            essence group, or the first frame of a sequence. Bytes, relative to the card.
        kind: how the files belong together.
        container: by suffix alone; the structure check decides by content.
        files: in recording order.
        sidecars: small files that belong to it (clip information, metadata), by path.
        first_number: number of the first frame or part; None for a single file.
        last_number: likewise of the last.
        findings: what the grouping found, such as holes in the numbers.
    """

    path: bytes
    kind: ClipKind
    container: Container
    files: ClipFiles
    sidecars: tuple[bytes, ...] = ()
    first_number: int | None = None
    last_number: int | None = None
    findings: tuple[ClipFinding, ...] = ()
