"""How many cards, drives and hours a shoot needs, before it begins.

Two clocks: *camera minutes* run while the camera records, *screen minutes* while the footage plays.
At one frame rate they are the same. Recording 200 frames a second for playback at 24000/1001 fills
a card 8.34 times as fast as the playback rate would, and each camera minute lasts 8.34 on screen.

Units: bytes, bits a second, seconds; GB = 10^9 bytes, as cards and drives are sold.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from offload.errors import UsageError
from offload.media.rates import (
    BITS,
    Basis,
    DataRate,
    MeasuredClip,
    measured_rate,
    published_rate,
    sound_bits_per_s,
)

GIGA = 1_000_000_000
KEPT_BACK = Fraction(3, 100)
"""Of a card or drive: file system, index files, the last take. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Recording:
    """One way in which the shoot records.

    Attributes:
        codec: key, see :mod:`offload.media.codec_names`.
        width: of the raster, pixels.
        height: likewise.
        playback_rate: frames a second on screen, the production's rate.
        sensor_rate: frames a second while recording.
        channels: of sound recorded in the camera; 0 for none, as is usual off-speed.
        sample_rate_hz: of that sound.
        bits_per_sample: of that sound.
    """

    codec: str
    width: int
    height: int
    playback_rate: Fraction
    sensor_rate: Fraction
    channels: int = 2
    sample_rate_hz: int = 48000
    bits_per_sample: int = 24

    @property
    def speed(self) -> Fraction:
        """How many times as fast as at the playback rate a card fills; 1 at normal speed."""
        return self.sensor_rate / self.playback_rate


@dataclass(frozen=True, slots=True)
class Shoot:
    """What is to be recorded, and how it is kept.

    Attributes:
        camera_minutes_a_day: recorded by all cameras together.
        days: of shooting.
        cameras: that share the minutes; each fills cards of its own.
        card_bytes: size of one card, as sold.
        drive_bytes: size of one drive, as sold.
        copies: of everything, each on drives of its own.
        reserve: share of a drive that is to stay free, on top of what is kept back.
    """

    camera_minutes_a_day: Fraction
    days: int = 1
    cameras: int = 1
    card_bytes: int = 256 * GIGA
    drive_bytes: int = 2000 * GIGA
    copies: int = 2
    reserve: Fraction = Fraction(10, 100)


@dataclass(frozen=True, slots=True)
class Speeds:
    """Bytes a second, measured here or given.

    Attributes:
        card_read: of the card in its reader.
        drive_write: of the slowest drive.
        drive_read: of the slowest drive.
        checksum: of all checksums together on one file.
        card_reads: 2 when the card is read a second time while the drives are read back.
        source: for a person: where these numbers come from.
    """

    card_read: int
    drive_write: int
    drive_read: int
    checksum: int
    card_reads: int = 2
    source: str = "given"


@dataclass(frozen=True, slots=True)
class Plan:
    """What the shoot needs.

    Attributes:
        rate: of the pictures, and how it is known.
        sound_bits_per_s: of the sound recorded with them.
        speed: see :attr:`Recording.speed`.
        camera_minutes_per_card: until a card is full.
        screen_minutes_per_card: how long that plays.
        bytes_per_day: on one copy.
        bytes_in_all: on one copy.
        cards_per_day: whole cards, for all cameras, none used twice on a day.
        drives: whole drives, for all copies.
        offload_s_per_card: copying and proving one full card.
        offload_s_per_day: of one day's material, one card after the other.
    """

    rate: DataRate
    sound_bits_per_s: int
    speed: Fraction
    camera_minutes_per_card: Fraction
    screen_minutes_per_card: Fraction
    bytes_per_day: int
    bytes_in_all: int
    cards_per_day: int
    drives: int
    offload_s_per_card: float
    offload_s_per_day: float

    def to_dict(self) -> dict[str, object]:
        """For ``--json``."""
        return {
            "rate_bits_per_s": round(self.rate.bits_per_s),
            "rate_basis": self.rate.basis.value,
            "rate_source": self.rate.source,
            "sound_bits_per_s": self.sound_bits_per_s,
            "speed": round(float(self.speed), 4),
            "camera_minutes_per_card": round(float(self.camera_minutes_per_card), 1),
            "screen_minutes_per_card": round(float(self.screen_minutes_per_card), 1),
            "bytes_per_day": self.bytes_per_day,
            "bytes_in_all": self.bytes_in_all,
            "cards_per_day": self.cards_per_day,
            "drives": self.drives,
            "offload_s_per_card": round(self.offload_s_per_card),
            "offload_s_per_day": round(self.offload_s_per_day),
        }


def camera_minutes(screen_minutes: Fraction, ratio: Fraction, days: int) -> Fraction:
    """Minutes that the cameras run on one day, from the length of the film and shooting ratio.

    Args:
        screen_minutes: of the finished film.
        ratio: minutes recorded for each of them; 12 for 12:1.
        days: of shooting.

    Raises:
        UsageError: a number that cannot be.
    """
    _refuse(screen_minutes <= 0, "the film has to be longer than 0 minutes")
    _refuse(ratio < 1, "a shooting ratio is 1 (everything is used) or more")
    _refuse(days < 1, "a shoot has at least 1 day")
    return screen_minutes * ratio / days


def rate_for(
    recording: Recording, own_clips: Iterable[MeasuredClip] = (), given: Fraction | None = None
) -> DataRate:
    """The data rate to plan with: given, else published, else measured, else by picture area.

    Args:
        recording: how it is recorded.
        own_clips: of this production, for codecs without a table.
        given: bits a second at the sensor rate, typed by a person.

    Raises:
        UsageError: none is known.
    """
    if given is not None:
        return DataRate(given, Basis.GIVEN, "given")
    _check_recording(recording)
    what = (recording.codec, recording.width, recording.height, recording.sensor_rate)
    published = published_rate(*what)
    if published and published.basis is not Basis.BY_AREA:
        return published
    rate = measured_rate(own_clips, *what) or published
    if rate is None:
        raise UsageError(
            f"no data rate is known for {recording.codec} "
            f"at {recording.width}x{recording.height}: none is published, "
            "and no clip of this production is in it",
            remedy="give the rate that the camera's menu shows, or offload one test clip first",
        )
    return rate


def make_plan(recording: Recording, shoot: Shoot, speeds: Speeds, rate: DataRate) -> Plan:
    """All sums of one plan.

    Raises:
        UsageError: a number that cannot be.
    """
    _check_recording(recording)
    _check_shoot(shoot)
    _check_speeds(speeds)
    _refuse(rate.bits_per_s <= 0, "a data rate is more than 0")
    sound = sound_bits_per_s(
        recording.channels, recording.sample_rate_hz, recording.bits_per_sample
    )
    bits_per_s = rate.bits_per_s + sound
    usable_bits = shoot.card_bytes * (1 - KEPT_BACK) * BITS
    minutes = usable_bits / bits_per_s / 60
    per_day = math.ceil(bits_per_s * shoot.camera_minutes_a_day * 60 / BITS)
    return Plan(
        rate=rate,
        sound_bits_per_s=sound,
        speed=recording.speed,
        camera_minutes_per_card=minutes,
        screen_minutes_per_card=minutes * recording.speed,
        bytes_per_day=per_day,
        bytes_in_all=per_day * shoot.days,
        cards_per_day=_cards(shoot, per_day),
        drives=_drives(shoot, per_day * shoot.days),
        offload_s_per_card=offload_s(int(usable_bits / BITS), speeds),
        offload_s_per_day=offload_s(per_day, speeds),
    )


def offload_s(size_bytes: int, speeds: Speeds) -> float:
    """Seconds to copy ``size_bytes`` to all drives at once and to prove them, at these speeds."""
    return copying_s(size_bytes, speeds) + proving_s(size_bytes, speeds)


def copying_s(size_bytes: int, speeds: Speeds) -> float:
    """Seconds of the copying pass: one reading feeds all drives, the slowest part leads."""
    return size_bytes / min(speeds.card_read, speeds.drive_write, speeds.checksum)


def proving_s(size_bytes: int, speeds: Speeds) -> float:
    """Seconds of the proving pass: all drives, and the card once more, at once."""
    parts = [speeds.drive_read, speeds.checksum]
    if speeds.card_reads > 1:
        parts.append(speeds.card_read)
    return size_bytes / min(parts)


def _cards(shoot: Shoot, per_day: int) -> int:
    usable = shoot.card_bytes * (1 - KEPT_BACK)
    return shoot.cameras * math.ceil(Fraction(per_day, shoot.cameras) / usable)


def _drives(shoot: Shoot, in_all: int) -> int:
    usable = shoot.drive_bytes * (1 - KEPT_BACK - shoot.reserve)
    return shoot.copies * math.ceil(in_all / usable)


def _check_recording(recording: Recording) -> None:
    _refuse(not 1 <= recording.width <= 65536, "a raster is 1 to 65536 pixels wide")
    _refuse(not 1 <= recording.height <= 65536, "a raster is 1 to 65536 pixels high")
    _refuse(recording.playback_rate <= 0, "the playback rate is more than 0")
    _refuse(recording.sensor_rate <= 0, "the recording rate is more than 0")
    _refuse(not 0 <= recording.channels <= 256, "sound has 0 to 256 channels")
    _refuse(recording.sample_rate_hz < 0, "a sample rate is not negative")
    _refuse(recording.bits_per_sample < 0, "a sample has no negative number of bits")


def _check_shoot(shoot: Shoot) -> None:
    _refuse(shoot.camera_minutes_a_day < 0, "the minutes of a day are not negative")
    _refuse(shoot.camera_minutes_a_day > 24 * 60 * shoot.cameras, "a camera's day has 1440 minutes")
    _refuse(shoot.days < 1, "a shoot has at least 1 day")
    _refuse(shoot.cameras < 1, "a shoot has at least 1 camera")
    _refuse(shoot.card_bytes <= 0, "a card is larger than nothing")
    _refuse(shoot.drive_bytes <= 0, "a drive is larger than nothing")
    _refuse(shoot.copies < 1, "at least 1 copy is kept")
    _refuse(not 0 <= shoot.reserve <= Fraction(9, 10), "a reserve is 0 to 90 per cent of a drive")


def _check_speeds(speeds: Speeds) -> None:
    slowest = min(speeds.card_read, speeds.drive_write, speeds.drive_read, speeds.checksum)
    _refuse(slowest <= 0, "a speed is more than 0 bytes a second")
    _refuse(speeds.card_reads not in (1, 2), "a card is read 1 or 2 times")


def _refuse(is_impossible: bool, why: str) -> None:
    if is_impossible:
        raise UsageError(why)
