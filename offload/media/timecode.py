"""Timecode: labels for frames, counted as SMPTE ST 12-1 says.

Rules:

* The base is the whole number of labels a second: 24 for 24000/1001, 30 for 30000/1001. At
  24000/1001 an hour of timecode therefore lasts 3603.6 s.
* Drop-frame counting exists at 30000/1001 and 60000/1001 only. It leaves out labels, never
  pictures: 00 and 01 (00 to 03 at base 60) at the start of every minute that ten does not divide.
* A day has one round of labels; after 23:59:59 and its last frame comes 00:00:00:00.
"""

import re
from dataclasses import dataclass
from fractions import Fraction

from offload.media.frame_rate import nominal

_DROP_RATES = {Fraction(30000, 1001): 2, Fraction(60000, 1001): 4}
_LABEL = re.compile(r"(\d{2}):(\d{2}):(\d{2})([:;.,])(\d{2,3})", re.ASCII)
_HIGHEST_BASE = 1000


@dataclass(frozen=True, slots=True)
class Timecode:
    """The label of one frame.

    Attributes:
        frame: frames since midnight, 0 up to the last of the day.
        base: labels a second, a whole number.
        is_drop: counted with left-out labels; ``base`` is 30 or 60 then.
    """

    frame: int
    base: int
    is_drop: bool = False

    def __str__(self) -> str:
        minutes, rest = divmod(self._label(), self.base * 60)
        seconds, frames = divmod(rest, self.base)
        mark = ";" if self.is_drop else ":"
        width = 2 if self.base <= 100 else 3
        return f"{minutes // 60:02}:{minutes % 60:02}:{seconds:02}{mark}{frames:0{width}}"

    @property
    def day_frames(self) -> int:
        """Frames in one round of 24 hours."""
        return _day_frames(self.base, self.is_drop)

    def later(self, frames: int) -> "Timecode":
        """The label ``frames`` frames on (or back, when negative), past midnight if need be."""
        return Timecode((self.frame + frames) % self.day_frames, self.base, self.is_drop)

    def _label(self) -> int:
        """The frame as a non-drop count of labels since midnight."""
        if not self.is_drop:
            return self.frame
        left_out = self.base // 15
        in_minute = self.base * 60 - left_out
        tens, rest = divmod(self.frame, in_minute * 10 + left_out)
        label = self.frame + 9 * left_out * tens
        if rest >= left_out:
            label += left_out * ((rest - left_out) // in_minute)
        return label


def timecode_base(rate: Fraction) -> int:
    """Labels a second at ``rate``: 24 for 24000/1001.

    Raises:
        ValueError: a rate that no timecode counts (nothing, or beyond a thousand).
    """
    base = round(nominal(rate))
    if not 1 <= base <= _HIGHEST_BASE:
        raise ValueError(f"no timecode counts {rate} frames a second")
    return base


def has_drop_frame(rate: Fraction) -> bool:
    """Whether drop-frame counting exists at ``rate``."""
    return nominal(rate) in _DROP_RATES


def parse_timecode(text: str, rate: Fraction) -> Timecode:
    """The timecode that ``01:02:03:04`` (or ``;04`` for drop-frame) stands for at ``rate``.

    Raises:
        ValueError: not a timecode, an hour or frame that does not exist, a label that drop-frame
            counting leaves out, or drop-frame at a rate that has none.
    """
    found = _LABEL.fullmatch(text.strip())
    if not found:
        raise ValueError('a timecode is written "01:02:03:04", or "01:02:03;04" for drop-frame')
    hours, minutes, seconds, frames = (int(found[at]) for at in (1, 2, 3, 5))
    is_drop = found[4] in ";,"
    base = timecode_base(rate)
    if hours > 23 or minutes > 59 or seconds > 59 or frames >= base:
        raise ValueError(f"there is no such time at {base} frames a second")
    if is_drop and not has_drop_frame(rate):
        raise ValueError(f"there is no drop-frame counting at {rate} frames a second")
    return Timecode(_frame(hours, minutes, seconds, frames, base, is_drop), base, is_drop)


def timecode_of_samples(samples: int, sample_rate_hz: int, rate: Fraction) -> Timecode:
    """The non-drop timecode of a sound file's time reference, rounded down to a frame.

    Args:
        samples: since midnight, as ``bext`` gives them (EBU Tech 3285).
        sample_rate_hz: of the sound.
        rate: of the picture that it belongs to.

    Raises:
        ValueError: no sample rate, or a rate that no timecode counts.
    """
    if sample_rate_hz <= 0:
        raise ValueError("a time reference needs a sample rate")
    base = timecode_base(rate)
    frame = int(Fraction(samples, sample_rate_hz) * nominal(rate))
    return Timecode(frame % _day_frames(base, False), base)


def _frame(hours: int, minutes: int, seconds: int, frames: int, base: int, is_drop: bool) -> int:
    minute = hours * 60 + minutes
    frame = (minute * 60 + seconds) * base + frames
    if not is_drop:
        return frame
    left_out = base // 15
    if minute % 10 and seconds == 0 and frames < left_out:
        raise ValueError("drop-frame counting leaves this label out")
    return frame - left_out * (minute - minute // 10)


def _day_frames(base: int, is_drop: bool) -> int:
    labels = 24 * 60 * 60 * base
    return labels - base // 15 * (24 * 54) if is_drop else labels
