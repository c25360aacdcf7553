"""The index of a MOV or MP4 file: the ``moov`` box, its tracks and where their tables lie.

Reads the box once, as a whole, and checks that everything inside fits what holds it. What the
tables say of the essence is checked in :mod:`offload.media.bmff_samples`.
"""

from dataclasses import dataclass, field
from fractions import Fraction

from offload.media.bmff_boxes import Box, BoxData, children, is_kind, shown_kind, tree
from offload.media.bmff_descriptions import SampleDescription, read_description
from offload.media.packed import number
from offload.media.structure import Findings
from offload.values.clips import ClipCode

_REQUIRED = (b"tkhd", b"mdhd", b"hdlr", b"stsd", b"stts", b"stsc")
_SINGLE = frozenset((*_REQUIRED, b"stsz", b"stz2", b"stco", b"co64", b"ctts", b"stss", b"elst"))
_SAMPLE_TABLE = frozenset(
    b"stsd stts ctts cslg stsc stsz stz2 stco co64 stss stps stsh padb stdp sdtp sbgp sgpd subs "
    b"saiz saio free skip uuid".split()
)
_MAX_TRACKS = 256
_MAX_DESCRIPTIONS = 64


@dataclass(frozen=True, slots=True)
class FragmentDefaults:
    """What ``trex`` says of a track's samples in fragments: duration and size, if they say none."""

    duration: int
    size: int


@dataclass(frozen=True, slots=True)
class Track:
    """One track of the index.

    Attributes:
        number: track id.
        handler: ``vide``, ``soun``, ``tmcd`` ...; empty where unreadable.
        timescale: units in a second; 0 where unreadable.
        duration: as declared by the media header, in these units; None where unknown.
        shown_duration: as declared by the track header, in the movie's units; None where unknown.
        is_enabled: the track takes part in the presentation.
        descriptions: sample descriptions.
        tables: where the boxes of the sample table lie in the index, by type.
        is_external: its essence lies in another file, which is never followed.
        reel: name from a timecode description, as bytes.
    """

    number: int
    handler: bytes
    timescale: int
    duration: int | None
    shown_duration: int | None
    is_enabled: bool
    descriptions: tuple[SampleDescription, ...]
    tables: dict[bytes, Box]
    is_external: bool
    reel: bytes = b""


@dataclass(frozen=True, slots=True)
class Index:
    """All of a file's index.

    Attributes:
        source: the box in memory.
        tracks: in their order.
        timescale: the movie's units in a second.
        duration: of the movie, in these units.
        fragment_duration: as announced for a fragmented file; None where it is not.
        fragment_defaults: by track id; empty for a file without fragments.
        is_fragmented: fragments are announced.
        is_compressed: the index itself is compressed, and so unread.
    """

    source: BoxData
    tracks: tuple[Track, ...] = ()
    timescale: int = 0
    duration: int | None = None
    fragment_duration: int | None = None
    fragment_defaults: dict[int, FragmentDefaults] = field(default_factory=dict)
    is_fragmented: bool = False
    is_compressed: bool = False

    @property
    def seconds(self) -> Fraction | None:
        """The declared duration of the movie."""
        if not self.timescale or self.duration is None:
            return None
        return Fraction(self.duration, self.timescale)


def read_index(source: BoxData, findings: Findings) -> Index:
    """Read ``moov``; report everything inside it that does not fit.

    Args:
        source: the whole box.
        findings: where flaws go.
    """
    data = source.data
    root = Box(b"moov", 0, _body_at(data), len(data))
    tracks: list[Track] = []
    header: Box | None = None
    extends: Box | None = None
    is_compressed = False
    for box in children(source, root, findings):
        if box.kind == b"trak" and len(tracks) < _MAX_TRACKS:
            tracks.append(_track(source, box, findings))
        elif box.kind == b"mvhd":
            header = box
        elif box.kind == b"mvex":
            extends = box
        elif box.kind == b"udta":
            _check_fit(source, box, findings)
        is_compressed = is_compressed or box.kind == b"cmov"
    if is_compressed:
        return Index(source, is_compressed=True)
    if header is None:
        findings.add(
            ClipCode.DAMAGED, "index-parts", "the index has no movie header", source.offset
        )
    if not tracks:
        findings.add(ClipCode.DAMAGED, "index-parts", "the index has no track", source.offset)
    timescale, duration = _scale_and_duration(data, header) if header else (0, None)
    announced, defaults = _fragments(source, extends, findings) if extends else (None, {})
    return Index(
        source,
        tuple(tracks),
        timescale,
        duration,
        announced,
        defaults,
        extends is not None,
    )


def _check_fit(source: BoxData, box: Box, findings: Findings) -> None:
    for _inner in tree(source, box, findings):
        pass


def _track(source: BoxData, box: Box, findings: Findings) -> Track:
    found: dict[bytes, Box] = {}
    for inner, parent in tree(source, box, findings):
        if parent.kind == b"stbl" and inner.kind not in _SAMPLE_TABLE:
            findings.note(
                ClipCode.DAMAGED,
                "index-parts",
                f"an unknown table {shown_kind(inner.kind)}",
                source.offset + inner.start,
            )
        # The media handler stands in mdia; QuickTime has another, for data, in minf.
        if inner.kind == b"hdlr" and parent.kind != b"mdia":
            continue
        if inner.kind in _SINGLE and inner.kind in found:
            _part_flaw(source, inner, f"two {shown_kind(inner.kind)} in one track", findings)
        found.setdefault(inner.kind, inner)
    _check_parts(source, box, found, findings)
    return _described(source, found, findings)


def _check_parts(source: BoxData, box: Box, found: dict[bytes, Box], findings: Findings) -> None:
    missing = [kind for kind in _REQUIRED if kind not in found]
    if b"stsz" not in found and b"stz2" not in found:
        missing.append(b"stsz")
    if b"stco" not in found and b"co64" not in found:
        missing.append(b"stco")
    for kind in missing:
        _part_flaw(source, box, f"a track without {shown_kind(kind)}", findings)


def _part_flaw(source: BoxData, box: Box, text: str, findings: Findings) -> None:
    findings.add(ClipCode.DAMAGED, "index-parts", text, source.offset + box.start)


def _described(source: BoxData, found: dict[bytes, Box], findings: Findings) -> Track:
    data = source.data
    handler = bytes(_content(data, found.get(b"hdlr"))[8:12])
    header = _content(data, found.get(b"tkhd"))
    is_long = number(header, 0, 1) == 1
    timescale, duration = 0, None
    if b"mdhd" in found:
        timescale, duration = _scale_and_duration(data, found[b"mdhd"])
        if not timescale:
            _part_flaw(source, found[b"mdhd"], "a track without a timescale", findings)
    return Track(
        number=number(header, 20 if is_long else 12, 4),
        handler=handler,
        timescale=timescale,
        duration=duration,
        shown_duration=number(header, 28, 8) if is_long else number(header, 20, 4),
        is_enabled=bool(number(header, 3, 1) & 1),
        descriptions=_descriptions(source, handler, found.get(b"stsd"), findings),
        tables={kind: box for kind, box in found.items() if kind in _SAMPLE_TABLE},
        is_external=_is_external(data, found.get(b"dref")),
        reel=_reel(data, handler, found.get(b"stsd")),
    )


def _descriptions(
    source: BoxData, handler: bytes, box: Box | None, findings: Findings
) -> tuple[SampleDescription, ...]:
    if box is None:
        return ()
    data, at = source.data, box.body + 8
    count = number(data, box.body + 4, 4)
    entries: list[SampleDescription] = []
    while len(entries) < min(count, _MAX_DESCRIPTIONS):
        size = number(data, at, 4)
        if size < 16 or at + size > box.end or not is_kind(bytes(data[at + 4 : at + 8])):
            break
        entries.append(read_description(handler, bytes(data[at : at + size])))
        at += size
    if not count or len(entries) < min(count, _MAX_DESCRIPTIONS) or at > box.end:
        _part_flaw(source, box, "the sample descriptions do not add up", findings)
    elif count <= _MAX_DESCRIPTIONS and any(data[at : box.end]):
        findings.note(
            ClipCode.DAMAGED,
            "index-parts",
            "something follows the sample descriptions",
            source.offset + at,
        )
    return tuple(entries)


def _scale_and_duration(data: memoryview, box: Box) -> tuple[int, int | None]:
    """Timescale and duration of ``mvhd`` or ``mdhd``; all ones mean that it is unknown."""
    content = _content(data, box)
    if number(content, 0, 1) == 1:
        scale, duration, unknown = number(content, 20, 4), number(content, 24, 8), 2**64 - 1
    else:
        scale, duration, unknown = number(content, 12, 4), number(content, 16, 4), 2**32 - 1
    return scale, None if duration == unknown else duration


def _fragments(
    source: BoxData, box: Box, findings: Findings
) -> tuple[int | None, dict[int, FragmentDefaults]]:
    announced: int | None = None
    defaults: dict[int, FragmentDefaults] = {}
    for inner in children(source, box, findings):
        content = _content(source.data, inner)
        if inner.kind == b"mehd":
            announced = number(content, 4, 8 if number(content, 0, 1) == 1 else 4) or None
        elif inner.kind == b"trex":
            defaults[number(content, 4, 4)] = FragmentDefaults(
                number(content, 12, 4), number(content, 16, 4)
            )
    return announced, defaults


def _is_external(data: memoryview, box: Box | None) -> bool:
    """Whether any data reference points to another file (its flag "self-contained" is not set)."""
    if box is None:
        return False
    at = box.body + 8
    for _entry in range(min(number(data, box.body + 4, 4), _MAX_DESCRIPTIONS)):
        size = number(data, at, 4)
        if size < 12 or at + size > box.end:
            return False
        if not number(data, at + 11, 1) & 1:
            return True
        at += size
    return False


def _reel(data: memoryview, handler: bytes, box: Box | None) -> bytes:
    """The source name behind a timecode description (QuickTime file format, timecode media)."""
    if box is None or handler != b"tmcd":
        return b""
    entry = bytes(data[box.body + 8 : box.end])
    at = entry.find(b"name", 34)
    if at < 0:
        return b""
    return entry[at + 8 : at + 8 + number(entry, at + 4, 2)]


def _content(data: memoryview, box: Box | None) -> memoryview:
    return data[box.body : box.end] if box else data[:0]


def _body_at(data: memoryview) -> int:
    return 16 if number(data, 0, 4) == 1 else 8
