"""What looking into one clip gave: facts, levels of its sound, a picture, and what was wrong.

Levels are in dBFS as AES17 and IEC 61606 define it: a sine that just reaches full scale has a peak
*and* an RMS level of 0 dBFS. (Twenty times the logarithm of the plain root mean square reads 3.01
dB lower.) A channel whose every sample is zero has no level at all.
"""

from dataclasses import dataclass, field
from fractions import Fraction

from offload.values.clips import ClipCode, ClipFacts, ClipFinding, Usable


@dataclass(frozen=True, slots=True)
class ChannelLevels:
    """One channel of one sound track, over all that was listened to.

    Attributes:
        peak_dbfs: level of the largest sample; None when every sample is zero.
        rms_dbfs: level of all samples (AES17); None likewise.
        clipped: how often three or more samples in a row stood at full scale.
        tone_hz: frequency of the one steady tone that is all there is; None for anything else.
        copy_of: number of an earlier channel, counted from 1 in :attr:`SoundLevels.channels`, that
            has the same samples; None when there is none.
    """

    peak_dbfs: float | None
    rms_dbfs: float | None
    clipped: int = 0
    tone_hz: float | None = None
    copy_of: int | None = None


@dataclass(frozen=True, slots=True)
class SoundLevels:
    """The sound of one clip.

    Attributes:
        channels: of all tracks that can be decoded, in the order of the file.
        heard: seconds that were listened to.
        windows: pieces that they are spread over.
        is_whole: nothing was left out.
    """

    channels: tuple[ChannelLevels, ...]
    heard: Fraction
    windows: int
    is_whole: bool


@dataclass(frozen=True, slots=True)
class Picture:
    """A small picture from the middle of a clip.

    Attributes:
        jpeg: the picture, a JPEG file.
        width: in pixels.
        height: likewise.
    """

    jpeg: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Probed:
    """What looking into a clip, or into one of its files, gave.

    Attributes:
        facts: what it says of itself; empty when it could not be checked.
        usable: whether the pictures and samples looked at decode.
        findings: what was wrong; one with the code ``clip-unchecked`` when the check itself failed.
        sound: levels; None without sound, or when it was not listened to.
        picture: from the middle; None without pictures, or when it was not wanted.
        pictures_decoded: how many pictures were decoded.
        bytes_read: what was read of the files.
    """

    facts: ClipFacts = field(default_factory=ClipFacts)
    usable: Usable = Usable.UNKNOWN
    findings: tuple[ClipFinding, ...] = ()
    sound: SoundLevels | None = None
    picture: Picture | None = None
    pictures_decoded: int = 0
    bytes_read: int = 0

    @property
    def unchecked(self) -> str:
        """Why it could not be checked; empty when it was."""
        return next((each.text for each in self.findings if each.code == ClipCode.UNCHECKED), "")
