"""Settings of the brief: every wrong key and value is refused by name."""

from fractions import Fraction

import pytest

from offload.errors import SettingsError
from offload.media.brief import Brief
from offload.media.brief_settings import BriefError, brief_from


def test_full_brief_is_read() -> None:
    brief = brief_from(
        {
            "codec": ["ProRes 422 HQ", "apcn"],
            "raster": ["3840x2160", "4096 x 2160"],
            "frame_rate": 23.976,
            "off_speed": [48, "120000/1001"],
            "audio_channels": [2, 4],
            "audio_rate_hz": 48000,
            "audio_bits": 24,
            "timecode": "non-drop",
            "cameras": ["a", "B"],
            "clip_name": "{camera}{roll}C{clip}*",
        }
    )
    assert [codec.key for codec in brief.codecs] == ["prores-422-hq", "prores-422"]
    assert brief.rasters == ((3840, 2160), (4096, 2160))
    assert brief.rate == Fraction(24000, 1001)
    assert brief.off_speed == (Fraction(48), Fraction(120000, 1001))
    assert brief.audio_channels == (2, 4)
    assert (brief.audio_rate_hz, brief.audio_bits) == (48000, 24)
    assert brief.needs_timecode
    assert brief.drop_frame is False
    assert brief.cameras == ("A", "B")


def test_nothing_asked_is_allowed() -> None:
    assert brief_from({}) == Brief()


def test_single_values_need_no_list() -> None:
    brief = brief_from({"codec": "h264", "raster": "1920x1080", "audio_channels": 0})
    assert (len(brief.codecs), brief.rasters, brief.audio_channels) == (1, ((1920, 1080),), (0,))


@pytest.mark.parametrize(
    ("table", "wrong", "allowed"),
    [
        ({"framerate": 25}, "framerate: there is no such key", "did you mean frame_rate"),
        ({"xyz": 1}, "xyz: there is no such key", "Allowed are codec, raster"),
        ({"codec": "ProRes 442 HQ"}, "no codec known here", "did you mean ProRes 422 HQ"),
        ({"codec": "fourcc:ab"}, "no codec known here", "four-character code"),
        ({"codec": []}, "the list is empty", "leave the key out"),
        ({"codec": 422}, "'422' is not text", "in quotes"),
        ({"raster": "4K"}, "'4K' is no raster", "3840x2160"),
        ({"raster": "0x0"}, "no raster", "16 to 65535"),
        ({"raster": "99999x100"}, "no raster", "pixels"),
        ({"raster": [3840, 2160]}, "not text", "in quotes"),
        ({"frame_rate": 0}, "more than 0", "24000/1001"),
        ({"frame_rate": -24}, "'-24'", "24000/1001"),
        ({"frame_rate": "24/0"}, "divided by 0", "24000/1001"),
        ({"frame_rate": "film"}, "'film'", "24000/1001"),
        ({"frame_rate": True}, "not a frame rate", "24000/1001"),
        ({"frame_rate": float("nan")}, "'nan'", "24000/1001"),
        ({"frame_rate": 24, "off_speed": ["fast"]}, "off_speed: 'fast'", "24000/1001"),
        ({"frame_rate": 24, "off_speed": [24]}, "is frame_rate itself", "leave it out"),
        ({"off_speed": [48]}, "needs frame_rate", "add frame_rate"),
        ({"audio_channels": -1}, "'-1' is not allowed", "0 to 128"),
        ({"audio_channels": 2.5}, "'2.5' is not allowed", "whole number"),
        ({"audio_channels": True}, "'True' is not allowed", "whole number"),
        ({"audio_rate_hz": 48}, "'48' is not allowed", "8000 to 768000"),
        ({"audio_bits": 23}, "'23' is not allowed", "16, 20, 24"),
        ({"timecode": "on"}, "'on' is not allowed", "running, drop or non-drop"),
        ({"timecode": True}, "not text", "in quotes"),
        ({"timecode": "drop", "frame_rate": "23.976"}, "no drop-frame timecode", "30000/1001"),
        ({"timecode": "drop", "frame_rate": 25}, "no drop-frame timecode", "30000/1001"),
        ({"cameras": ["AB"]}, "'AB' is no camera letter", '"A"'),
        ({"cameras": [""]}, "'' is no camera letter", '"A"'),
        ({"clip_name": "{reel}"}, "there is no {reel}", "{camera}"),
        ({"clip_name": "plain"}, "at least one of", "{camera}"),
        ({"raster": {"width": 1}}, "not text", "in quotes"),
        ({"\x1b[2J": 1}, r"brief.\\x1b", "Allowed"),
    ],
)
def test_impossible_values_name_key_and_allowed(
    table: dict[str, object], wrong: str, allowed: str
) -> None:
    with pytest.raises(SettingsError) as raised:
        brief_from(table)
    assert wrong.replace("\\\\", "\\") in str(raised.value)
    assert allowed in raised.value.remedy
    assert str(raised.value).startswith("brief.")


def test_error_carries_key_for_its_line() -> None:
    with pytest.raises(BriefError) as raised:
        brief_from({"codec": "h264", "raster": "big"})
    assert raised.value.key == "raster"
    assert raised.value.exit_code == 2


def test_long_values_are_cut() -> None:
    with pytest.raises(BriefError) as raised:
        brief_from({"raster": "9" * 10_000})
    assert len(str(raised.value)) < 200
