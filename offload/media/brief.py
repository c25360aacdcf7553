"""The brief: what the shoot asked for, and what was recorded otherwise.

A deviation never keeps a card: it is a notice, one for forty clips with the same fault. What a clip
does not say is unknown, and unknown never passes for "as ordered".
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from offload.media.clip_names import is_named_by, read_name, read_roll
from offload.media.codec_names import Codec, codec_text, is_codec
from offload.media.frame_rate import is_same_rate, rate_text
from offload.media.name_pattern import NamePattern
from offload.values.clips import AsOrdered, ClipFacts
from offload.values.paths import shown
from offload.values.verdict import Notice

_UNKNOWN = "brief-unknown"
_KEPT_PER_CODE = 6
_ZERO = ("00:00:00:00", "00:00:00;00", "00:00:00:000")


@dataclass(frozen=True, slots=True)
class Brief:
    """What the shoot asked for; empty or None where anything goes.

    Attributes:
        codecs: any of these.
        rasters: width and height, any of these.
        rate: frames a second.
        off_speed: other rates that are meant when they occur.
        any_off_speed: every rate at least half as fast again, or at most two thirds as fast, is
            meant; a nearer one is a wrong setting.
        audio_channels: in all tracks together, any of these numbers; 0 asks for silence.
        audio_rate_hz: samples a second.
        audio_bits: depth of the stored samples.
        needs_timecode: every clip has timecode, and it runs from clip to clip.
        drop_frame: whether it drops labels; None where either will do.
        cameras: letters.
        clip_name: how clips are named.
    """

    codecs: tuple[Codec, ...] = ()
    rasters: tuple[tuple[int, int], ...] = ()
    rate: Fraction | None = None
    off_speed: tuple[Fraction, ...] = ()
    any_off_speed: bool = False
    audio_channels: tuple[int, ...] = ()
    audio_rate_hz: int | None = None
    audio_bits: int | None = None
    needs_timecode: bool = False
    drop_frame: bool | None = None
    cameras: tuple[str, ...] = ()
    clip_name: NamePattern | None = None

    @property
    def allows_off_speed(self) -> bool:
        """Whether some other rate than the production's is meant when it occurs."""
        return self.any_off_speed or bool(self.off_speed)

    @property
    def asks_of_content(self) -> bool:
        """Whether anything is asked that only the clip itself can answer."""
        return replace(self, cameras=(), clip_name=None) != Brief()


@dataclass(frozen=True, slots=True)
class _Deviation:
    """One way in which one clip is not as ordered: ``text`` groups equal ones."""

    code: str
    text: str
    is_unknown: bool = False


def check_brief(
    brief: Brief, clips: Mapping[bytes, ClipFacts], roll: str = ""
) -> tuple[Notice, ...]:
    """Deviations of one card's clips, grouped: one notice for each kind, however many clips.

    Args:
        brief: what was asked for.
        clips: facts by clip path; a clip that could not be looked into has empty facts.
        roll: what the card is called; names the camera where the clips' names do not.
    """
    groups: dict[_Deviation, list[bytes]] = {}
    for path, facts in clips.items():
        for deviation in _deviations(brief, path, facts, roll):
            groups.setdefault(deviation, []).append(path)
    return (*_bounded(groups), *_stands_still(brief, clips))


def as_ordered(brief: Brief, path: bytes, facts: ClipFacts, roll: str = "") -> AsOrdered:
    """Whether one clip was recorded as the brief asks."""
    deviations = _deviations(brief, path, facts, roll)
    if any(not each.is_unknown for each in deviations):
        return AsOrdered.NO
    is_unknown = bool(deviations) or _says_nothing(facts) or brief == Brief()
    return AsOrdered.UNKNOWN if is_unknown else AsOrdered.YES


def is_off_speed(brief: Brief, facts: ClipFacts) -> bool:
    """Whether a clip's rate is another than the production's and meant to be."""
    if brief.rate is None or facts.rate is None or is_same_rate(facts.rate, brief.rate):
        return False
    if any(is_same_rate(facts.rate, rate) for rate in brief.off_speed):
        return True
    factor = facts.rate / brief.rate
    return brief.any_off_speed and (factor >= Fraction(3, 2) or factor <= Fraction(2, 3))


def _deviations(brief: Brief, path: bytes, facts: ClipFacts, roll: str) -> list[_Deviation]:
    found = list(_naming(brief, path, facts, roll))
    if _says_nothing(facts):
        if brief.asks_of_content:
            found.append(_Deviation(_UNKNOWN, "cannot be compared with the brief", True))
        return found
    for check in (*_picture_checks(facts), *_audio_checks(facts)):
        found += check(brief, facts)
    return found


_Check = Callable[[Brief, ClipFacts], Iterable[_Deviation]]


def _picture_checks(facts: ClipFacts) -> tuple[_Check, ...]:
    if _is_sound(facts):
        return ()
    return (_codec, _raster, _rate, _timecode)


def _audio_checks(facts: ClipFacts) -> tuple[_Check, ...]:
    if facts.container.is_frame:
        # Frame files hold no sound.
        return ()
    # A sound recorder's channels are its own affair.
    return (_audio_form,) if _is_sound(facts) else (_audio_channels, _audio_form)


def _codec(brief: Brief, facts: ClipFacts) -> Iterable[_Deviation]:
    if not brief.codecs:
        return
    answers = [is_codec(facts, codec) for codec in brief.codecs]
    if any(answers):
        return
    asked = " or ".join(shown(codec.name) for codec in brief.codecs)
    if None in answers:
        yield _unknown("codec", asked)
    else:
        yield _Deviation("brief-codec", f"{codec_text(facts)}; the brief asks for {asked}")


def _raster(brief: Brief, facts: ClipFacts) -> Iterable[_Deviation]:
    if not brief.rasters or (facts.width, facts.height) in brief.rasters:
        return
    asked = " or ".join(f"{width}x{height}" for width, height in brief.rasters)
    if facts.width is None or facts.height is None:
        yield _unknown("raster", asked)
    else:
        yield _Deviation(
            "brief-raster", f"{facts.width}x{facts.height}; the brief asks for {asked}"
        )


def _rate(brief: Brief, facts: ClipFacts) -> Iterable[_Deviation]:
    if brief.rate is None:
        return
    asked = rate_text(brief.rate)
    if facts.rate is None:
        yield _unknown("frame rate", f"{asked} frames a second")
    elif not is_same_rate(facts.rate, brief.rate) and not is_off_speed(brief, facts):
        text = f"{rate_text(facts.rate)} frames a second; the brief asks for {asked}"
        yield _Deviation("brief-frame-rate", text)


def _timecode(brief: Brief, facts: ClipFacts) -> Iterable[_Deviation]:
    if facts.timecode is None:
        if brief.needs_timecode:
            yield _Deviation("brief-timecode", "no timecode; the brief asks for it")
        return
    if brief.drop_frame is not None and facts.timecode.is_drop is not brief.drop_frame:
        forms = {True: "drop-frame", False: "non-drop"}
        yield _Deviation(
            "brief-drop-frame",
            f"{forms[facts.timecode.is_drop]} timecode; "
            f"the brief asks for {forms[brief.drop_frame]}",
        )


def _audio_channels(brief: Brief, facts: ClipFacts) -> Iterable[_Deviation]:
    if not brief.audio_channels:
        return
    asked = " or ".join(str(number) for number in brief.audio_channels)
    if any(track.channels is None for track in facts.audio):
        yield _unknown("number of sound channels", asked)
        return
    channels = sum(track.channels or 0 for track in facts.audio)
    if channels in brief.audio_channels or (channels == 0 and _may_be_silent(brief, facts)):
        return
    if channels == 0:
        text = (
            f"no sound; the brief asks for {_counted(asked)}: "
            "the post room cannot sync these by sound"
        )
    else:
        text = f"{_counted(str(channels))}; the brief asks for {asked}"
    yield _Deviation("brief-audio-channels", text)


def _audio_form(brief: Brief, facts: ClipFacts) -> Iterable[_Deviation]:
    if brief.audio_rate_hz is not None:
        asked = f"{brief.audio_rate_hz} Hz"
        for rate in dict.fromkeys(track.sample_rate_hz for track in facts.audio):
            if rate is None:
                yield _unknown("sample rate", asked)
            elif rate != brief.audio_rate_hz:
                yield _Deviation(
                    "brief-audio-rate", f"sound at {rate} Hz; the brief asks for {asked}"
                )
    if brief.audio_bits is not None:
        asked = f"{brief.audio_bits} bits"
        for bits in dict.fromkeys(track.bits_per_sample for track in facts.audio):
            if bits is None:
                yield _unknown("depth of the sound", asked)
            elif bits != brief.audio_bits:
                yield _Deviation(
                    "brief-audio-bits", f"sound of {bits} bits; the brief asks for {asked}"
                )


def _naming(brief: Brief, path: bytes, facts: ClipFacts, roll: str) -> Iterable[_Deviation]:
    if _is_sound(facts):
        # Sound recorders name their files by rules of their own.
        return
    if brief.clip_name is not None and not is_named_by(path, brief.clip_name):
        yield _Deviation(
            "brief-clip-name", f"not named like {shown(brief.clip_name.text)}, as the brief asks"
        )
    if not brief.cameras:
        return
    found = read_name(path)
    read = read_roll(found.roll if found and found.roll else roll)
    if read is not None and read[0] not in brief.cameras:
        asked = ", ".join(brief.cameras)
        yield _Deviation("brief-camera", f"of camera {read[0]}; the brief has cameras {asked}")


def _stands_still(brief: Brief, clips: Mapping[bytes, ClipFacts]) -> tuple[Notice, ...]:
    if not brief.needs_timecode:
        return ()
    zero = tuple(
        path
        for path, facts in clips.items()
        if facts.timecode is not None and facts.timecode.text in _ZERO
    )
    if len(zero) < 2:
        return ()
    text = (
        f"{len(zero)} clips begin at timecode 00:00:00:00: it starts again with every clip, "
        "the brief asks for timecode that runs on"
    )
    return (Notice("brief-timecode-still", text, zero),)


def _bounded(groups: Mapping[_Deviation, list[bytes]]) -> list[Notice]:
    """One notice for each deviation; beyond a few of one code, one for all the rest together."""
    notices: list[Notice] = []
    kept: Counter[str] = Counter()
    rest: dict[str, list[bytes]] = {}
    for deviation, paths in sorted(groups.items(), key=lambda each: -len(each[1])):
        kept[deviation.code] += 1
        if kept[deviation.code] <= _KEPT_PER_CODE:
            notices.append(_notice(deviation, paths))
        else:
            rest.setdefault(deviation.code, []).extend(paths)
    for code, paths in rest.items():
        text = "the same is wrong with them in other ways, each in its own"
        notices.append(_notice(_Deviation(code, text), paths))
    return notices


def _notice(deviation: _Deviation, paths: list[bytes]) -> Notice:
    clips = "1 clip" if len(paths) == 1 else f"{len(paths)} clips"
    return Notice(deviation.code, f"{clips}: {deviation.text}", tuple(paths))


def _unknown(what: str, asked: str) -> _Deviation:
    return _Deviation(
        _UNKNOWN, f"the {what} cannot be read, the brief asks for {asked}", is_unknown=True
    )


def _may_be_silent(brief: Brief, facts: ClipFacts) -> bool:
    # Off-speed recordings carry no sound; some carry the production's rate as playback rate and
    # look like any other clip, so where off-speed is allowed a clip without sound may be one.
    return is_off_speed(brief, facts) or brief.allows_off_speed


def _counted(channels: str) -> str:
    return f"{channels} sound channel" if channels == "1" else f"{channels} sound channels"


def _is_sound(facts: ClipFacts) -> bool:
    return bool(facts.audio) and not facts.codec and not facts.fourcc and facts.width is None


def _says_nothing(facts: ClipFacts) -> bool:
    return not (facts.codec or facts.fourcc or facts.width or facts.audio)
