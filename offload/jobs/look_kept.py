"""One clip that was looked into, and what is kept of it."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from offload.card.layout import Layout
from offload.jobs.look_structure import Checked
from offload.ledger.clips import KeptClip
from offload.media.brief import Brief, as_ordered
from offload.media.sound import judge_sound
from offload.values.clips import Answers, Clip, ClipCode, ClipFinding, Complete, Copied, Weight
from offload.values.paths import name
from offload.values.probed import Probed, SoundLevels

_COUNTS = (ClipCode.COUNTS_DIFFER, ClipCode.PART_MISSING)
_STILL_SUFFIXES = (b".jpg", b".jpeg", b".heic", b".heif", b".hif")
_SIDE_SUFFIXES = (
    *(b".thm", b".lrv", b".ctg", b".bmp", b".png"),
    *(b".xmp", b".xml", b".aae", b".json", b".txt", b".log"),
    *(b".srt", b".gpx", b".nmea", b".bin", b".dat", b".idx"),
)
"""What cameras keep beside a clip under its name (common practice, no source). Copied like anything
else; some are empty in good order, and none is a recording."""


@dataclass(frozen=True, slots=True)
class LookedInto:
    """One clip, looked into.

    Attributes:
        checked: what its structure says.
        probed: what its pictures and sound say; without the small picture.
    """

    checked: Checked
    probed: Probed

    @property
    def clip(self) -> Clip:
        """The clip."""
        return self.checked.clip

    @property
    def findings(self) -> tuple[ClipFinding, ...]:
        """Of structure and look together."""
        return (*self.checked.findings, *self.probed.findings)

    @property
    def complete(self) -> Complete:
        """Whether the recording is whole, counted frames taken in."""
        if any(each.code in _COUNTS and each.weight is Weight.HOLD for each in self.findings):
            return Complete.NO
        return self.checked.complete


def clip_rule(layout: Layout | None) -> Callable[[bytes], bool] | None:
    """Which files of unknown suffix are clips: what the card's layout names, but photographs and
    the small files beside clips."""
    if layout is None:
        return None
    none = (*_STILL_SUFFIXES, *_SIDE_SUFFIXES)
    return lambda path: not name(path).lower().endswith(none) and layout.is_clip(path)


def kept_clip(
    each: LookedInto,
    copied: Copied,
    brief: Brief,
    roll: str,
    told: Iterable[ClipFinding] = (),
) -> KeptClip:
    """What is kept of a clip: its four answers, and everything found.

    Args:
        each: the clip.
        copied: whether checksums say that it is where it should be.
        brief: what was asked for.
        roll: what the card is called; empty when unknown.
        told: what notices about several clips say of this one.
    """
    clip, probed = each.clip, each.probed
    ordered = as_ordered(brief, clip.path, probed.facts, roll)
    heard = judge_sound(probed.sound, clip.path) if probed.sound else ()
    return KeptClip(
        clip.path,
        clip.kind,
        len(clip.files),
        clip.files.total_bytes,
        Answers(copied, each.complete, probed.usable, ordered),
        probed,
        (*each.checked.findings, *heard, *told),
    )


def sounds_of(looked: Iterable[LookedInto]) -> dict[bytes, SoundLevels]:
    """Levels by clip path, of those that were listened to."""
    return {each.clip.path: each.probed.sound for each in looked if each.probed.sound}
