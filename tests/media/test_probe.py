"""Reading clips: what we report equals what two independent readers say.

The readers: ``ffprobe`` (an older version of the same family of libraries, read by its own program)
and MediaInfo's library, which shares no code with it.
"""

import os
import subprocess
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from offload.media.frame_rate import is_same_rate
from offload.media.look_request import ENDS_WHOLE, Depth, LookRequest
from offload.media.probe import ProbePool, ProbeRequest
from offload.values.clips import ClipCode, ClipFacts, Container, Usable, Weight
from offload.values.probed import Probed
from tests.lab.footage import (
    FILM,
    NTSC,
    Track,
    noise,
    tone,
    write_dng,
    write_footage,
    write_frame,
)
from tests.lab.readers import ffprobe, ffprobe_count, mediainfo

SOUND = Track([tone(-20), noise(-20)])
SUFFIXES = {"mov": "mov", "mp4": "mov", "mxf": "mxf", "wav": "wav", "mpegts": "mts"}
KINDS = {
    "mov": Container.MOV,
    "mp4": Container.MOV,
    "mxf": Container.MXF,
    "wav": Container.WAV,
    "mpegts": Container.MPEGTS,
}

# Writer, codec, what MediaInfo calls it, what our facts call it with its profile.
# ProRes profiles by their code: SMPTE RDD 36 and the public registry of codes.
CLIPS = [
    ("mov", "prores-proxy", "ProRes", ("prores", "apco", "Proxy")),
    ("mov", "prores-lt", "ProRes", ("prores", "apcs", "LT")),
    ("mov", "prores", "ProRes", ("prores", "apcn", "Standard")),
    ("mov", "prores-hq", "ProRes", ("prores", "apch", "HQ")),
    ("mov", "prores-4444", "ProRes", ("prores", "ap4h", "4444")),
    ("mov", "prores-xq", "ProRes", ("prores", "ap4x", "XQ")),
    ("mov", "vc3-hqx", "VC-3", ("dnxhd", "AVdh", "DNXHR HQX")),
    ("mov", "h264", "AVC", ("h264", "avc1", "Constrained Baseline")),
    ("mov", "h264-b", "AVC", ("h264", "avc1", "High")),
    ("mov", "hevc", "HEVC", ("hevc", "hev1", "Main")),
    ("mp4", "h264", "AVC", ("h264", "avc1", "Constrained Baseline")),
    ("mxf", "prores-hq", "ProRes", ("prores", "", "HQ")),
    ("mxf", "vc3-sq", "VC-3", ("dnxhd", "", "DNXHR SQ")),
    ("mxf", "h264", "AVC", ("h264", "", "Constrained Baseline")),
    ("mxf", "mpeg2", "MPEG Video", ("mpeg2video", "", "Main")),
    ("mpegts", "h264", "AVC", ("h264", "", "Constrained Baseline")),
]


@pytest.fixture(scope="module")
def pool() -> Iterator[ProbePool]:
    with ProbePool(1) as made:
        yield made


def look(
    pool: ProbePool, path: Path, container: Container, depth: Depth = Depth.QUICK, **asked: object
) -> Probed:
    request = LookRequest(container, depth=depth, **asked)
    opened = ProbeRequest(os.fsencode(path.name), lambda: os.open(path, os.O_RDONLY), request)
    return pool.probe(opened)


def make(tmp_path: Path, container: str, codec: str | None, **how: object) -> Path:
    tracks = [Track(SOUND.channels, "ac3" if container == "mpegts" else "pcm_s24le")]
    if container == "mp4":
        tracks = [Track(SOUND.channels, "aac")]
    path = tmp_path / f"A001C001.{SUFFIXES[container]}"
    return write_footage(path, container=container, codec=codec, tracks=tracks, **how)


def holds(probed: Probed) -> list[str]:
    return [each.code for each in probed.findings if each.weight is Weight.HOLD]


def codes(probed: Probed) -> list[str]:
    return [each.code for each in probed.findings]


@pytest.mark.parametrize(("container", "codec", "name", "identity"), CLIPS)
def test_facts_equal_independent_readers(
    pool: ProbePool,
    tmp_path: Path,
    container: str,
    codec: str,
    name: str,
    identity: tuple[str, str, str],
) -> None:
    timecode = "" if container == "mpegts" else "10:00:00:00"
    path = make(tmp_path, container, codec, timecode=timecode)
    probed = look(pool, path, KINDS[container])
    facts = probed.facts
    # Of a transport stream it is noted that the last picture is whole.
    expected = {ENDS_WHOLE} if container == "mpegts" and codec == "h264" else set()
    assert {each.check for each in probed.findings} == expected
    assert probed.usable is Usable.YES
    assert (facts.codec, facts.fourcc, facts.profile) == identity
    _equals_ffprobe(facts, path)
    _equals_mediainfo(facts, path, name, timecode)
    assert facts.rate == FILM
    assert facts.frames == 48 == ffprobe_count(path)


def _equals_ffprobe(facts: ClipFacts, path: Path) -> None:
    theirs = ffprobe(path)
    (video,) = theirs["video"]
    (audio,) = theirs["audio"]
    assert (facts.codec, facts.profile) == (video["codec_name"], video["profile"])
    assert (facts.width, facts.height) == (video["width"], video["height"])
    assert facts.rate == Fraction(video["r_frame_rate"])
    assert facts.duration is not None
    assert float(facts.duration) == pytest.approx(float(video["duration"]), abs=1e-6)
    if "nb_frames" in video:
        assert facts.frames == int(video["nb_frames"])
    if facts.fourcc:
        assert facts.fourcc == video["codec_tag_string"]
    tags = {**theirs["format"].get("tags", {}), **video.get("tags", {})}
    assert (facts.timecode.text if facts.timecode else None) == tags.get("timecode")
    (track,) = facts.audio
    assert track.codec == audio["codec_name"]
    assert track.channels == audio["channels"]
    assert track.sample_rate_hz == int(audio["sample_rate"])
    assert track.bits_per_sample == (audio["bits_per_sample"] or None)
    assert track.duration is not None
    assert float(track.duration) == pytest.approx(float(audio["duration"]), abs=1e-6)


def _equals_mediainfo(facts: ClipFacts, path: Path, name: str, timecode: str) -> None:
    theirs = mediainfo(path)
    (video,) = theirs["video"]
    (audio,) = theirs["audio"]
    assert video["format"] == name
    assert (facts.width, facts.height) == (video["width"], video["height"])
    if "frame_count" in video:
        assert facts.frames == int(video["frame_count"])
    if "frame_rate" in video:
        assert facts.rate is not None
        assert float(facts.rate) == pytest.approx(float(video["frame_rate"]), abs=0.0006)
    if facts.fourcc:
        assert facts.fourcc == video["codec_id"]
    (track,) = facts.audio
    assert track.channels == audio["channel_s"]
    assert track.sample_rate_hz == audio["sampling_rate"]
    if "bit_depth" in audio:
        assert track.bits_per_sample == audio["bit_depth"]
    labels = {other.get("time_code_of_first_frame") for other in theirs.get("other", [])}
    assert labels == ({timecode} if timecode else set())


@pytest.mark.parametrize(
    ("rate", "timecode"),
    [
        (Fraction(24), "01:00:00:00"),
        (Fraction(25), "23:59:59:24"),
        (NTSC, "10:00:00;00"),
        (NTSC, "10:00:00:00"),
        (Fraction(50), "00:00:00:49"),
        (Fraction(60000, 1001), "00:01:00;04"),
        (Fraction(120), "01:00:00:00"),
        (Fraction(48000, 1001), ""),
    ],
)
@pytest.mark.parametrize("container", ["mov", "mxf"])
def test_rates_and_timecode_are_exact(
    pool: ProbePool, tmp_path: Path, rate: Fraction, timecode: str, container: str
) -> None:
    if container == "mxf" and rate not in (Fraction(24), Fraction(25), NTSC, Fraction(50)):
        rate, timecode = Fraction(25), "10:00:00:00"  # rates that this writer of MXF knows
    path = tmp_path / f"clip.{container}"
    write_footage(path, container=container, frames=12, rate=rate, timecode=timecode)
    facts = look(pool, path, KINDS[container]).facts
    assert facts.rate == rate
    assert Fraction(ffprobe(path)["video"][0]["r_frame_rate"]) == rate
    if timecode:
        assert facts.timecode is not None
        # A base of 120 counts has three digits in some readers and two in others.
        assert facts.timecode.text.replace(":000", ":00") == timecode
        assert facts.timecode.is_drop is (";" in timecode)
        theirs = {each.get("time_code_of_first_frame") for each in mediainfo(path)["other"]}
        assert timecode in theirs or rate == 120


def test_reel_and_colour_are_read(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(
        tmp_path / "A.mov", codec="h264", timecode="10:00:00:00", reel="A001R2", colour=(9, 14, 9)
    )
    facts = look(pool, path, Container.MOV).facts
    assert facts.reel == "A001R2"
    # ITU-T H.273: 9 is BT.2020, 14 its 10-bit transfer.
    assert (facts.colour.primaries, facts.colour.transfer, facts.colour.matrix) == (9, 14, 9)
    assert facts.colour.is_full_range is False
    (video,) = mediainfo(path)["video"]
    assert video["color_primaries"] == "BT.2020"
    assert video["matrix_coefficients"] == "BT.2020 non-constant"


def test_hostile_reel_name_is_escaped(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", timecode="10:00:00:00", reel="AAAA[2JAAA")
    data = path.read_bytes()
    path.write_bytes(data.replace(b"AAAA[2JAAA", b"\xff\xfeA\x1b[2JAAA"))
    facts = look(pool, path, Container.MOV).facts
    assert "[2J" in facts.reel
    assert facts.reel.isprintable()


@pytest.mark.parametrize("form", [{"write_bext": "1"}, {"write_bext": "1", "rf64": "always"}])
def test_sound_files_have_time_reference(
    pool: ProbePool, tmp_path: Path, form: dict[str, str]
) -> None:
    # EBU Tech 3285 (bext) and Tech 3306 (RF64); 172,800,000 samples are one hour at 48 kHz.
    path = write_footage(
        tmp_path / "T001.wav",
        container="wav",
        codec=None,
        tracks=[Track([tone(-20), tone(-20), tone(-20), tone(-20)])],
        options=form,
        metadata={"time_reference": "172800000"},
    )
    facts = look(pool, path, Container.WAV).facts
    assert facts.time_reference == 172_800_000
    assert (facts.codec, facts.width, facts.rate, facts.frames) == ("", None, None, None)
    assert facts.duration == 2
    (theirs,) = mediainfo(path)["audio"]
    assert facts.audio[0].channels == theirs["channel_s"] == 4
    assert facts.audio[0].bits_per_sample == theirs["bit_depth"] == 24
    assert float(theirs["delay"]) == 3_600_000


@pytest.mark.parametrize(
    ("name", "container"),
    [
        ("f.dpx", Container.DPX),
        ("f.tif", Container.TIFF),
        ("f.exr", Container.EXR),
        ("f.j2c", Container.JPEG2000),
    ],
)
def test_frame_files_are_pictures(
    pool: ProbePool, tmp_path: Path, name: str, container: Container
) -> None:
    path = write_frame(tmp_path / name)
    probed = look(pool, path, container)
    facts = probed.facts
    assert probed.findings == ()
    assert (facts.width, facts.height, facts.frames) == (320, 180, 1)
    # A frame does not know how fast it is shown.
    assert (facts.rate, facts.duration) == (None, None)
    (video,) = ffprobe(path)["video"]
    assert (facts.codec, facts.width, facts.height) == (
        video["codec_name"],
        video["width"],
        video["height"],
    )
    assert probed.picture is not None


def test_sensor_frames_become_visible_pictures(pool: ProbePool, tmp_path: Path) -> None:
    probed = look(pool, write_dng(tmp_path / "f.dng", level=900), Container.DNG)
    assert probed.usable is Usable.YES
    assert (probed.facts.width, probed.facts.height) == (64, 36)
    assert probed.picture is not None


@pytest.mark.parametrize("depth", list(Depth))
def test_every_picture_is_decoded_on_request(pool: ProbePool, tmp_path: Path, depth: Depth) -> None:
    path = write_footage(tmp_path / "A.mov", frames=30)
    probed = look(pool, path, Container.MOV, depth)
    assert probed.pictures_decoded == (3 if depth is Depth.QUICK else 33)


def test_little_is_read_of_long_clips(pool: ProbePool, tmp_path: Path) -> None:
    # 98 MB; what has to be read is the index and a few pictures.
    path = write_footage(tmp_path / "A.mov", frames=600, size=(1280, 720))
    assert path.stat().st_size > 64 * 1024 * 1024
    probed = look(pool, path, Container.MOV)
    assert probed.usable is Usable.YES
    assert probed.bytes_read < 8 * 1024 * 1024


def test_dropped_frame_is_told_with_true_rate(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", durations=[1] * 10 + [2])
    probed = look(pool, path, Container.MOV)
    assert probed.facts.rate == FILM
    assert codes(probed) == [ClipCode.UNEVEN]
    assert probed.findings[0].weight is Weight.NOTICE
    assert mediainfo(path)["video"][0]["frame_rate_mode"] == "VFR"


def test_variable_rate_is_told(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", durations=[1, 2, 3, 1, 2, 4] * 8)
    probed = look(pool, path, Container.MOV)
    assert codes(probed) == [ClipCode.UNEVEN]
    assert probed.facts.rate is not None
    assert not is_same_rate(probed.facts.rate, FILM)


def test_structure_of_parts_is_no_variable_rate(pool: ProbePool, tmp_path: Path) -> None:
    for fragments in ("frag_keyframe+empty_moov", "faststart"):
        path = write_footage(
            tmp_path / f"{fragments}.mov",
            codec="h264",
            tracks=[SOUND],
            options={"movflags": fragments},
        )
        assert look(pool, path, Container.MOV).findings == ()


def test_hidden_pictures_are_not_missing(pool: ProbePool, tmp_path: Path) -> None:
    # Cut inside a group of pictures: all its pictures stay, an edit list (ISO/IEC 14496-12) hides
    # those before the cut.
    whole = write_footage(tmp_path / "whole.mov", codec="h264", frames=48)
    path = tmp_path / "A001C001.mov"
    cut = ["ffmpeg", "-v", "error", "-ss", "0.7", "-i", str(whole), "-c", "copy", str(path)]
    subprocess.run(cut, check=True)
    assert ffprobe_count(path) < int(ffprobe(path)["video"][0]["nb_frames"])
    for depth in Depth:
        assert look(pool, path, Container.MOV, depth).findings == ()
    # The cut moved by two groups: those before it are not even handed out.
    data = bytearray(path.read_bytes())
    at = data.index(b"elst") + 16
    skipped = int.from_bytes(data[at : at + 4], "big") + 24 * 1001
    data[at : at + 4] = skipped.to_bytes(4, "big")
    path.write_bytes(data)
    for depth in Depth:
        probed = look(pool, path, Container.MOV, depth)
        assert probed.findings == ()
        assert probed.facts.frames == 36


# Broken and hostile files.


@pytest.mark.parametrize("content", [b"", b"\0" * 8, b"\0" * 65536, os.urandom(65536), b"text\n"])
@pytest.mark.parametrize("container", [c for c in Container if c is not Container.UNKNOWN])
def test_rubbish_is_not_usable(
    pool: ProbePool, tmp_path: Path, content: bytes, container: Container
) -> None:
    path = tmp_path / "A001C001.mov"
    path.write_bytes(content)
    probed = look(pool, path, container)
    assert probed.usable is not Usable.YES
    assert holds(probed)
    assert all(each.path == b"A001C001.mov" for each in probed.findings)


def test_list_of_files_is_never_followed(pool: ProbePool, tmp_path: Path) -> None:
    # Left to guess, the library takes this text for a list of files and reads the other one.
    other = write_footage(tmp_path / "secret.mov", frames=4)
    path = tmp_path / "A001C001.mov"
    path.write_text(f"ffconcat version 1.0\nfile '{other}'\n")
    probed = look(pool, path, Container.MOV)
    assert probed.usable is Usable.NO
    assert probed.facts.frames is None
    assert probed.bytes_read <= path.stat().st_size


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.99])
def test_cut_clip_is_not_usable(pool: ProbePool, tmp_path: Path, share: float) -> None:
    path = write_footage(tmp_path / "A.mov", options={"movflags": "faststart"})
    os.truncate(path, int(path.stat().st_size * share))
    probed = look(pool, path, Container.MOV)
    assert probed.usable is Usable.NO
    assert ClipCode.UNDECODABLE in holds(probed)


def test_missing_index_is_not_usable(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov")
    data = path.read_bytes()
    os.truncate(path, data.index(b"moov") - 4)
    probed = look(pool, path, Container.MOV)
    assert holds(probed) == [ClipCode.UNDECODABLE]
    assert "cannot be opened as mov" in probed.findings[0].text


def test_fewer_pictures_than_declared(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mxf", container="mxf", frames=50)
    os.truncate(path, int(path.stat().st_size * 0.9))
    probed = look(pool, path, Container.MXF)
    assert ClipCode.COUNTS_DIFFER in holds(probed)
    assert "50 pictures are declared" in "".join(each.text for each in probed.findings)


def test_zeroed_picture_is_not_usable(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", frames=48)
    with path.open("r+b") as file:
        file.seek(40)
        file.write(b"\0" * 4096)
    probed = look(pool, path, Container.MOV)
    assert probed.usable is Usable.NO
    assert "first picture" in probed.findings[0].text


def test_full_look_finds_damage_between(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", frames=48)
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(size // 4)
        file.write(b"\0" * 65536)
    assert look(pool, path, Container.MOV).usable is Usable.YES
    probed = look(pool, path, Container.MOV, Depth.FULL)
    assert probed.usable is Usable.NO
    assert "pictures do not decode" in "".join(each.text for each in probed.findings)


def test_lying_suffix_is_read_by_its_content(pool: ProbePool, tmp_path: Path) -> None:
    path = make(tmp_path, "wav", None).rename(tmp_path / "A001C001.mxf")
    assert look(pool, path, Container.MXF).usable is Usable.NO
    assert look(pool, path, Container.WAV).usable is Usable.YES


def test_unknown_codec_is_a_notice(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", tracks=[SOUND])
    path.write_bytes(path.read_bytes().replace(b"apch", b"zzzz"))
    probed = look(pool, path, Container.MOV)
    assert codes(probed) == [ClipCode.OPAQUE]
    assert probed.findings[0].weight is Weight.NOTICE
    # Its sound can be listened to all the same.
    assert probed.sound is not None
    assert probed.facts.frames == 48


def test_encrypted_clip_is_a_notice(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", tracks=[SOUND])
    probed = look(pool, path, Container.MOV, is_encrypted=True)
    assert codes(probed) == [ClipCode.OPAQUE]
    assert (probed.usable, probed.sound, probed.picture) == (Usable.UNKNOWN, None, None)


def test_unknown_container_is_a_notice(pool: ProbePool, tmp_path: Path) -> None:
    path = tmp_path / "A001C001.raw"
    path.write_bytes(b"\0" * 1000)
    probed = look(pool, path, Container.UNKNOWN)
    assert codes(probed) == [ClipCode.OPAQUE]
    assert probed.unchecked == ""


def test_track_without_channels_is_survived(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", tracks=[SOUND])
    data = bytearray(path.read_bytes())
    # The sound description (QuickTime file format): 16 bytes after its code begins the version,
    # 8 bytes further on the number of channels.
    at = data.index(b"in24") + 4 + 6 + 2 + 8
    assert data[at : at + 2] == b"\0\2"
    data[at : at + 2] = b"\0\0"
    # The layout of the channels, told a second time.
    path.write_bytes(data.replace(b"chan\0\0\0", b"free\0\0\0"))
    probed = look(pool, path, Container.MOV)
    assert probed.facts.audio[0].channels == 0
    assert probed.sound is None
    assert probed.facts.frames == 48


def test_sparse_giant_is_looked_at_quickly(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", options={"movflags": "faststart"})
    os.truncate(path, 2 << 40)
    probed = look(pool, path, Container.MOV)
    assert probed.facts.frames == 48
    assert probed.bytes_read < 64 * 1024 * 1024
