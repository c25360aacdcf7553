"""How many bits a second a recording takes, and where that number comes from.

Published rates (``rates.toml``) where they exist; a published row serves other frame rates too,
because its columns are exact multiples of the frame rate. Where nothing is published, the
production's own clips are measured. Units: megabit = 10^6 bits, never 2^20.
"""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from functools import cache
from importlib.resources import files

from offload.media.codec_names import codec_of
from offload.media.frame_rate import is_same_rate, parse_frame_rate
from offload.values.clips import ClipFacts

BITS = 8
MEGA = 1_000_000


class Basis(Enum):
    """Where a data rate comes from."""

    PUBLISHED = "published"
    """Printed for this raster and frame rate."""
    SCALED = "scaled"
    """Printed for this raster at another frame rate, times the frame rate."""
    BY_AREA = "by-area"
    """Printed for another raster, times the picture area; within a few per cent."""
    MEASURED = "measured"
    """From clips that this production has recorded."""
    GIVEN = "given"
    """Typed by a person."""


@dataclass(frozen=True, slots=True)
class DataRate:
    """Bits a second of the pictures alone, sound not counted.

    Attributes:
        bits_per_s: while the camera runs at the sensor's frame rate.
        basis: how it is known.
        source: for a person: which table, or how many clips.
    """

    bits_per_s: Fraction
    basis: Basis
    source: str

    @property
    def megabits_per_s(self) -> float:
        """For tables."""
        return float(self.bits_per_s / MEGA)


@dataclass(frozen=True, slots=True)
class MeasuredClip:
    """What measuring needs of one clip: its facts and the bytes of all its files."""

    facts: ClipFacts
    size_bytes: int


@dataclass(frozen=True, slots=True)
class _Published:
    codec: str
    width: int
    height: int
    rate: Fraction | None
    """The frame rate of the row; None where the bytes of a frame are what is published."""
    bits_per_frame: Fraction
    source: str

    @property
    def area(self) -> int:
        return self.width * self.height


def published_codecs() -> tuple[str, ...]:
    """Keys of the codecs that :func:`published_rate` knows."""
    return tuple(dict.fromkeys(row.codec for row in _published()))


def published_rate(codec: str, width: int, height: int, rate: Fraction) -> DataRate | None:
    """The published data rate of a codec.

    Args:
        codec: key as in :mod:`offload.media.codec_names`, or of one VC-3 compression id.
        width: of the raster, pixels.
        height: likewise.
        rate: frames recorded a second, the sensor's rate.

    Returns:
        None where no table has this codec.
    """
    rows = [row for row in _published() if row.codec == codec]
    if not rows:
        return None
    own = [row for row in rows if (row.width, row.height) == (width, height)]
    for row in own:
        if row.rate is None or is_same_rate(row.rate, rate):
            return DataRate(row.bits_per_frame * rate, Basis.PUBLISHED, row.source)
    if own:
        # The highest rate was printed with the most digits.
        best = max(own, key=lambda row: row.rate or 0)
        return DataRate(best.bits_per_frame * rate, Basis.SCALED, best.source)
    near = min(rows, key=lambda row: (abs(row.area - width * height), -(row.rate or 0)))
    bits = near.bits_per_frame * Fraction(width * height, near.area)
    source = f"{near.source}; from {near.width}x{near.height} by picture area"
    return DataRate(bits * rate, Basis.BY_AREA, source)


def measured_rate(
    clips: Iterable[MeasuredClip], codec: str, width: int, height: int, rate: Fraction
) -> DataRate | None:
    """The data rate of the production's own clips in one codec and raster.

    All bytes count but those of uncompressed sound, so an index or a padded tail is in it, as it is
    on the card.

    Returns:
        None where no clip with a known number of frames fits.
    """
    count, frames, size_bits = 0, 0, Fraction(0)
    for clip in clips:
        found = codec_of(clip.facts)
        if (
            not found
            or found.key != codec
            or (clip.facts.width, clip.facts.height) != (width, height)
        ):
            continue
        if not clip.facts.frames:
            continue
        count += 1
        frames += clip.facts.frames
        size_bits += max(Fraction(0), clip.size_bytes * BITS - _sound_bits(clip.facts))
    if not frames:
        return None
    clips_text = "1 clip" if count == 1 else f"{count} clips"
    return DataRate(
        size_bits / frames * rate,
        Basis.MEASURED,
        f"{clips_text} of this production, {frames} frames",
    )


def sound_bits_per_s(channels: int, sample_rate_hz: int, bits: int) -> int:
    """Bits a second of uncompressed sound: 2 channels at 48 kHz and 24 bits are 2.304 Mb/s."""
    return channels * sample_rate_hz * bits


def _sound_bits(facts: ClipFacts) -> Fraction:
    total = Fraction(0)
    for track in facts.audio:
        if not track.codec.startswith("pcm"):
            continue
        rate = sound_bits_per_s(
            track.channels or 0, track.sample_rate_hz or 0, track.bits_per_sample or 0
        )
        total += rate * (track.duration or facts.duration or 0)
    return total


@cache
def _published() -> tuple[_Published, ...]:
    tables = tomllib.loads(files("offload.media").joinpath("rates.toml").read_text("utf-8"))
    return (*_by_rate(tables["prores"]), *_by_frame(tables["vc-3"]))


def _by_rate(table: dict[str, list[list[int | str]]]) -> Iterable[_Published]:
    source = str(table["source"])
    for width, height, written, *columns in table["rows"]:
        rate = parse_frame_rate(written)
        for codec, megabits in zip(table["columns"], columns, strict=True):
            bits = Fraction(int(megabits) * MEGA) / rate
            yield _Published(str(codec), int(width), int(height), rate, bits, source)


def _by_frame(table: dict[str, list[list[int | str]]]) -> Iterable[_Published]:
    source = str(table["source"])
    for codec, width, height, size in table["frames"]:
        yield _Published(
            str(codec), int(width), int(height), None, Fraction(int(size) * BITS), source
        )
