"""A small picture of a clip, for a page that a person looks at.

Runs inside the worker. Undeveloped sensor data (DNG) is linear and dark; it is stretched until a
person can tell what it shows. That is for recognising a clip, never for judging its exposure.
"""

from fractions import Fraction

import av
from av.video.frame import VideoFrame

from offload.media.look_request import PICTURE_WIDTH
from offload.values.probed import Picture

MAX_JPEG_BYTES = 128 * 1024
_MIN_SIDE = 2
_QUALITY = 5 * 118
"""Quantiser of the encoder in its own unit: 2 x 118 is best, 31 x 118 worst; 5 x 118 gives 10 to 20
kB at 320 pixels."""
_BRIGHT = 0.99
"""Share of pixels that stay below white when sensor data is stretched."""
_GAMMA = 1 / 2.2


def picture_of(
    frame: VideoFrame, width: int = PICTURE_WIDTH, pixel_shape: Fraction | None = None
) -> Picture | None:
    """The frame as a small JPEG in its display shape; None when it does not become one.

    Args:
        frame: decoded.
        width: of the picture in pixels; its height follows.
        pixel_shape: width of a pixel in heights of it; square where the file says nothing.
    """
    size = _size(frame, width, pixel_shape or Fraction(1))
    if frame.format.name.startswith("bayer"):
        small = _developed(frame, *size)
    else:
        small = frame.reformat(*size, format="yuvj420p")
    jpeg = _jpeg(small)
    return Picture(jpeg, *size) if 0 < len(jpeg) <= MAX_JPEG_BYTES else None


def _size(frame: VideoFrame, width: int, shape: Fraction) -> tuple[int, int]:
    if not Fraction(1, 8) <= shape <= 8:
        shape = Fraction(1)
    height = round(Fraction(width * frame.height, frame.width) / shape)
    # The encoder wants even sides; nobody wants a picture a hundred times as high as wide.
    return width, max(_MIN_SIDE, min(2 * width, height // 2 * 2))


def _developed(frame: VideoFrame, width: int, height: int) -> VideoFrame:
    small = frame.reformat(width, height, format="gbrp")
    planes = [bytes(plane) for plane in small.planes]
    counts = [0] * 256
    for plane in planes:
        for level in range(256):
            counts[level] += plane.count(level)
    table = _stretch(counts)
    for target, data in zip(small.planes, planes, strict=True):
        target.update(data.translate(table))
    return small.reformat(format="yuvj420p")


def _stretch(counts: list[int]) -> bytes:
    """A table that brings the brightest pixels to white and lifts the dark ones."""
    left = sum(counts) * _BRIGHT
    white = 0
    for level, count in enumerate(counts):
        white = level
        left -= count
        if left <= 0:
            break
    white = max(white, 1)
    return bytes(min(255, round(255 * (level / white) ** _GAMMA)) for level in range(256))


def _jpeg(frame: VideoFrame) -> bytes:
    encoder = av.VideoCodecContext.create("mjpeg", "w")
    encoder.width, encoder.height = frame.width, frame.height
    encoder.pix_fmt = "yuvj420p"
    encoder.time_base = Fraction(1, 25)
    encoder.thread_count = 1
    encoder.options = {"flags": "+qscale", "global_quality": str(_QUALITY)}
    frame.pts, frame.time_base = 0, encoder.time_base
    packets = [*encoder.encode(frame), *encoder.encode(None)]
    return b"".join(bytes(packet) for packet in packets)
