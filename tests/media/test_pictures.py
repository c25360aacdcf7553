"""Small pictures: JPEG that another reader opens, in the shape in which the clip is shown."""

import io
from fractions import Fraction
from pathlib import Path

import av
import pytest

from offload.media.pictures import MAX_JPEG_BYTES, picture_of
from offload.values.probed import Picture
from tests.lab.footage import picture, write_dng
from tests.lab.readers import mediainfo


def opened(made: Picture | None) -> av.VideoFrame:
    assert made is not None
    with av.open(io.BytesIO(made.jpeg), format="mjpeg") as container:
        (frame,) = container.decode(video=0)
    assert isinstance(frame, av.VideoFrame)
    return frame


@pytest.mark.parametrize(
    "pixels",
    ["yuv420p", "yuv422p10le", "yuv444p12le", "yuva444p12le", "rgb48le", "gbrpf32le", "gray"],
)
def test_pixels_of_every_kind_become_jpeg(pixels: str, tmp_path: Path) -> None:
    made = picture_of(picture((640, 360), pixels, 1))
    frame = opened(made)
    assert (frame.width, frame.height) == (320, 180)
    assert made is not None
    path = tmp_path / "picture.jpg"
    path.write_bytes(made.jpeg)
    (image,) = mediainfo(path)["image"]
    assert (image["format"], image["width"], image["height"]) == ("JPEG", 320, 180)
    assert len(made.jpeg) < MAX_JPEG_BYTES


def test_picture_shows_the_frame() -> None:
    frame = av.VideoFrame(640, 360, "gray")
    half = frame.planes[0].line_size * 180
    frame.planes[0].update(b"\x20" * half + b"\xe0" * (frame.planes[0].buffer_size - half))
    pixels = bytes(opened(picture_of(frame)).reformat(format="gray").planes[0])
    line = len(pixels) // 180
    assert pixels[line * 10 + 100] < 0x40
    assert pixels[line * 170 + 100] > 0xC0


@pytest.mark.parametrize(
    ("size", "shape", "height"),
    [
        ((4096, 2160), None, 168),
        ((1440, 1080), Fraction(4, 3), 180),
        ((2880, 2160), Fraction(2), 120),
        ((16, 4096), None, 640),
        ((4096, 16), None, 2),
        ((640, 360), Fraction(0), 180),
        ((640, 360), Fraction(10**9), 180),
    ],
)
def test_shape_is_that_of_the_screen(
    size: tuple[int, int], shape: Fraction | None, height: int
) -> None:
    frame = opened(picture_of(picture(size, "yuv420p", 1), pixel_shape=shape))
    assert (frame.width, frame.height) == (320, height)


@pytest.mark.parametrize("level", [60, 900, 40_000])
def test_dark_sensor_data_is_stretched(tmp_path: Path, level: int) -> None:
    with av.open(str(write_dng(tmp_path / "f.dng", level=level)), format="tiff_pipe") as container:
        (frame,) = container.decode(video=0)
    assert isinstance(frame, av.VideoFrame)
    assert frame.format.name.startswith("bayer")
    pixels = bytes(opened(picture_of(frame)).reformat(format="gray").planes[0])
    assert max(pixels) > 200 or level < 256
