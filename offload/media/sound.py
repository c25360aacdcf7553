"""What the levels of a clip's sound mean for the people who have to work with it.

Nothing here keeps a card: the camera team is told while it can still mend it. Common practice for
the limits, no source: a peak below -60 dBFS is as good as silent; three samples in a row at full
scale are a clipping.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from offload.values.clips import ClipFinding, Weight
from offload.values.probed import ChannelLevels, SoundLevels
from offload.values.verdict import Notice

SILENT = "sound-silent"
"""Every channel: nothing but zeros."""
FAINT = "sound-faint"
"""Every channel: something, but as good as silent."""
DEAD = "sound-dead-channel"
"""One channel or more without a usable signal, beside others that have one."""
CLIPPED = "sound-clipped"
TONE = "sound-tone-only"
COPIED = "sound-channel-copied"

FAINT_DBFS = -60.0

_CHECK = "sound-levels"
_NO_SYNC = "the post room cannot sync by sound"
_MEANINGS = {
    SILENT: f"no signal at all on any channel: {_NO_SYNC}",
    FAINT: f"the sound is as good as silent: {_NO_SYNC}",
    TONE: f"nothing but a steady tone: no scratch sound, {_NO_SYNC}",
}


@dataclass(frozen=True, slots=True)
class _Judged:
    """One thing to say of a clip: ``group`` is what equal clips share, ``text`` has its numbers."""

    code: str
    group: str
    text: str


def judge_sound(sound: SoundLevels, path: bytes = b"") -> tuple[ClipFinding, ...]:
    """What is worth telling about one clip's sound, each with its numbers."""
    where = heard_text(sound)
    return tuple(
        ClipFinding(each.code, f"{each.text} ({where})", path, weight=Weight.NOTICE, check=_CHECK)
        for each in _judged(sound)
    )


def sound_notices(clips: Mapping[bytes, SoundLevels]) -> tuple[Notice, ...]:
    """The same for many clips: one notice for all that share a fault.

    Args:
        clips: levels by clip path.
    """
    groups: dict[tuple[str, str], list[bytes]] = {}
    alone: dict[bytes, list[ClipFinding]] = {}
    for path, sound in clips.items():
        alone[path] = list(judge_sound(sound, path))
        for each in _judged(sound):
            groups.setdefault((each.code, each.group), []).append(path)
    notices: list[Notice] = []
    for (code, group), paths in groups.items():
        if len(paths) == 1:
            texts = [each.text for each in alone[paths[0]] if each.code == code]
            notices.append(Notice(code, f"1 clip: {texts[0]}", tuple(paths)))
        else:
            notices.append(Notice(code, f"{len(paths)} clips: {group}", tuple(paths)))
    return tuple(notices)


def heard_text(sound: SoundLevels) -> str:
    """How much was listened to: ``the whole clip``, ``4 pieces, 5 s in all``."""
    if sound.is_whole:
        return "heard from end to end"
    seconds = _seconds(sound.heard)
    if sound.windows == 1:
        return f"heard: the first {seconds}"
    return f"heard: {sound.windows} pieces spread over the clip, {seconds} in all"


def level_text(level_dbfs: float | None) -> str:
    """A level for a person; nothing but zeros has none."""
    return "digital silence" if level_dbfs is None else f"{level_dbfs:.1f} dBFS"


def _judged(sound: SoundLevels) -> list[_Judged]:
    channels = sound.channels
    if not channels:
        return []
    if all(each.peak_dbfs is None for each in channels):
        return [_Judged(SILENT, _MEANINGS[SILENT], _MEANINGS[SILENT])]
    if all(_is_dead(each) for each in channels):
        loudest = max(each.peak_dbfs for each in channels if each.peak_dbfs is not None)
        text = f"the loudest sample is {level_text(loudest)}, as good as silent: {_NO_SYNC}"
        return [_Judged(FAINT, _MEANINGS[FAINT], text)]
    return [*_dead(channels), *_clipped(channels), *_tone(channels), *_copied(channels)]


def _dead(channels: tuple[ChannelLevels, ...]) -> Iterable[_Judged]:
    dead = [number for number, each in enumerate(channels, 1) if _is_dead(each)]
    if dead:
        verb = "is" if len(dead) == 1 else "are"
        what = f"{_channels(dead)} {verb} silent, the rest carries sound"
        yield _Judged(DEAD, what, what)


def _clipped(channels: tuple[ChannelLevels, ...]) -> Iterable[_Judged]:
    clipped = [number for number, each in enumerate(channels, 1) if each.clipped]
    if clipped:
        times = sum(each.clipped for each in channels)
        what = f"{_channels(clipped)} clipped"
        count = "once" if times == 1 else f"{times} times"
        text = f"{what} {count}: three or more samples in a row at full scale"
        yield _Judged(CLIPPED, f"{what}: samples in a row at full scale", text)


def _tone(channels: tuple[ChannelLevels, ...]) -> Iterable[_Judged]:
    alive = [each for each in channels if not _is_dead(each)]
    tones = [each.tone_hz for each in alive if each.tone_hz is not None]
    if len(tones) == len(alive):
        level = level_text(max(each.peak_dbfs for each in alive if each.peak_dbfs is not None))
        text = f"nothing but a tone of {tones[0]:.0f} Hz at {level}: no scratch sound, {_NO_SYNC}"
        yield _Judged(TONE, _MEANINGS[TONE], text)


def _copied(channels: tuple[ChannelLevels, ...]) -> Iterable[_Judged]:
    for number, each in enumerate(channels, 1):
        if each.copy_of is not None and not _is_dead(each):
            what = f"channel {number} has the same samples as channel {each.copy_of}"
            yield _Judged(COPIED, what, f"{what}: one microphone on both, or one of them not used")


def _is_dead(channel: ChannelLevels) -> bool:
    return channel.peak_dbfs is None or channel.peak_dbfs < FAINT_DBFS


def _channels(numbers: list[int]) -> str:
    if len(numbers) == 1:
        return f"channel {numbers[0]}"
    if len(numbers) > 2 and numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"channels {numbers[0]} to {numbers[-1]}"
    return f"channels {', '.join(str(n) for n in numbers[:-1])} and {numbers[-1]}"


def _seconds(length: Fraction) -> str:
    return f"{float(length):.1f} s".replace(".0 s", " s")
