"""Whether an MXF file holds the pictures and sounds that its metadata declares.

Fewer than declared is a hold. More than declared is a notice: some writers keep pictures in front
of the first and behind the last one shown.
"""

from collections.abc import Iterable, Mapping

from offload.media.heads import Looking, check_heads
from offload.media.mxf_sets import MxfDescriptor, MxfMetadata, MxfTrack
from offload.media.mxf_streams import IndexTable, Stream, essence_of
from offload.media.structure import Essence, EssenceLayout, StructureTrack, TrackKind
from offload.values.clips import ClipCode, Weight

_CHECK = "essence-counts"
_MAX_UNITS = 4_000_000
_SOUND_ITEM = 0x16


class EssenceCheck:
    """Checks the streams of one file.

    Args:
        looking: the file, and where flaws go.
        layout: filled with where pictures lie.
        is_chain_whole: every item of the file has been seen.
        is_encrypted: essence cannot be read without a key.
    """

    def __init__(
        self, looking: Looking, layout: EssenceLayout, *, is_chain_whole: bool, is_encrypted: bool
    ) -> None:
        self._looking = looking
        self._findings = looking.findings
        self._layout = layout
        self._is_chain_whole = is_chain_whole
        self._is_encrypted = is_encrypted

    def check(
        self,
        streams: Iterable[Stream],
        metadata: MxfMetadata,
        indexes: Mapping[int, IndexTable],
    ) -> tuple[StructureTrack, ...]:
        """Check all streams; returns what each is, and tracks that are declared and not there."""
        streams = list(streams)
        if self._is_encrypted:
            self._findings.notice(ClipCode.OPAQUE, _CHECK, "encrypted; we cannot look inside")
        elif not streams and self._is_chain_whole:
            self._findings.add(ClipCode.UNFINISHED, _CHECK, "it holds no picture and no sound")
        described = {track.number: track for track in metadata.tracks}
        tracks = [
            self._stream(
                stream,
                described.get(stream.number),
                metadata.descriptor(stream.number, stream.kind),
                indexes.get(stream.body_sid) or indexes.get(0),
            )
            for stream in streams
        ]
        known = {stream.number for stream in streams}
        for number, track in described.items():
            if number not in known and track.kind is not TrackKind.OTHER:
                tracks += self._absent(track)
        self._check_equal_counts(streams)
        return tuple(tracks)

    def _absent(self, track: MxfTrack) -> list[StructureTrack]:
        if not self._is_encrypted and not self._is_chain_whole:
            return []
        if track.duration and not self._is_encrypted:
            self._findings.add(
                ClipCode.COUNTS_DIFFER,
                _CHECK,
                f"a {track.kind.value} track of {track.duration} units is declared and not there",
            )
        return [
            StructureTrack(
                track.kind,
                track.number,
                rate=track.rate,
                samples=track.duration,
                is_encrypted=self._is_encrypted,
            )
        ]

    def _stream(
        self,
        stream: Stream,
        track: MxfTrack | None,
        descriptor: MxfDescriptor | None,
        index: IndexTable | None,
    ) -> StructureTrack:
        essence = essence_of(stream, descriptor)
        declared = track.duration if track else None
        if declared is None and descriptor:
            declared = descriptor.duration
        if stream.kind is TrackKind.PICTURE:
            if stream.count == 1 and declared is not None and declared > 1:
                self._clip_wrapped(stream, min(declared, _MAX_UNITS), essence, index)
            else:
                self._frame_wrapped(stream, declared, track.origin if track else 0, essence)
        elif stream.number >> 24 == _SOUND_ITEM and essence is Essence.PCM:
            self._sound(stream, track, descriptor)
        return _structure_track(stream, track, descriptor, essence, declared)

    def _frame_wrapped(
        self, stream: Stream, declared: int | None, origin: int, essence: Essence
    ) -> None:
        """One value for each declared picture."""
        if declared is not None and self._is_chain_whole:
            self._compare(stream, declared, stream.count, origin)
        self._layout.extend(stream.offsets, stream.lengths, essence)
        check_heads(self._looking, essence, len(stream.offsets), stream.locate)

    def _compare(self, stream: Stream, declared: int, found: int, extra: int = 0) -> None:
        if declared <= found <= declared + extra:
            return
        self._findings.add(
            ClipCode.COUNTS_DIFFER,
            _CHECK,
            f"{declared} pictures are declared, {found} are there",
            stream.first.start,
            Weight.HOLD if found < declared else Weight.NOTICE,
        )

    def _clip_wrapped(
        self, stream: Stream, declared: int, essence: Essence, index: IndexTable | None
    ) -> None:
        """One value holds all pictures: the index divides it."""
        start, length = stream.first.value, stream.first.length
        places = [(start + at, size) for at, size in index.units(length, declared)] if index else []
        if index is None or not places:
            self._layout.add(start, length, essence)
            self._findings.note(
                ClipCode.UNCHECKED, _CHECK, "without an index its pictures are not counted"
            )
            return
        found = length // index.unit_bytes if index.unit_bytes else len(places)
        self._compare(stream, declared, found)
        for place in places:
            self._layout.add(*place, essence)
        check_heads(self._looking, essence, len(places), places.__getitem__)

    def _sound(
        self, stream: Stream, track: MxfTrack | None, descriptor: MxfDescriptor | None
    ) -> None:
        """As many sample frames as declared, within one edit unit or a tenth of a second."""
        if track is None or track.duration is None or not track.rate or not self._is_chain_whole:
            return
        if descriptor is None or not descriptor.block_bytes or not descriptor.sample_rate:
            return
        found = stream.total_bytes // descriptor.block_bytes
        wanted = int(track.duration * descriptor.sample_rate / track.rate)
        allowed = max(int(descriptor.sample_rate / track.rate), int(descriptor.sample_rate) // 10)
        if stream.count == 1:
            allowed = 0
        if abs(found - wanted) > allowed:
            self._findings.add(
                ClipCode.COUNTS_DIFFER,
                _CHECK,
                f"{wanted} sample frames are declared, {found} are there",
                stream.first.start,
                Weight.HOLD if found < wanted else Weight.NOTICE,
            )

    def _check_equal_counts(self, streams: list[Stream]) -> None:
        """Frame-wrapped streams of one body come once in every edit unit."""
        counts: dict[int, dict[int, int]] = {}
        for stream in streams:
            if stream.kind is not TrackKind.OTHER and stream.count > 1:
                counts.setdefault(stream.body_sid, {})[stream.number] = stream.count
        for by_stream in counts.values():
            apart = max(by_stream.values()) - min(by_stream.values())
            # A chain that breaks off may break between the picture and its sound.
            if apart > (0 if self._is_chain_whole else 1):
                text = ", ".join(
                    f"{count} of {number:08x}" for number, count in sorted(by_stream.items())[:8]
                )
                self._findings.add(
                    ClipCode.COUNTS_DIFFER, _CHECK, f"unequal numbers of units: {text}"
                )


def _structure_track(
    stream: Stream,
    track: MxfTrack | None,
    descriptor: MxfDescriptor | None,
    essence: Essence,
    declared: int | None,
) -> StructureTrack:
    rate = track.rate if track else None
    duration = declared / rate if declared is not None and rate else None
    samples = declared if stream.kind is TrackKind.PICTURE else None
    if stream.kind is TrackKind.SOUND and descriptor and descriptor.sample_rate:
        rate = descriptor.sample_rate
        if descriptor.block_bytes and essence is Essence.PCM:
            samples = stream.total_bytes // descriptor.block_bytes
    return StructureTrack(
        kind=stream.kind,
        number=stream.number,
        essence=essence,
        codec=descriptor.coding.hex() if descriptor else "",
        width=(descriptor.width or None) if descriptor else None,
        height=(descriptor.height or None) if descriptor else None,
        rate=rate,
        samples=samples,
        duration=duration,
        channels=(descriptor.channels or None) if descriptor else None,
        bits=(descriptor.bits or None) if descriptor else None,
    )
