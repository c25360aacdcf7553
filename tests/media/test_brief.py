"""The brief: exact comparison, one line for many clips, and unknown that never passes."""

from dataclasses import replace
from fractions import Fraction

import pytest

from offload.media.brief import Brief, as_ordered, check_brief, is_off_speed
from offload.media.brief_settings import brief_from
from offload.values.clips import AsOrdered, AudioTrack, ClipFacts, Container, StartTimecode

FILM = Fraction(24000, 1001)
NAME = b"A001C001_261124.mov"
BRIEF = brief_from(
    {
        "codec": ["ProRes 422 HQ"],
        "raster": ["3840x2160"],
        "frame_rate": "23.976",
        "audio_channels": 2,
        "audio_rate_hz": 48000,
        "audio_bits": 24,
        "timecode": "running",
        "cameras": ["A"],
        "clip_name": "{camera}{roll}C{clip}*",
    }
)
SOUND = AudioTrack("pcm_s24le", 2, 48000, 24)
GOOD = ClipFacts(
    Container.MOV,
    codec="prores",
    fourcc="apch",
    profile="HQ",
    width=3840,
    height=2160,
    rate=FILM,
    frames=240,
    timecode=StartTimecode("10:00:00:00", False),
    audio=(SOUND,),
)


def told(brief: Brief, facts: ClipFacts, path: bytes = NAME) -> list[tuple[str, str]]:
    return [(each.code, each.text) for each in check_brief(brief, {path: facts})]


def test_clip_as_ordered_has_no_notice() -> None:
    assert told(BRIEF, GOOD) == []
    assert as_ordered(BRIEF, NAME, GOOD) is AsOrdered.YES


@pytest.mark.parametrize(
    ("change", "code", "says"),
    [
        ({"fourcc": "apcn", "profile": "Standard"}, "brief-codec", "ProRes 422; the brief asks"),
        (
            {"width": 1920, "height": 1080},
            "brief-raster",
            "1920x1080; the brief asks for 3840x2160",
        ),
        (
            {"rate": Fraction(24)},
            "brief-frame-rate",
            "24 frames a second; the brief asks for 24000",
        ),
        ({"rate": Fraction(25)}, "brief-frame-rate", "25 frames a second"),
        ({"rate": Fraction(120)}, "brief-frame-rate", "120 frames a second"),
        ({"timecode": None}, "brief-timecode", "no timecode"),
        ({"audio": ()}, "brief-audio-channels", "cannot sync these by sound"),
        ({"audio": (replace(SOUND, channels=1),)}, "brief-audio-channels", "1 sound channel;"),
        ({"audio": (SOUND, SOUND)}, "brief-audio-channels", "4 sound channels;"),
        ({"audio": (replace(SOUND, channels=0),)}, "brief-audio-channels", "no sound;"),
        ({"audio": (replace(SOUND, sample_rate_hz=44100),)}, "brief-audio-rate", "44100 Hz"),
        ({"audio": (replace(SOUND, bits_per_sample=16),)}, "brief-audio-bits", "16 bits"),
    ],
)
def test_each_deviation_is_told(change: dict[str, object], code: str, says: str) -> None:
    facts = replace(GOOD, **change)
    ((found, text),) = told(BRIEF, facts)
    assert found == code
    assert says in text
    assert as_ordered(BRIEF, NAME, facts) is AsOrdered.NO


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"width": None}, "raster cannot be read"),
        ({"rate": None}, "frame rate cannot be read"),
        ({"fourcc": "", "profile": ""}, "codec cannot be read"),
        ({"audio": (replace(SOUND, channels=None),)}, "number of sound channels cannot be read"),
        ({"audio": (replace(SOUND, sample_rate_hz=None),)}, "sample rate cannot be read"),
        ({"audio": (replace(SOUND, bits_per_sample=None),)}, "depth of the sound cannot be read"),
    ],
)
def test_unknown_is_never_as_ordered(change: dict[str, object], says: str) -> None:
    facts = replace(GOOD, **change)
    ((code, text),) = told(BRIEF, facts)
    assert code == "brief-unknown"
    assert says in text
    assert as_ordered(BRIEF, NAME, facts) is AsOrdered.UNKNOWN


def test_closed_clip_is_one_line() -> None:
    assert told(BRIEF, ClipFacts()) == [
        ("brief-unknown", "1 clip: cannot be compared with the brief")
    ]
    assert as_ordered(BRIEF, NAME, ClipFacts()) is AsOrdered.UNKNOWN


def test_foreign_codec_is_compared_by_raster_and_code() -> None:
    foreign = replace(GOOD, codec="", fourcc="abcd", profile="")
    ((code, text),) = told(BRIEF, foreign)
    assert (code, "codec 'abcd'; the brief asks for ProRes 422 HQ" in text) == ("brief-codec", True)
    assert told(replace(BRIEF, codecs=brief_from({"codec": "fourcc:abcd"}).codecs), foreign) == []


def test_forty_clips_are_one_line() -> None:
    clips = {b"A001C%03d.mov" % n: replace(GOOD, rate=Fraction(25)) for n in range(1, 41)}
    (notice,) = check_brief(BRIEF, clips)
    assert notice.text.startswith("40 clips: 25 frames a second")
    assert len(notice.paths) == 40


def test_endless_variety_stays_bounded() -> None:
    clips = {b"A001C%03d.mov" % n: replace(GOOD, width=100 + n) for n in range(1, 500)}
    notices = check_brief(BRIEF, clips)
    assert len(notices) < 10
    assert sum(len(each.paths) for each in notices) == 499


def test_empty_brief_orders_nothing() -> None:
    assert told(Brief(), replace(GOOD, rate=None, audio=())) == []
    assert as_ordered(Brief(), NAME, GOOD) is AsOrdered.UNKNOWN


def test_any_of_several_will_do() -> None:
    brief = brief_from(
        {
            "codec": ["prores", "h264"],
            "raster": ["1920x1080", "3840x2160"],
            "audio_channels": [2, 4],
        }
    )
    assert told(brief, GOOD) == []
    assert told(brief, replace(GOOD, codec="h264", fourcc="avc1", audio=(SOUND, SOUND))) == []


def off_speed_brief(off_speed: object) -> Brief:
    return replace(
        brief_from({"frame_rate": "23.976", "off_speed": off_speed}), audio_channels=(2,)
    )


@pytest.mark.parametrize(
    ("off_speed", "rate", "is_meant"),
    [
        (True, Fraction(48), True),
        (True, Fraction(120000, 1001), True),
        (True, Fraction(12), True),
        # A rate as near as these is a wrong setting, not a speed.
        (True, Fraction(24), False),
        (True, Fraction(25), False),
        (True, Fraction(30000, 1001), False),
        (["48"], Fraction(48), True),
        (["48"], Fraction(48000, 1001), False),
        (["48"], Fraction(120), False),
        (False, Fraction(120), False),
    ],
)
def test_off_speed_is_told_from_wrong_speed(
    off_speed: object, rate: Fraction, is_meant: bool
) -> None:
    brief = off_speed_brief(off_speed)
    facts = replace(GOOD, rate=rate)
    assert is_off_speed(brief, facts) is is_meant
    codes = [code for code, _text in told(brief, facts)]
    assert codes == ([] if is_meant else ["brief-frame-rate"])


def test_off_speed_clips_need_no_sound() -> None:
    brief = off_speed_brief(True)
    assert told(brief, replace(GOOD, rate=Fraction(120), audio=())) == []
    # Some cameras write the production's rate and keep the sensor's to themselves.
    assert told(brief, replace(GOOD, audio=())) == []
    assert [code for code, _ in told(off_speed_brief(False), replace(GOOD, audio=()))] == [
        "brief-audio-channels"
    ]


def test_drop_frame_is_compared() -> None:
    brief = brief_from({"frame_rate": "29.97", "timecode": "drop"})
    ntsc = replace(GOOD, rate=Fraction(30000, 1001))
    ((code, text),) = told(brief, ntsc)
    assert code == "brief-drop-frame"
    assert "non-drop timecode; the brief asks for drop-frame" in text
    assert told(brief, replace(ntsc, timecode=StartTimecode("10:00:00;00", True))) == []
    assert told(brief, replace(ntsc, timecode=None))[0][0] == "brief-timecode"


def test_timecode_that_starts_again_is_told() -> None:
    zero = replace(GOOD, timecode=StartTimecode("00:00:00:00", False))
    (notice,) = check_brief(BRIEF, {b"A001C001.mov": zero, b"A001C002.mov": zero})
    assert notice.code == "brief-timecode-still"
    # One clip may have been recorded at midnight.
    assert check_brief(BRIEF, {b"A001C001.mov": zero}) == ()


@pytest.mark.parametrize(
    ("path", "roll", "codes"),
    [
        (b"B001C001.mov", "", ["brief-camera"]),
        (b"a001c001.mov", "", []),
        (b"C0001.mov", "A001", ["brief-clip-name"]),
        (b"C0001.mov", "B001", ["brief-clip-name", "brief-camera"]),
    ],
)
def test_names_and_cameras_are_compared(path: bytes, roll: str, codes: list[str]) -> None:
    assert [each.code for each in check_brief(BRIEF, {path: GOOD}, roll)] == codes


def test_sound_recorder_is_asked_for_sound_only() -> None:
    recorder = ClipFacts(Container.WAV, audio=(replace(SOUND, channels=8),))
    assert told(BRIEF, recorder, b"T001.wav") == []
    slow = replace(recorder, audio=(replace(SOUND, sample_rate_hz=44100),))
    assert [code for code, _ in told(BRIEF, slow, b"T001.wav")] == ["brief-audio-rate"]


def test_frame_folders_hold_no_sound() -> None:
    frames = ClipFacts(Container.DNG, "tiff", width=3840, height=2160, rate=FILM)
    brief = brief_from({"codec": "dng", "raster": "3840x2160", "audio_channels": 2})
    assert told(brief, frames) == []


def test_hostile_text_is_escaped() -> None:
    ((_code, text),) = told(BRIEF, replace(GOOD, codec="\x1b[2J", fourcc=""))
    assert "\x1b" not in text
