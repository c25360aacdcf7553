"""What the chunks of all MOV or MP4 tracks together say of the media data."""

from offload.media.bmff_samples import Mdat, TrackSamples
from offload.media.structure import Essence, Findings
from offload.values.clips import ClipCode

_MAX_CHUNKS = 1_000_000
_LENGTH_BITS = 40


def check_overlaps(
    tracks: list[TrackSamples], mdats: list[Mdat], offset: int, findings: Findings
) -> None:
    """No byte may belong to two chunks; and most of the media data should belong to one."""
    held = sum(mdat.end - mdat.start for mdat in mdats)
    # Timecode and metadata tracks may share their samples; pictures and sounds never do.
    tracks = [track for track in tracks if track.essence is not Essence.OTHER]
    used = sum(track.chunks.total for track in tracks)
    count = sum(len(track.chunks.offsets) for track in tracks)
    if used > held or (count <= _MAX_CHUNKS and _has_overlap(tracks)):
        findings.add(ClipCode.DAMAGED, "chunk-overlap", "two chunks claim the same bytes", offset)
    elif held - used > max(held // 2, 1 << 20):
        findings.notice(
            ClipCode.DAMAGED,
            "unclaimed-data",
            f"{held - used} of {held} bytes of media data belong to no track",
            offset,
        )


def _has_overlap(tracks: list[TrackSamples]) -> bool:
    last_end = 0
    for key in _sorted_chunks(tracks):
        offset, length = key >> _LENGTH_BITS, key & ((1 << _LENGTH_BITS) - 1)
        if offset < last_end:
            return True
        last_end = offset + length
    return False


def _sorted_chunks(tracks: list[TrackSamples]) -> list[int]:
    # One number for a chunk, so that a million of them sort in little memory.
    keys = [
        (offset << _LENGTH_BITS) | min(length, (1 << _LENGTH_BITS) - 1)
        for track in tracks
        for offset, length in zip(track.chunks.offsets, track.chunks.lengths, strict=True)
        if length
    ]
    keys.sort()
    return keys
