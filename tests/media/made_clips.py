"""Clips for these tests, made once with FFmpeg's own writers and kept in memory.

A few pictures are encoded and their packets muxed again and again, which is a hundred times
faster than encoding them all; what the containers say of them is real. DNG has no encoder, so
its tags are written by hand after the DNG specification. Demo material: short film "Night Ferry".
"""

import array
import io
import math
import struct
import tempfile
from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import av
from av.container import OutputContainer

RATE = Fraction(24000, 1001)
FRAMES = 48
BLOCK = 65_536
_QUALITY = {"profile": "hq", "flags": "+qscale", "global_quality": "150"}
_FAST = {"preset": "ultrafast", "g": "12"}
_PICTURES = {
    "prores_ks": ("yuv422p10le", (320, 180), _QUALITY),
    "dnxhd": ("yuv422p", (320, 240), {"profile": "dnxhr_hq"}),
    "mpeg2video": ("yuv420p", (320, 240), {"g": "1"}),
    "libx264": ("yuv420p", (320, 180), _FAST),
    "libx265": ("yuv420p", (320, 180), {"preset": "ultrafast", "x265-params": "log-level=none"}),
    "v210": ("yuv422p10le", (320, 180), {}),
    "mjpeg": ("yuvj422p", (320, 180), {"color_range": "pc"}),
    "jpeg2000": ("yuv422p10le", (320, 180), {}),
    "dvvideo": ("yuv420p", (720, 576), {}),
    **{
        f"prores_ks/{profile}": (pix_fmt, (320, 180), {**_QUALITY, "profile": profile})
        for profile, pix_fmt in (
            ("proxy", "yuv422p10le"),
            ("lt", "yuv422p10le"),
            ("standard", "yuv422p10le"),
            ("hq", "yuv422p10le"),
            ("4444", "yuva444p10le"),
            ("4444xq", "yuv444p10le"),
        )
    },
    "prores_ks/interlaced": ("yuv422p10le", (720, 486), {**_QUALITY, "flags": "+qscale+ildct"}),
    "dnxhd/interlaced": ("yuv422p", (1920, 1080), {"flags": "+ildct", "b": "120M"}),
    "dnxhd/hd": ("yuv422p", (1920, 1080), {"b": "115M"}),
}


@lru_cache(maxsize=64)
def clip(
    form: str,
    codec: str = "prores_ks",
    sound: str = "pcm_s24le",
    options: tuple[tuple[str, str], ...] = (),
    frames: int = FRAMES,
    timecode: str = "01:00:00:00",
    size: tuple[int, int] = (0, 0),
    rate: Fraction = RATE,
) -> bytes:
    """One clip as a finished file.

    Args:
        form: FFmpeg's name of the container's writer.
        codec: encoder of the picture.
        sound: encoder of the sound; empty for none.
        options: of the writer.
        size: raster; the codec's usual one where left out.
    """
    return _written(form, codec, sound, options, frames, timecode, size, rate)[1]


@lru_cache(maxsize=16)
def unfinished(form: str, codec: str = "prores_ks", sound: str = "pcm_s24le") -> bytes:
    """The same as the recorder's file stands before it is closed: no index, no footer."""
    return _written(form, codec, sound, (), FRAMES, "01:00:00:00", (0, 0), RATE)[0]


def _written(
    form: str,
    codec: str,
    sound: str,
    options: tuple[tuple[str, str], ...],
    frames: int,
    timecode: str,
    size: tuple[int, int],
    rate: Fraction,
) -> tuple[bytes, bytes]:
    # A real file: putting the index first makes the writer open it a second time.
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip"
        container = av.open(str(path), "w", format=form, options=dict(options))
        _fill(container, form, codec, sound, frames, timecode, size, rate)
        before = path.read_bytes()
        container.close()
        return before, path.read_bytes()


def _fill(
    container: OutputContainer,
    form: str,
    codec: str,
    sound: str,
    frames: int,
    timecode: str,
    size: tuple[int, int],
    rate: Fraction,
) -> None:
    pix_fmt, usual, settings = _PICTURES[codec]
    width, height = size if size[0] else usual
    stream = container.add_stream(codec.partition("/")[0], rate=rate)
    stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
    stream.codec_context.options = dict(settings)
    stream.codec_context.thread_count = 1
    stream.time_base = 1 / rate
    container.metadata["reel_name"] = "A001"
    if timecode and form.startswith("mxf"):
        container.metadata["timecode"] = timecode
    elif timecode and form != "mpegts":
        stream.metadata["timecode"] = timecode
        stream.metadata["reel_name"] = "A001"
    audio = container.add_stream(sound, rate=48_000, layout="stereo") if sound else None
    heard = 0
    is_intra = codec not in ("libx264", "libx265")
    if not is_intra:
        stream.codec_context.max_b_frames = 2
    packets = packets_of(
        codec, width, height, rate, 4 if is_intra else frames, is_in_band=form == "mpegts"
    )
    for number in range(frames):
        source = packets[number % len(packets)]
        packet = av.Packet(source[0])
        packet.stream, packet.time_base = stream, 1 / rate
        packet.pts, packet.dts = (number, number) if is_intra else source[1:3]
        packet.duration, packet.is_keyframe = 1, is_intra or source[3]
        container.mux(packet)
        if audio is not None:
            end = int((number + 1) * 48_000 / rate)
            container.mux(audio.encode(_tone(audio.codec_context.format.name, heard, end)))
            heard = end
    if audio is not None:
        container.mux(audio.encode(None))


@lru_cache(maxsize=32)
def packets_of(
    codec: str, width: int, height: int, rate: Fraction, count: int, *, is_in_band: bool
) -> list[tuple[bytes, int, int, bool]]:
    pix_fmt, _usual, settings = _PICTURES[codec]
    # Long-GOP parameter sets travel with the pictures in a transport stream, else in the index.
    is_intra = codec not in ("libx264", "libx265")
    form = "mov" if is_intra else "mpegts" if is_in_band else "matroska"
    container = av.open(io.BytesIO(), "w", format=form)
    stream = container.add_stream(codec.partition("/")[0], rate=rate)
    stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
    stream.codec_context.options = dict(settings)
    stream.codec_context.thread_count = 1
    if not is_intra:
        stream.codec_context.max_b_frames = 2
    made = []
    for number in range(count):
        made += stream.encode(_picture(width, height, number, pix_fmt, rate))
    made += stream.encode(None)
    return [(bytes(packet), packet.pts, packet.dts, packet.is_keyframe) for packet in made]


def stream(frames: int = 48, more: int = 0) -> bytes:
    """A transport stream in good order, in packets of 192 bytes, pictures only.

    Args:
        frames: pictures.
        more: zeros behind the last picture in the file (ISO/IEC 14496-10, annex B, allows them).
    """
    packets = packets_of("libx264", 320, 180, RATE, frames, is_in_band=True)
    target = io.BytesIO()
    with av.open(target, "w", format="mpegts", options={"mpegts_m2ts_mode": "1"}) as container:
        video = container.add_stream("libx264", rate=RATE)
        video.width, video.height, video.pix_fmt, video.time_base = 320, 180, "yuv420p", 1 / RATE
        for at, (data, pts, dts, is_key) in enumerate(packets):
            packet = av.Packet(data + bytes(more if at == frames - 1 else 0))
            packet.stream, packet.time_base = video, 1 / RATE
            packet.pts, packet.dts, packet.is_keyframe = pts, dts, is_key
            container.mux(packet)
    return target.getvalue()


def black(codec: str, width: int, height: int) -> bytes:
    """One black picture, encoded."""
    pix_fmt, _usual, settings = _PICTURES[codec]
    container = av.open(io.BytesIO(), "w", format="mov")
    stream = container.add_stream(codec.partition("/")[0], rate=RATE)
    stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
    stream.codec_context.options = dict(settings)
    frame = av.VideoFrame(width, height, "rgb24")
    frame.planes[0].update(bytes(frame.planes[0].buffer_size))
    frame = frame.reformat(format=pix_fmt)
    frame.pts, frame.time_base = 0, 1 / RATE
    return bytes([*stream.encode(frame), *stream.encode(None)][0])


def _picture(width: int, height: int, number: int, pix_fmt: str, rate: Fraction) -> av.VideoFrame:
    frame = av.VideoFrame(width, height, "rgb24")
    line = frame.planes[0].line_size
    # Waves with a little detail: about as many bytes a picture as a camera's.
    row = bytes(
        int(128 + 90 * math.sin(x / 9 + number) + 20 * math.sin(x * 1.7)) & 255
        for x in range(line + height)
    )
    frame.planes[0].update(b"".join(row[y : y + line] for y in range(height)))
    frame = frame.reformat(format=pix_fmt)
    frame.pts, frame.time_base = number, 1 / rate
    return frame


def _tone(form: str, start: int, end: int, layout: str = "stereo") -> av.AudioFrame:
    frame = av.AudioFrame(format=form, layout=layout, samples=end - start)
    frame.sample_rate, frame.pts, frame.time_base = 48_000, start, Fraction(1, 48_000)
    values = [math.sin((start + n) * 0.05) * 0.25 for n in range(end - start)]
    for plane in frame.planes:
        is_single = form.endswith("p") or layout == "mono"
        each = values if is_single else [v for value in values for v in (value, value)]
        if form.startswith("flt"):
            data = array.array("f", each).tobytes()
        elif form.startswith("s16"):
            data = array.array("h", (int(v * 2**15) for v in each)).tobytes()
        else:
            data = array.array("i", (int(v * 2**31) for v in each)).tobytes()
        plane.update(data[: plane.buffer_size].ljust(plane.buffer_size, b"\0"))
    return frame


@lru_cache(maxsize=8)
def wave(options: tuple[tuple[str, str], ...] = (), seconds: int = 4) -> bytes:
    """A 24-bit stereo wave file; time reference one o'clock where it has the extension."""
    target = io.BytesIO()
    with av.open(target, "w", format="wav", options=dict(options)) as container:
        container.metadata["time_reference"] = "172800000"
        stream = container.add_stream("pcm_s24le", rate=48_000, layout="stereo")
        for start in range(0, seconds * 48_000, 4800):
            container.mux(stream.encode(_tone("s32", start, start + 4800)))
        container.mux(stream.encode(None))
    return target.getvalue()


@lru_cache(maxsize=2)
def sound_alone() -> bytes:
    """The sound file of an essence group: MXF with one track and one value."""
    target = io.BytesIO()
    # The writer takes the rate of its edit units from here; a sound file has no picture to ask.
    with av.open(target, "w", format="mxf_opatom", options={"mxf_audio_edit_rate": "25"}) as out:
        stream = out.add_stream("pcm_s16le", rate=48_000, layout="mono")
        for start in range(0, 48_000, 1920):
            out.mux(stream.encode(_tone("s16", start, start + 1920, "mono")))
        out.mux(stream.encode(None))
    return target.getvalue()


@lru_cache(maxsize=16)
def frame(codec: str, pix_fmt: str, options: tuple[tuple[str, str], ...] = ()) -> bytes:
    """One picture as a file of its own (DPX, TIFF or EXR)."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame"
        with av.open(str(path), "w", format="image2", options={"update": "1"}) as container:
            stream = container.add_stream(codec, rate=24)
            stream.width, stream.height, stream.pix_fmt = 320, 180, pix_fmt
            stream.codec_context.options = dict(options)
            container.mux(stream.encode(_picture(320, 180, 0, pix_fmt, Fraction(24))))
            container.mux(stream.encode(None))
        return path.read_bytes()


def dng(width: int = 320, height: int = 180) -> bytes:
    """An uncompressed 16-bit DNG with a preview in front and the sensor's picture behind it."""
    raw = bytes((n * 7) & 255 for n in range(width * height * 2))
    preview = bytes((n * 3) & 255 for n in range(40 * 30 * 3))
    preview_at = 8
    raw_at = preview_at + len(preview)
    sub_at = raw_at + len(raw)
    sensor = {256: width, 257: height, 258: 16, 259: 1, 262: 32803}
    sub = _directory({**sensor, 273: raw_at, 277: 1, 278: height, 279: len(raw)})
    small = {254: 1, 256: 40, 257: 30, 258: 8, 259: 1, 262: 2}
    strips = {273: preview_at, 277: 3, 278: 30, 279: len(preview)}
    main_at = sub_at + len(sub)
    main = _directory({**small, **strips, 330: sub_at, 50706: 0x00000401})
    return struct.pack("<2sHI", b"II", 42, main_at) + preview + raw + sub + main


def _directory(entries: dict[int, int]) -> bytes:
    """One directory of single numbers; the version of a DNG has four bytes."""
    body = b""
    for tag, value in sorted(entries.items()):
        kind, count = (1, 4) if tag == 50706 else (4, 1)
        body += struct.pack("<HHII", tag, kind, count, value)
    return struct.pack("<H", len(entries)) + body + struct.pack("<I", 0)


def zero_runs(data: bytes) -> list[tuple[int, int]]:
    """Runs of aligned blocks of zeros of 64 KiB, as the copier notes them while bytes pass."""
    runs: list[tuple[int, int]] = []
    for at in range(0, len(data) - BLOCK + 1, BLOCK):
        if data.count(0, at, at + BLOCK) == BLOCK:
            if runs and sum(runs[-1]) == at:
                runs[-1] = (runs[-1][0], runs[-1][1] + BLOCK)
            else:
                runs.append((at, BLOCK))
    return runs


def boxes(data: bytes, start: int = 0, end: int | None = None) -> Iterator[tuple[bytes, int, int]]:
    """The boxes of a MOV file, as (type, start, end); for building damage, not for checking."""
    at = start
    end = len(data) if end is None else end
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, at + 8)
        size = size or end - at
        yield kind, at, at + size
        at += size


def find_box(data: bytes, *path: bytes) -> tuple[int, int]:
    """Start and end of the first box along a path of types."""
    start, end = 0, len(data)
    for depth, kind in enumerate(path):
        found = next((s, e) for k, s, e in boxes(data, start + 8 * (depth > 0), end) if k == kind)
        start, end = found
    return start, end
