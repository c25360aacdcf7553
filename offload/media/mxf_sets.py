"""What MXF header metadata says: tracks, durations, codecs, timecode (SMPTE ST 377-1, local sets).

Tags and set keys are those of the standard's registry, from memory and as FFmpeg reads them; each
value is checked against files made by an independent writer.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from offload.media.packed import number
from offload.media.structure import TimecodeStart, TrackKind

_MAX_SETS = 20_000
_MAX_SET_BYTES = 65_536
_SET_KEY = bytes.fromhex("0d01010101")
_PREFACE, _MATERIAL, _SOURCE, _TRACK = 0x2F, 0x36, 0x37, 0x3B
_SEQUENCE, _CLIP, _TIMECODE = 0x0F, 0x11, 0x14
_PATTERNS = {1: "OP1a", 2: "OP2a", 3: "OP3a", 0x10: "OPAtom"}


@dataclass(frozen=True, slots=True)
class MxfTrack:
    """One track of the package that describes the essence in this file.

    Attributes:
        kind: what it carries.
        number: the last four bytes of the essence key it describes.
        rate: edit units in a second.
        duration: in edit units; None where it is unknown, as in an open file.
        origin: edit units before the first one shown.
    """

    kind: TrackKind
    number: int
    rate: Fraction | None
    duration: int | None
    origin: int = 0


@dataclass(frozen=True, slots=True)
class MxfDescriptor:
    """How one track's essence is described; 0, None or empty where nothing is said.

    Attributes:
        coding: picture or sound coding label, 16 bytes.
        container: essence container label, 16 bytes.
        rate: container edit units in a second.
        duration: in these units; None where unknown.
        width: stored width in pixels.
        height: stored height, of one field where fields are kept apart.
        channels: of sound.
        bits: of one sample.
        sample_rate: of sound.
        block_bytes: of one sample frame.
        is_picture: it describes a picture.
        is_sound: it describes sound.
        linked: id of the track it describes.
    """

    coding: bytes = b""
    container: bytes = b""
    rate: Fraction | None = None
    duration: int | None = None
    width: int = 0
    height: int = 0
    channels: int = 0
    bits: int = 0
    sample_rate: Fraction | None = None
    block_bytes: int = 0
    is_picture: bool = False
    is_sound: bool = False
    linked: int = 0


@dataclass(frozen=True, slots=True)
class MxfMetadata:
    """All of one partition's header metadata that we use.

    Attributes:
        pattern: operational pattern, such as ``OP1a``.
        package_id: of the material package, hex digits.
        tracks: of the file's source package.
        descriptors: by the track's essence number where they are linked, 0 otherwise.
        timecode: where the material package's timecode begins.
        duration: of the material package's longest track, seconds.
    """

    pattern: str = ""
    package_id: str = ""
    tracks: tuple[MxfTrack, ...] = ()
    descriptors: tuple[tuple[int, MxfDescriptor], ...] = ()
    timecode: TimecodeStart | None = None
    duration: Fraction | None = None

    def descriptor(self, track: int, kind: TrackKind) -> MxfDescriptor | None:
        """The description of one essence track: linked to it, or the only one of its kind."""
        alike = [
            (linked, each)
            for linked, each in self.descriptors
            if (each.is_picture and kind is TrackKind.PICTURE)
            or (each.is_sound and kind is TrackKind.SOUND)
        ]
        for linked, each in alike:
            if linked == track:
                return each
        return alike[0][1] if len(alike) == 1 else None


_Set = dict[int, bytes]


@dataclass(slots=True)
class MetadataSets:
    """Collects the sets of one partition."""

    _by_id: dict[bytes, tuple[int, _Set]] = field(default_factory=dict)

    def add(self, key: bytes, value: bytes) -> None:
        """Take one local set; what is none, or too much, is passed over."""
        if key[8:13] != _SET_KEY or len(value) > _MAX_SET_BYTES or len(self._by_id) >= _MAX_SETS:
            return
        fields = dict(_local_items(value))
        self._by_id[fields.get(0x3C0A, b"%d" % len(self._by_id))] = (key[14], fields)

    def __bool__(self) -> bool:
        return bool(self._by_id)

    def metadata(self) -> MxfMetadata:
        """What the sets say together."""
        preface = next(iter(self._of(_PREFACE)), {})
        material = next(iter(self._of(_MATERIAL)), {})
        tracks: list[tuple[int, MxfTrack]] = []
        for source in self._of(_SOURCE):
            tracks += self._essence_tracks(source)
        numbers = {track_id: track.number for track_id, track in tracks}
        descriptors = tuple((numbers.get(each.linked, 0), each) for each in self._descriptors())
        label = preface.get(0x3B09, b"")
        return MxfMetadata(
            _PATTERNS.get(number(label, 12, 1), ""),
            material.get(0x4401, b"").hex(),
            tuple(track for _id, track in tracks),
            descriptors,
            self._timecode(material),
            self._duration(material),
        )

    def _of(self, kind: int) -> Iterator[_Set]:
        return (fields for each, fields in self._by_id.values() if each == kind)

    def _refer(self, reference: bytes, kind: int) -> _Set:
        found, fields = self._by_id.get(reference, (0, {}))
        return fields if found == kind else {}

    def _package_tracks(self, package: _Set) -> Iterator[tuple[_Set, _Set]]:
        """Each timeline track of a package, with its sequence."""
        for reference in _references(package.get(0x4403, b"")):
            track = self._refer(reference, _TRACK)
            if track:
                yield track, self._refer(track.get(0x4803, b""), _SEQUENCE)

    def _essence_tracks(self, package: _Set) -> Iterator[tuple[int, MxfTrack]]:
        for track, sequence in self._package_tracks(package):
            essence = number(track.get(0x4804, b""), 0, 4)
            if not essence:
                continue
            yield (
                number(track.get(0x4801, b""), 0, 4),
                MxfTrack(
                    track_kind(essence >> 24),
                    essence,
                    _rational(track.get(0x4B01, b"")),
                    _length(sequence.get(0x0202, b"")),
                    max(_signed(track.get(0x4B02, b"")), 0),
                ),
            )

    def _timecode(self, package: _Set) -> TimecodeStart | None:
        for _track, sequence in self._package_tracks(package):
            for reference in _references(sequence.get(0x1001, b"")):
                part = self._refer(reference, _TIMECODE)
                if part:
                    return TimecodeStart(
                        number(part.get(0x1501, b""), 0, 8),
                        number(part.get(0x1502, b""), 0, 2),
                        bool(number(part.get(0x1503, b""), 0, 1)),
                    )
        return None

    def _duration(self, package: _Set) -> Fraction | None:
        lengths = []
        for track, sequence in self._package_tracks(package):
            rate = _rational(track.get(0x4B01, b""))
            length = _length(sequence.get(0x0202, b""))
            if rate and length is not None:
                lengths.append(length / rate)
        return max(lengths, default=None)

    def _descriptors(self) -> Iterator[MxfDescriptor]:
        for _kind, fields in self._by_id.values():
            if 0x3004 not in fields or 0x3001 not in fields:
                continue
            is_picture = 0x3203 in fields or 0x3201 in fields
            is_sound = 0x3D07 in fields or 0x3D03 in fields
            if is_picture or is_sound:
                yield MxfDescriptor(
                    fields.get(0x3201, fields.get(0x3D06, b"")),
                    fields.get(0x3004, b""),
                    _rational(fields.get(0x3001, b"")),
                    _length(fields.get(0x3002, b"")),
                    number(fields.get(0x3203, b""), 0, 4),
                    number(fields.get(0x3202, b""), 0, 4),
                    number(fields.get(0x3D07, b""), 0, 4),
                    number(fields.get(0x3D01, b""), 0, 4),
                    _rational(fields.get(0x3D03, b"")),
                    number(fields.get(0x3D0A, b""), 0, 2),
                    is_picture,
                    is_sound,
                    number(fields.get(0x3006, b""), 0, 4),
                )


def track_kind(item: int) -> TrackKind:
    """What an essence item type carries (SMPTE ST 379-1 and 379-2)."""
    if item in (0x05, 0x15, 0x18):
        return TrackKind.PICTURE
    return TrackKind.SOUND if item in (0x06, 0x16) else TrackKind.OTHER


def _local_items(value: bytes) -> Iterator[tuple[int, bytes]]:
    """Tag and value of each item of a local set; what does not fit ends the list."""
    at = 0
    while at + 4 <= len(value):
        tag, length = number(value, at, 2), number(value, at + 2, 2)
        if at + 4 + length > len(value):
            return
        yield tag, value[at + 4 : at + 4 + length]
        at += 4 + length


def _references(value: bytes) -> Iterator[bytes]:
    """The items of an array or batch of references."""
    count, size = number(value, 0, 4), number(value, 4, 4)
    if size == 16 and 8 + 16 * count <= len(value):
        for at in range(8, 8 + 16 * count, 16):
            yield value[at : at + 16]


def _rational(value: bytes) -> Fraction | None:
    top, bottom = number(value, 0, 4), number(value, 4, 4)
    return Fraction(top, bottom) if top and bottom else None


def _signed(value: bytes) -> int:
    return int.from_bytes(value, "big", signed=True)


def _length(value: bytes) -> int | None:
    length = _signed(value) if len(value) == 8 else -1
    return length if length >= 0 else None
