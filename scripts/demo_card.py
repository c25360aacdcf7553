"""Makes the demo card: real clips and their side files, from "Night Ferry", camera A, roll A001."""

import os
import sys
from fractions import Fraction
from pathlib import Path

import av

FRAMES = 24
RATE = Fraction(24000, 1001)
WIDTH, HEIGHT = 640, 360
SILENT = 2
"""The clip whose scratch track nobody switched on: the camera team should hear of it."""


def write_clip(path: Path, number: int, timecode: str) -> None:
    """One ProRes clip with a moving ramp and a scratch track of 48 kHz."""
    with av.open(str(path), "w", format="mov") as out:
        video = out.add_stream("prores_ks", rate=RATE)
        video.width, video.height, video.pix_fmt = WIDTH, HEIGHT, "yuv422p10le"
        video.codec_context.options = {
            "profile": "hq",
            "flags": "+qscale",
            "global_quality": "150",
        }
        video.metadata["timecode"] = timecode
        video.metadata["reel_name"] = "A001"
        sound = out.add_stream("pcm_s24le", rate=48000, layout="stereo")
        for at in range(FRAMES):
            picture = picture_of(number, at)
            for packet in video.encode(picture):
                out.mux(packet)
            for packet in sound.encode(sound_of(at, is_silent=number == SILENT)):
                out.mux(packet)
        for stream in (video, sound):
            for packet in stream.encode(None):
                out.mux(packet)


def picture_of(number: int, at: int) -> av.VideoFrame:
    """A grey ramp that moves with the frame, so that no two pictures are alike."""
    frame = av.VideoFrame(WIDTH, HEIGHT, "gray")
    plane = frame.planes[0]
    line = bytes((x // 2 + 7 * at + 40 * number) % 220 + 16 for x in range(plane.line_size))
    plane.update(line * HEIGHT)
    picture = frame.reformat(format="yuv422p10le")
    picture.pts, picture.time_base = at, 1 / RATE
    return picture


def sound_of(at: int, *, is_silent: bool) -> av.AudioFrame:
    """2002 samples a frame: a saw on both channels, one higher than the other; or nothing."""
    frame = av.AudioFrame(format="s32", layout="stereo", samples=2002)
    start = at * 2002
    samples = bytearray()
    for n in range(start, start + 2002):
        for step in (9_000_000, 11_000_000):
            value = 0 if is_silent else (n * step) % (1 << 29) - (1 << 28)
            samples += value.to_bytes(4, "little", signed=True)
    plane = frame.planes[0]
    plane.update(bytes(samples).ljust(plane.buffer_size, b"\0"))
    frame.sample_rate, frame.pts, frame.time_base = 48000, start, Fraction(1, 48000)
    return frame


def main() -> None:
    """Write the card to the folder given."""
    card = Path(sys.argv[1])
    clips = card / "A001"
    clips.mkdir(parents=True)
    for number in range(1, 4):
        name = f"A001C{number:03d}_261125_NF0{number}"
        write_clip(clips / f"{name}.mov", number, f"13:{2 * number:02d}:11:00")
        (clips / f"{name}.xml").write_text(f"<take><scene>12</scene><no>{number}</no></take>\n")
    (card / "camera_sheet.txt").write_text("Night Ferry, camera A, roll A001, 3 clips\n")
    os.sync()


if __name__ == "__main__":
    main()
