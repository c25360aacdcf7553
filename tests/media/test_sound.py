"""Sound: levels against tones of known level, and what they mean to people.

Level definitions: AES17 and IEC 61606 (a full-scale sine has an RMS level of 0 dBFS); line-up
levels: EBU R 68 (-18 dBFS) and SMPTE RP 155 (-20 dBFS).
"""

import json
import os
import subprocess
from array import array
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path

import pytest

from offload.media.look_request import LookRequest
from offload.media.probe import ProbePool, ProbeRequest
from offload.media.sound import (
    CLIPPED,
    COPIED,
    DEAD,
    FAINT,
    SILENT,
    TONE,
    heard_text,
    judge_sound,
    level_text,
    sound_notices,
)
from offload.values.clips import Container, Weight
from offload.values.probed import ChannelLevels, SoundLevels
from tests.lab.footage import FULL_SCALE, Track, noise, silence, tone, write_footage

SAMPLES = "array[int]"


@pytest.fixture(scope="module")
def pool() -> Iterator[ProbePool]:
    with ProbePool(1) as made:
        yield made


def heard(pool: ProbePool, path: Path, container: Container = Container.WAV) -> SoundLevels:
    request = ProbeRequest(
        b"clip", lambda: os.open(path, os.O_RDONLY), LookRequest(container, picture_width=0)
    )
    probed = pool.probe(request)
    assert probed.findings == ()
    assert probed.sound is not None
    return probed.sound


def wave(
    tmp_path: Path, channels: Sequence[SAMPLES], codec: str = "pcm_s24le", rate: int = 48000
) -> Path:
    track = Track(channels, codec, rate)
    return write_footage(tmp_path / "T001.wav", container="wav", codec=None, tracks=[track])


def codes(sound: SoundLevels) -> list[str]:
    return [each.code for each in judge_sound(sound)]


@pytest.mark.parametrize("dbfs", [0.0, -18.0, -20.0, -50.0])
@pytest.mark.parametrize("codec", ["pcm_s16le", "pcm_s24le", "pcm_s32le", "pcm_f32le"])
def test_tones_of_known_level(pool: ProbePool, tmp_path: Path, dbfs: float, codec: str) -> None:
    sound = heard(pool, wave(tmp_path, [tone(dbfs), tone(dbfs, 440)], codec))
    # Half a step of 16 bits is 0.04 dB at -50 dBFS.
    tolerance = 0.04 if codec == "pcm_s16le" else 0.004
    for channel in sound.channels:
        assert channel.peak_dbfs == pytest.approx(dbfs, abs=tolerance)
        assert channel.rms_dbfs == pytest.approx(dbfs, abs=tolerance / 4)
    assert [channel.tone_hz for channel in sound.channels] == pytest.approx([1000, 440], rel=1e-3)
    assert sound.is_whole
    assert sound.heard == 2


def test_rms_is_3_db_above_plain_reading(pool: ProbePool, tmp_path: Path) -> None:
    # ffmpeg's astats filter prints the plain root mean square; AES17 puts a sine 3.01 dB higher.
    path = wave(tmp_path, [noise(-10, seed=1), noise(-26, seed=2)])
    command = ["ffprobe", "-v", "error", "-f", "lavfi", "-of", "json"]
    command += [f"amovie={path},astats=metadata=1:reset=0", "-show_entries", "frame_tags"]
    said = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    tags = said["frames"][-1]["tags"]
    for number, channel in enumerate(heard(pool, path).channels, 1):
        theirs = float(tags[f"lavfi.astats.{number}.RMS_level"])
        assert channel.rms_dbfs == pytest.approx(theirs + 3.0103, abs=0.01)
        peak = float(tags[f"lavfi.astats.{number}.Peak_level"])
        assert channel.peak_dbfs == pytest.approx(peak, abs=0.001)


@pytest.mark.parametrize("rate", [32000, 44100, 96000, 192000])
def test_other_sample_rates(pool: ProbePool, tmp_path: Path, rate: int) -> None:
    sound = heard(pool, wave(tmp_path, [tone(-20, rate=rate, seconds=1)], rate=rate))
    assert sound.channels[0].rms_dbfs == pytest.approx(-20, abs=0.001)
    assert sound.channels[0].tone_hz == pytest.approx(1000, rel=1e-3)


def test_compressed_sound_is_measured_too(pool: ProbePool, tmp_path: Path) -> None:
    track = Track([noise(-20), silence()], "aac")
    path = write_footage(tmp_path / "A.mp4", container="mp4", codec="h264", tracks=[track])
    sound = heard(pool, path, Container.MOV)
    assert codes(sound) == [DEAD]
    assert sound.channels[1].peak_dbfs is None or sound.channels[1].peak_dbfs < -60


def test_digital_silence_means_no_sync(pool: ProbePool, tmp_path: Path) -> None:
    sound = heard(pool, wave(tmp_path, [silence(), silence()]))
    (finding,) = judge_sound(sound)
    assert finding.code == SILENT
    assert finding.weight is Weight.NOTICE
    assert "the post room cannot sync by sound" in finding.text
    assert [each.peak_dbfs for each in sound.channels] == [None, None]
    # Silence is not a copy of silence.
    assert [each.copy_of for each in sound.channels] == [None, None]


def test_single_last_sample_is_not_digital_silence(pool: ProbePool, tmp_path: Path) -> None:
    channel = silence()
    channel[-1] = 1
    (finding,) = judge_sound(heard(pool, wave(tmp_path, [channel])))
    assert finding.code == FAINT
    assert "-138.5 dBFS" in finding.text


def test_faint_sound_means_no_sync(pool: ProbePool, tmp_path: Path) -> None:
    (finding,) = judge_sound(heard(pool, wave(tmp_path, [noise(-65), noise(-70, seed=2)])))
    assert finding.code == FAINT
    assert "as good as silent" in finding.text
    assert "cannot sync by sound" in finding.text


def test_dead_channel_beside_living_one(pool: ProbePool, tmp_path: Path) -> None:
    (finding,) = judge_sound(heard(pool, wave(tmp_path, [noise(-20), silence()])))
    assert finding.code == DEAD
    assert finding.text.startswith("channel 2 is silent, the rest carries sound")


def test_tone_only_means_no_scratch_sound(pool: ProbePool, tmp_path: Path) -> None:
    (finding,) = judge_sound(heard(pool, wave(tmp_path, [tone(-18), silence()])))[1:]
    assert finding.code == TONE
    assert "a tone of 1000 Hz at -18.0 dBFS" in finding.text
    assert "cannot sync by sound" in finding.text


@pytest.mark.parametrize(
    "channel",
    [
        noise(-20),
        array("i", tone(-20, seconds=1) + noise(-20, seconds=1)),
        array("i", (a + b for a, b in zip(tone(-20), tone(-20, 1500), strict=True))),
        array("i", (a + b for a, b in zip(tone(-20), noise(-40), strict=True))),
        array("i", tone(-20, seconds=1) + tone(-20, 500, seconds=1)),
        array("i", (max(-200_000, min(200_000, sample)) for sample in tone(-20, 50))),
    ],
    ids=["noise", "tone then noise", "two tones", "tone in noise", "change", "square hum"],
)
def test_other_sound_is_no_tone(pool: ProbePool, tmp_path: Path, channel: SAMPLES) -> None:
    assert TONE not in codes(heard(pool, wave(tmp_path, [channel])))


@pytest.mark.parametrize("hertz", [50, 100, 997, 1000, 10_000, 15_000])
def test_tones_of_any_pitch(pool: ProbePool, tmp_path: Path, hertz: int) -> None:
    sound = heard(pool, wave(tmp_path, [tone(-20, hertz)]))
    assert codes(sound) == [TONE]
    assert sound.channels[0].tone_hz == pytest.approx(hertz, rel=0.01)


def runs(lengths: Sequence[int], sign: int = 1) -> SAMPLES:
    """Quiet noise with runs at full scale."""
    channel = noise(-20)
    for number, length in enumerate(lengths):
        at = 1000 + 500 * number
        value = FULL_SCALE if sign > 0 else -FULL_SCALE - 1
        channel[at : at + length] = array("i", [value] * length)
    return channel


@pytest.mark.parametrize("codec", ["pcm_s16le", "pcm_s24le"])
def test_clipping_counts_runs(pool: ProbePool, tmp_path: Path, codec: str) -> None:
    # Two samples at full scale may be a peak; three in a row are none.
    sound = heard(pool, wave(tmp_path, [runs([1, 2, 2]), runs([3, 5, 40, 2])], codec))
    assert [each.clipped for each in sound.channels] == [0, 3]
    (finding,) = judge_sound(sound)
    assert finding.code == CLIPPED
    assert finding.text.startswith("channel 2 clipped 3 times: three or more samples in a row")


def test_clipping_below_zero_counts_too(pool: ProbePool, tmp_path: Path) -> None:
    sound = heard(pool, wave(tmp_path, [runs([4], sign=-1)]))
    assert sound.channels[0].clipped == 1
    assert "clipped once" in judge_sound(sound)[0].text


def test_copied_channel_is_told(pool: ProbePool, tmp_path: Path) -> None:
    sound = heard(pool, wave(tmp_path, [noise(-20), noise(-20, seed=2), noise(-20), silence()]))
    assert [each.copy_of for each in sound.channels] == [None, None, 1, None]
    assert codes(sound) == [DEAD, COPIED]
    assert "channel 3 has the same samples as channel 1" in judge_sound(sound)[1].text


def test_copies_are_found_across_tracks(pool: ProbePool, tmp_path: Path) -> None:
    tracks = [Track([noise(-20, 12)]), Track([noise(-20, 12, seed=2)]), Track([noise(-20, 12)])]
    for container, kind in (("mov", Container.MOV), ("mxf", Container.MXF)):
        path = tmp_path / f"A.{container}"
        write_footage(path, container=container, frames=288, size=(64, 36), tracks=tracks)
        sound = heard(pool, path, kind)
        assert [each.copy_of for each in sound.channels] == [None, None, 1]
        assert sound.windows == 4


def test_late_difference_is_no_copy(pool: ProbePool, tmp_path: Path) -> None:
    other = noise(-20)
    other[-1] += 1
    assert COPIED not in codes(heard(pool, wave(tmp_path, [noise(-20), other])))


def test_long_clips_are_heard_in_pieces(pool: ProbePool, tmp_path: Path) -> None:
    quiet = array("i", silence(29) + noise(-20, 1))
    path = write_footage(
        tmp_path / "A.mov", frames=720, size=(64, 36), tracks=[Track([quiet, silence(30)])]
    )
    sound = heard(pool, path, Container.MOV)
    assert (sound.windows, sound.is_whole, sound.heard) == (4, False, 5)
    # The pieces reach the end of the clip.
    assert codes(sound) == [DEAD]
    assert "heard: 4 pieces spread over the clip, 5 s in all" in judge_sound(sound)[0].text


def test_many_channels_are_bounded(pool: ProbePool, tmp_path: Path) -> None:
    track = Track([noise(-20, 4, seed=n) for n in range(8)])
    sound = heard(pool, wave(tmp_path, track.channels))
    assert len(sound.channels) == 8
    assert (sound.windows, sound.heard) == (4, 2)


def level(peak: float | None, **more: object) -> ChannelLevels:
    return ChannelLevels(peak, peak, **more)


def sound(*channels: ChannelLevels) -> SoundLevels:
    return SoundLevels(channels, Fraction(2), 1, True)


def test_many_dead_channels_are_one_line() -> None:
    channels = [level(-20), level(-20), *[level(None)] * 6]
    (finding,) = judge_sound(sound(*channels))
    assert finding.text.startswith("channels 3 to 8 are silent")
    (finding,) = judge_sound(sound(level(None), level(-20), level(-70)))
    assert finding.text.startswith("channels 1 and 3 are silent")


def test_forty_clips_are_one_notice() -> None:
    clips = {b"%02d" % n: sound(level(-20), level(None)) for n in range(40)}
    clips[b"other"] = sound(level(-65.4))
    first, second = sound_notices(clips)
    assert (first.code, len(first.paths)) == (DEAD, 40)
    assert first.text == "40 clips: channel 2 is silent, the rest carries sound"
    assert second.paths == (b"other",)
    assert second.text.startswith("1 clip: the loudest sample is -65.4 dBFS")


def test_good_sound_has_no_notice() -> None:
    assert sound_notices({b"a": sound(level(-12), level(-14))}) == ()
    assert judge_sound(SoundLevels((), Fraction(0), 0, True)) == ()


def test_silence_has_no_number() -> None:
    assert level_text(None) == "digital silence"
    assert level_text(-20.04) == "-20.0 dBFS"


def test_what_was_heard_is_said() -> None:
    assert heard_text(sound(level(-1))) == "heard from end to end"
    beginning = SoundLevels((level(-1),), Fraction(12), 1, False)
    assert heard_text(beginning) == "heard: the first 12 s"
