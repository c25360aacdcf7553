"""Decoding: healthy clips of every build are usable, whatever a decoder mutters on the way."""

import os
import random
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from offload.media.containers import container_of
from offload.media.look_request import Depth, LookRequest
from offload.media.probe import ProbePool, ProbeRequest
from offload.values.clips import Usable, Weight
from offload.values.probed import Probed
from tests.lab.footage import Track, noise, write_footage
from tests.lab.readers import ffprobe_count

X264 = ["-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p", "-x264-params"]
X265 = ["-c:v", "libx265", "-preset", "ultrafast", "-pix_fmt", "yuv420p10le", "-x265-params"]
MPEG2 = ["-c:v", "mpeg2video", "-bf", "2", "-g", "12", "-b:v", "5M"]
OPEN = "open-gop=1:keyint=12:bframes=3"

# How cameras build clips, made with FFmpeg: groups of pictures that lean on the one before,
# interlaced pictures, pictures that all stand alone, fragments, one group for the whole clip.
BUILDS = {
    "open.mp4": [*X264, OPEN, "-c:a", "aac"],
    "open.mts": [*X264, OPEN, "-c:a", "ac3"],
    "interlaced.mts": [*X264, "tff=1:keyint=12", "-flags", "+ilme+ildct", "-c:a", "ac3"],
    "interlaced.mov": [*X264, "tff=1:keyint=12", "-flags", "+ilme+ildct", "-c:a", "pcm_s16le"],
    "hevc.mp4": [*X265, f"{OPEN}:log-level=none", "-c:a", "aac"],
    "hevc.mts": [*X265, f"{OPEN}:log-level=none", "-c:a", "aac"],
    "mpeg2.mxf": [*MPEG2, "-c:a", "pcm_s16le"],
    "mpeg2.mts": [*MPEG2, "-c:a", "mp2"],
    "intra.mxf": [*X264, "keyint=1", "-c:a", "pcm_s24le"],
    "fragments.mp4": [*X264, "keyint=12", "-movflags", "frag_keyframe+empty_moov", "-c:a", "aac"],
    "one-group.mp4": [*X264, "keyint=250:bframes=3", "-c:a", "aac"],
    "one-group.mts": [*X264, "keyint=250:bframes=3", "-c:a", "ac3"],
    "motion-jpeg.mov": ["-c:v", "mjpeg", "-q:v", "3", "-c:a", "pcm_s16le"],
    "v210.mov": ["-c:v", "v210", "-c:a", "pcm_s24le"],
    "interlaced-prores.mov": ["-c:v", "prores_ks", "-flags", "+ilme+ildct", "-c:a", "pcm_s24le"],
    "opus.mp4": [*X264, "keyint=25", "-c:a", "libopus"],
}


@pytest.fixture(scope="module")
def pool() -> Iterator[ProbePool]:
    with ProbePool(1) as made:
        yield made


def look(pool: ProbePool, path: Path, depth: Depth) -> Probed:
    name = os.fsencode(path.name)
    asked = LookRequest(container_of(name), depth)
    return pool.probe(ProbeRequest(name, lambda: os.open(path, os.O_RDONLY), asked))


def ffmpeg(*arguments: str) -> None:
    subprocess.run(["ffmpeg", "-v", "error", *arguments], check=True)


def build(path: Path) -> Path:
    pictures = ["-f", "lavfi", "-i", "testsrc2=s=192x108:r=25"]
    sound = ["-f", "lavfi", "-i", "anoisesrc=r=48000:a=0.1"]
    ffmpeg(*pictures, *sound, "-t", "3", *BUILDS[path.name], str(path))
    return path


def holds(probed: Probed) -> list[str]:
    return [each.text for each in probed.findings if each.weight is not Weight.NOTE]


@pytest.mark.parametrize("name", BUILDS)
def test_healthy_clips_are_usable(pool: ProbePool, tmp_path: Path, name: str) -> None:
    path = build(tmp_path / name)
    for depth in Depth:
        probed = look(pool, path, depth)
        assert holds(probed) == []
        assert probed.usable is Usable.YES
        assert probed.facts.frames == ffprobe_count(path) == 75
        assert probed.picture is not None
        assert probed.sound is not None
        assert probed.sound.channels[0].peak_dbfs is not None


def test_later_part_of_a_recording_is_usable(pool: ProbePool, tmp_path: Path) -> None:
    # A recording cut into parts goes on in the middle of its pictures.
    whole = build(tmp_path / "open.mts")
    data = whole.read_bytes()
    part = tmp_path / "00001.mts"
    part.write_bytes(data[len(data) // 2 // 188 * 188 :])
    for depth in Depth:
        assert look(pool, part, depth).usable is Usable.YES


def test_damage_of_leaning_pictures_is_found(pool: ProbePool, tmp_path: Path) -> None:
    path = build(tmp_path / "open.mp4")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 20_000] = b"\0" * 20_000
    path.write_bytes(data)
    assert look(pool, path, Depth.FULL).usable is Usable.NO


def test_last_picture_of_endless_group_is_left(pool: ProbePool, tmp_path: Path) -> None:
    path = tmp_path / "endless.mp4"
    pictures = ["-f", "lavfi", "-i", "color=s=64x36:r=50"]
    ffmpeg(*pictures, "-t", "30", *X264, "keyint=infinite:scenecut=0", str(path))
    probed = look(pool, path, Depth.QUICK)
    assert holds(probed) == []
    assert probed.pictures_decoded < 1500
    assert "last group is very long" in "".join(each.text for each in probed.findings)


def test_complaints_are_told_once(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A.mov", frames=48)
    data = bytearray(path.read_bytes())
    for at in range(len(data) // 4, len(data) // 2, 4096):
        data[at : at + 64] = b"\xff" * 64
    path.write_bytes(data)
    probed = look(pool, path, Depth.FULL)
    texts = holds(probed)
    assert len(texts) == len(set(texts))
    assert len(texts) <= 3


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("container", "codec"),
    [("mov", "prores-hq"), ("mov", "h264"), ("mxf", "vc3-sq"), ("mpegts", "h264"), ("wav", None)],
)
def test_random_damage_never_breaks_the_check(
    pool: ProbePool, tmp_path: Path, container: str, codec: str | None, seed: int
) -> None:
    sound = Track(
        [noise(-20, 0.5), noise(-20, 0.5)], "ac3" if container == "mpegts" else "pcm_s24le"
    )
    suffix = {"mpegts": "mts"}.get(container, container)
    path = tmp_path / f"A.{suffix}"
    write_footage(
        path, container=container, codec=codec, frames=12, size=(256, 144), tracks=[sound]
    )
    whole = path.read_bytes()
    dice = random.Random(seed)
    for _ in range(6):
        data = bytearray(whole)
        for _ in range(dice.randint(1, 20)):
            # Half of the flips hit the first and last bytes, where the tables are.
            edge = dice.choice([dice.randrange(2048), -1 - dice.randrange(2048)])
            at = dice.choice([edge, dice.randrange(len(data))])
            data[at] ^= 1 << dice.randrange(8)
        path.write_bytes(data)
        probed = look(pool, path, dice.choice(list(Depth)))
        # Memory may run out; our own code may not fail.
        assert "the check itself failed" not in probed.unchecked
        assert "was ended by" not in probed.unchecked
