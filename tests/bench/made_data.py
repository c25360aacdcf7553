"""The cards that are measured with: made once, kept between runs, never in the repository.

They hold real clips, since an offload looks into them: clips that cannot be opened would be held.
"""

import io
import os
import random
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import av
from av.video.frame import VideoFrame

_RATE = 24
_UHD = (3840, 2160)
_FRAME = (185, 176)
"""A DPX frame of 8 bits has 2048 bytes of head and three a pixel: 99,728 bytes."""


def large_card(folder: Path, files: int, size_bytes: int) -> Path:
    """Few large clips of that size, less at most one picture."""
    place = folder / f"large-{files}x{size_bytes >> 20}M"
    with _once(place) as card:
        if card is not None:
            pictures = _pictures(4)
            for at in range(files):
                _write_clip(card / "CLIPS" / f"A001C{at + 1:03}.mov", size_bytes, pictures, at)
    return place


def frames_card(folder: Path, files: int) -> Path:
    """Frames of 100 KB, a thousand a folder, no two alike."""
    place = folder / f"frames-{files}"
    with _once(place) as card:
        if card is not None:
            body = _frame()
            for path, at in _numbered(card, files):
                path.write_bytes(body[:-8] + at.to_bytes(8, "big"))
    return place


def small_card(folder: Path, files: int, size_bytes: int) -> Path:
    """Files of any content, a thousand a folder, no two alike; empty ones too."""
    place = folder / f"small-{files}x{size_bytes}"
    with _once(place) as card:
        if card is not None:
            body = random.Random(7).randbytes(size_bytes)
            for path, at in _numbered(card, files):
                path.with_suffix(".dat").write_bytes((at.to_bytes(8, "big") + body)[:size_bytes])
    return place


def _numbered(card: Path, files: int) -> Iterator[tuple[Path, int]]:
    for at in range(files):
        folder = card / f"A001C{at // 1000 + 1:04}"
        if at % 1000 == 0:
            folder.mkdir(parents=True)
        yield folder / f"A001C{at // 1000 + 1:04}.{at % 1000:07}.dpx", at


def _noise(size: tuple[int, int], seed: int) -> VideoFrame:
    frame = VideoFrame(*size, "rgb24")
    plane = frame.planes[0]
    plane.update(random.Random(seed).randbytes(plane.buffer_size))
    return frame


def _frame() -> bytes:
    encoder = av.CodecContext.create("dpx", "w")
    encoder.width, encoder.height = _FRAME
    encoder.pix_fmt = "rgb24"
    encoder.time_base = Fraction(1, _RATE)
    packets = [*encoder.encode(_noise(_FRAME, 7)), *encoder.encode(None)]
    return b"".join(bytes(packet) for packet in packets)


def _pictures(count: int) -> bytes:
    """A short clip whose packets are written again and again."""
    out = io.BytesIO()
    with av.open(out, "w", format="mov") as container:
        stream = container.add_stream("prores_ks", rate=_RATE)
        stream.width, stream.height = _UHD
        stream.pix_fmt = "yuv422p10le"
        for seed in range(count):
            container.mux(stream.encode(_noise(_UHD, seed)))
        container.mux(stream.encode(None))
    return out.getvalue()


def _write_clip(path: Path, size_bytes: int, pictures: bytes, first: int) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with av.open(io.BytesIO(pictures)) as source, av.open(os.fspath(path), "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        bodies = [bytes(packet) for packet in source.demux() if packet.size]
        written, at = 0, 0
        while written + len(bodies[0]) * 2 < size_bytes:
            packet = av.Packet(bodies[(at + first) % len(bodies)])
            packet.stream = stream
            packet.time_base = Fraction(1, _RATE)
            packet.pts = packet.dts = at
            packet.duration = 1
            packet.is_keyframe = True
            out.mux(packet)
            written += len(bodies[(at + first) % len(bodies)])
            at += 1


@contextmanager
def _once(place: Path) -> Iterator[Path | None]:
    """A folder to fill, which takes its name when it is whole; nothing where it is there."""
    if place.exists():
        yield None
        return
    growing = place.with_name(place.name + ".incomplete")
    growing.mkdir(parents=True, exist_ok=True)
    yield growing
    os.sync()
    growing.rename(place)
