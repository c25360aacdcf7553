"""Reading the brief from settings: every key and value checked, every error says what is allowed.

.. code-block:: toml

    [brief]
    codec = ["ProRes 422 HQ"]        # one or several
    raster = ["3840x2160"]
    frame_rate = "24000/1001"        # or 23.976, 25, "29.97"
    off_speed = ["48", "120"]        # other rates that are meant; true: any clearly other rate
    audio_channels = 2               # in all tracks together; one number or several
    audio_rate_hz = 48000
    audio_bits = 24
    timecode = "running"             # or "drop", "non-drop"
    cameras = ["A", "B"]
    clip_name = "{camera}{roll}C{clip}*"
"""

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from fractions import Fraction

from offload.errors import SettingsError
from offload.media.brief import Brief
from offload.media.codec_names import CODECS, FOURCC_PREFIX, Codec, find_codec
from offload.media.frame_rate import is_same_rate, parse_frame_rate, rate_text
from offload.media.name_pattern import NamePattern
from offload.media.timecode import has_drop_frame
from offload.values.paths import shown

_RASTER = re.compile(r"\s*([0-9]{1,5})\s*[x×]\s*([0-9]{1,5})\s*")
_SIDES = range(16, 65_536)
_CHANNELS = range(129)
_SAMPLE_RATES = range(8_000, 768_001)
_DEPTHS = (8, 16, 20, 24, 32, 64)
_TIMECODES = ("running", "drop", "non-drop")
_SHOWN = 60


class BriefError(SettingsError):
    """A key or value of the brief that cannot be meant.

    Attributes:
        key: of the brief, such as ``frame_rate``; so that its line can be found.
    """

    def __init__(self, key: str, wrong: str, allowed: str) -> None:
        super().__init__(f"brief.{shown(key[:_SHOWN])}: {wrong}", remedy=allowed)
        self.key = key


def brief_from(table: Mapping[str, object]) -> Brief:
    """The brief that a settings table writes down; every key may be left out.

    Raises:
        BriefError: an unknown key, a value of the wrong kind, or one that cannot be.
    """
    brief = Brief()
    for key, value in table.items():
        reader = _READERS.get(key)
        if reader is None:
            raise BriefError(key, "there is no such key", _near(key))
        brief = reader(brief, value)
    _check_together(brief)
    return brief


def _codec(brief: Brief, value: object) -> Brief:
    return replace(brief, codecs=tuple(_one_codec(each) for each in _several("codec", value)))


def _one_codec(value: object) -> Codec:
    text = _text("codec", value)
    found = find_codec(text)
    if found is None:
        raise BriefError("codec", f"'{_short(text)}' is no codec known here", _codecs_near(text))
    return found


def _raster(brief: Brief, value: object) -> Brief:
    return replace(brief, rasters=tuple(_one_raster(each) for each in _several("raster", value)))


def _one_raster(value: object) -> tuple[int, int]:
    text = _text("raster", value)
    found = _RASTER.fullmatch(text)
    if not found or int(found[1]) not in _SIDES or int(found[2]) not in _SIDES:
        raise BriefError(
            "raster",
            f"'{_short(text)}' is no raster",
            f'write width and height in pixels, {_SIDES[0]} to {_SIDES[-1]}, such as "3840x2160"',
        )
    return int(found[1]), int(found[2])


def _frame_rate(brief: Brief, value: object) -> Brief:
    return replace(brief, rate=_one_rate("frame_rate", value))


def _off_speed(brief: Brief, value: object) -> Brief:
    if isinstance(value, bool):
        return replace(brief, any_off_speed=value)
    rates = tuple(_one_rate("off_speed", each) for each in _several("off_speed", value))
    return replace(brief, off_speed=rates)


def _one_rate(key: str, value: object) -> Fraction:
    try:
        return parse_frame_rate(value)
    except ValueError as error:
        raise BriefError(
            key, f"'{_short(str(value))}': {error}", 'such as 25, "23.976" or "24000/1001"'
        ) from error


def _audio_channels(brief: Brief, value: object) -> Brief:
    return replace(
        brief,
        audio_channels=tuple(
            _number("audio_channels", each, _CHANNELS) for each in _several("audio_channels", value)
        ),
    )


def _audio_rate(brief: Brief, value: object) -> Brief:
    return replace(brief, audio_rate_hz=_number("audio_rate_hz", value, _SAMPLE_RATES))


def _audio_bits(brief: Brief, value: object) -> Brief:
    return replace(brief, audio_bits=_number("audio_bits", value, _DEPTHS))


def _timecode(brief: Brief, value: object) -> Brief:
    text = _text("timecode", value)
    if text not in _TIMECODES:
        raise BriefError("timecode", f"'{_short(text)}' is not allowed", _either(_TIMECODES))
    drop = {"running": None, "drop": True, "non-drop": False}[text]
    return replace(brief, needs_timecode=True, drop_frame=drop)


def _cameras(brief: Brief, value: object) -> Brief:
    letters = [_text("cameras", each) for each in _several("cameras", value)]
    for letter in letters:
        if not re.fullmatch("[A-Za-z]", letter):
            raise BriefError(
                "cameras", f"'{_short(letter)}' is no camera letter", 'such as ["A", "B"]'
            )
    return replace(brief, cameras=tuple(letter.upper() for letter in letters))


def _clip_name(brief: Brief, value: object) -> Brief:
    try:
        return replace(brief, clip_name=NamePattern(_text("clip_name", value)))
    except ValueError as error:
        raise BriefError(
            "clip_name",
            f"'{_short(str(value))}': {shown(str(error))}",
            'such as "{camera}{roll}C{clip}*"',
        ) from error


_READERS: dict[str, Callable[[Brief, object], Brief]] = {
    "codec": _codec,
    "raster": _raster,
    "frame_rate": _frame_rate,
    "off_speed": _off_speed,
    "audio_channels": _audio_channels,
    "audio_rate_hz": _audio_rate,
    "audio_bits": _audio_bits,
    "timecode": _timecode,
    "cameras": _cameras,
    "clip_name": _clip_name,
}


def _check_together(brief: Brief) -> None:
    if brief.drop_frame and brief.rate is not None and not has_drop_frame(brief.rate):
        raise BriefError(
            "timecode",
            f"there is no drop-frame timecode at {rate_text(brief.rate)} frames a second",
            "drop-frame counting exists at 30000/1001 and 60000/1001 only (SMPTE ST 12-1)",
        )
    if brief.rate is None and (brief.off_speed or brief.any_off_speed):
        raise BriefError(
            "off_speed", "it needs frame_rate, the rate that others are off", "add frame_rate"
        )
    for rate in brief.off_speed:
        if brief.rate is not None and is_same_rate(rate, brief.rate):
            raise BriefError("off_speed", f"{rate_text(rate)} is frame_rate itself", "leave it out")


def _several(key: str, value: object) -> list[object]:
    values = value if isinstance(value, list | tuple) else [value]
    if not values:
        raise BriefError(key, "the list is empty", "leave the key out where anything goes")
    return list(values)


def _text(key: str, value: object) -> str:
    if not isinstance(value, str):
        raise BriefError(key, f"'{_short(str(value))}' is not text", "write it in quotes")
    return value


def _number(key: str, value: object, allowed: range | tuple[int, ...]) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value not in allowed:
        says = f"{allowed[0]} to {allowed[-1]}" if isinstance(allowed, range) else _either(allowed)
        raise BriefError(key, f"'{_short(str(value))}' is not allowed", f"a whole number: {says}")
    return value


def _near(key: str) -> str:
    near = difflib.get_close_matches(key, _READERS, 1)
    hint = f"did you mean {near[0]}? " if near else ""
    return f"{hint}Allowed are {', '.join(_READERS)}"


def _codecs_near(text: str) -> str:
    names = {codec.name.lower(): codec.name for codec in CODECS}
    near = [names[each] for each in difflib.get_close_matches(text.lower(), names, 3)]
    hint = f"did you mean {_either(near)}? " if near else ""
    return (
        f"{hint}Known are {', '.join(names.values())}; any other codec as "
        f'"{FOURCC_PREFIX}abcd", with its four-character code'
    )


def _either(values: object) -> str:
    parts = [str(each) for each in values] if isinstance(values, list | tuple) else [str(values)]
    return " or ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _short(text: str) -> str:
    return shown(text[:_SHOWN])
