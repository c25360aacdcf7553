"""Decoding a few pictures of a clip, or all of them, and noticing whatever goes wrong.

Runs inside the worker. First, middle and last picture are decoded; a clip whose codec keeps whole
pictures (ProRes, VC-3, frames) is judged strictly, because no picture needs another one. Where
pictures build on one another, a decoder that begins in the middle complains about healthy files
too, so there only a missing picture, or one that is marked corrupt, counts.

Decoding can never prove that the bytes are right: most single flipped bits go through quietly
(measured). It proves that the clip was usable when it was looked at.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Self

import av
from av.container import InputContainer
from av.packet import Packet
from av.stream import Discard
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from offload.media.stream_facts import cut_text

LAST_PICTURES = 600
"""Most pictures decoded on the way to the last one: ten seconds at 60 a second."""

_BACK_S = (0, 2, 8)
"""How far before a point decoding begins, where no key picture is found from it on. Camera groups
of pictures are at most a second or so long."""

_OPEN_PICTURES = 4
"""Pictures at the start of a later part of a recording that build on the part before (from memory:
reordering depth of H.264 and HEVC as cameras use it)."""

_REORDERED_PICTURES = 5
"""The last pictures of a group that are decoded whatever builds on them: an end mark, and pictures
that wait for their turn (from memory: up to three in camera streams)."""

_HELD_BYTES = 64 * 1024 * 1024
"""Of a group that is held back to find its last key picture."""

_CORRUPT_PICTURES = 60
_KEPT_LOG_LINES = 1000


@dataclass(slots=True)
class PictureLook:
    """What decoding found; filled as it goes on.

    Attributes:
        middle: a picture from the middle.
        decoded: pictures decoded.
        packets: pictures found in the whole file; None when it was not read through.
        corrupt_packets: of these, marked by the container's reader.
        problems: what keeps the clip, as phrases.
        notes: what is only written down, as phrases.
        ends_whole: the very last picture was decoded, and the decoder had nothing to say of it.
        complaints: lines of the decoder, escaped, that count against the clip.
        remarks: lines of the decoder, escaped, that do not.
    """

    middle: VideoFrame | None = None
    decoded: int = 0
    packets: int | None = None
    corrupt_packets: int = 0
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    ends_whole: bool = False
    complaints: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def look_at_pictures(container: InputContainer, stream: VideoStream, look: PictureLook) -> None:
    """Decode the first picture, one from the middle, and the last.

    Args:
        container: freshly opened: a transport stream cannot be sent back to its first picture.
        stream: of its pictures.
        look: takes what is found.

    Raises:
        MemoryError: the decoder needs more than the worker may have.
        BudgetError: more would have to be read than was agreed.
    """
    _prepare(container, stream)
    start = stream.start_time or 0
    length = stream.duration or _length(container, stream)
    is_start = container.format.name != "mpegts"
    with _Log(look, stream, is_start=is_start):
        first = next(_frames(container, stream, look), None)
    if first is not None and first.is_corrupt and is_start:
        look.problems.append("the first picture is damaged")
    if first is None:
        look.problems.append("the first picture does not decode")
        return
    look.middle = first
    if length <= 1:
        return
    with _Log(look, stream):
        middle = _picture_at(container, stream, start + length // 2, look)
    if middle is None:
        look.problems.append("no picture in the middle decodes")
    else:
        look.middle = middle
    with _Log(look, stream) as log:
        _last_picture(container, stream, start + length - 1, look, log)


def look_at_still(container: InputContainer, stream: VideoStream, look: PictureLook) -> None:
    """Decode the one picture of a frame file.

    Raises:
        MemoryError: see :func:`look_at_pictures`.
        BudgetError: see :func:`look_at_pictures`.
    """
    with _Log(look, stream, is_start=True):
        look.middle = next(_frames(container, stream, look), None)
    if look.middle is None:
        look.problems.append("the picture does not decode")


def count_packets(container: InputContainer, stream: VideoStream, look: PictureLook) -> None:
    """Read all pictures of a freshly opened file without decoding them, and count."""
    _prepare(container, stream)
    look.packets = 0
    for packet in container.demux(stream):
        if packet.size:
            look.packets += 1
            look.corrupt_packets += bool(packet.is_corrupt)


def decode_all(container: InputContainer, stream: VideoStream, look: PictureLook) -> None:
    """Decode every picture of a freshly opened file; count those found, decoded and damaged."""
    _prepare(container, stream)
    look.packets, hidden, decoded, corrupt, refused = 0, 0, 0, 0, 0
    # A later part of a recording may begin with pictures that lean on the part before.
    may_begin = container.format.name != "mpegts"
    with _Log(look, stream, is_start=container.format.name != "mpegts"):
        for packet in container.demux(stream):
            if packet.size:
                look.packets += 1
                look.corrupt_packets += bool(packet.is_corrupt)
                may_begin = may_begin or packet.is_keyframe
                hidden += bool(packet.is_discard or not may_begin)
            try:
                frames = packet.decode()
            except av.error.InvalidDataError:
                refused += 1
                continue
            decoded += len(frames)
            corrupt += sum(1 for frame in frames if frame.is_corrupt)
    look.decoded += decoded
    missing = look.packets - hidden - decoded
    if missing > (0 if stream.codec_context.codec.intra_only else _OPEN_PICTURES):
        look.problems.append(f"{missing} of {look.packets} pictures do not decode")
    elif refused or corrupt:
        look.problems.append(f"{refused + corrupt} of {look.packets} pictures decode with errors")


class _Log:
    """Collects what the library complains about while a piece is decoded.

    It counts against a clip whose pictures stand alone, and at the start of a recording. A stream
    of packets may be a later part of one, and then begins in the middle too.
    """

    def __init__(self, look: PictureLook, stream: VideoStream, *, is_start: bool = False) -> None:
        self._look = look
        self._is_strict = is_start or stream.codec_context.codec.intra_only
        self._capture = av.logging.Capture()

    def __enter__(self) -> Self:
        self._lines = self._capture.__enter__()
        self._said_before, self._is_refused = 0, False
        return self

    def begin_packet(self) -> None:
        """What is said from now on is said of another picture."""
        self._said_before, self._is_refused = len(self._lines), False

    def refuse_packet(self) -> None:
        """The decoder gave no picture for it."""
        self._is_refused = True

    @property
    def is_quiet(self) -> bool:
        """Whether the decoder had nothing against the latest picture."""
        said = self._lines[self._said_before :]
        return not self._is_refused and all(line[0] > av.logging.ERROR for line in said)

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self._capture.__exit__(None, None, None)
        kept = self._look.complaints if self._is_strict else self._look.remarks
        for level, _name, text in self._lines:
            if level <= av.logging.ERROR and len(kept) < _KEPT_LOG_LINES:
                kept.append(cut_text(text.strip()))


def _prepare(container: InputContainer, stream: VideoStream) -> None:
    # Frames in flight take memory with every thread.
    stream.codec_context.thread_count = 1
    for other in container.streams:
        if other.index != stream.index:
            other.discard = Discard.all


def _length(container: InputContainer, stream: VideoStream) -> int:
    if not container.duration or not stream.time_base:
        return 0
    return int(container.duration / av.time_base / stream.time_base)


def _picture_at(
    container: InputContainer, stream: VideoStream, at: int, look: PictureLook
) -> VideoFrame | None:
    """The first picture that decodes from ``at`` on, or a little before it."""
    for start in _starts(container, stream, at):
        if _go_to(container, stream, start) and (frame := _whole(container, stream, look)):
            return frame
    return None


def _whole(container: InputContainer, stream: VideoStream, look: PictureLook) -> VideoFrame | None:
    """The first picture that is not marked corrupt, as those are that build on ones not read."""
    frame = None
    for number, frame in enumerate(_frames(container, stream, look)):
        if not frame.is_corrupt or number >= _CORRUPT_PICTURES:
            break
    return frame


def _last_picture(
    container: InputContainer, stream: VideoStream, at: int, look: PictureLook, log: _Log
) -> None:
    for start in _starts(container, stream, at):
        if not _go_to(container, stream, start):
            continue
        last = None
        packets = _last_group(container, stream)
        for number, frame in enumerate(_decoded(packets, stream, look, log)):
            last = frame
            if number >= LAST_PICTURES:
                look.notes.append("the last picture was not reached, the last group is very long")
                return
        if last is not None:
            if last.is_corrupt:
                look.problems.append("the last picture is damaged")
            look.ends_whole = log.is_quiet and not last.is_corrupt
            return
    look.problems.append("the last picture does not decode")


def _go_to(container: InputContainer, stream: VideoStream, at: int) -> bool:
    """Whether the container could go to the key picture at or before ``at``."""
    try:
        container.seek(at, stream=stream, backward=True)
    except av.error.FFmpegError:
        return False
    return True


def _starts(container: InputContainer, stream: VideoStream, at: int) -> Iterator[int]:
    """Where to begin reading so that the picture at ``at`` decodes: there, then further back."""
    second = int(1 / stream.time_base) if stream.time_base else 0
    first = stream.start_time or 0
    if container.format.name == "mpegts":
        # Without an index the library looks for a packet by its time, and must aim ahead of the
        # first picture to find it.
        first -= second
    tried: set[int] = set()
    for back_s in _BACK_S:
        start = max(first, at - back_s * second)
        if start not in tried:
            tried.add(start)
            yield start


def _frames(
    container: InputContainer, stream: VideoStream, look: PictureLook
) -> Iterator[VideoFrame]:
    """Pictures from where the container stands; see :func:`_decoded`."""
    return _decoded(container.demux(stream), stream, look)


def _last_group(container: InputContainer, stream: VideoStream) -> Iterator["Packet[VideoStream]"]:
    """The packets from the last key picture on that the last one may build on, and the end mark.

    Where there is no index, reading begins some groups before; those are left out. So are pictures
    that no other builds on, but for the last few.
    """
    before: list[Packet[VideoStream]] = []
    latest: list[Packet[VideoStream]] = []
    latest_bytes = 0
    rest: Iterator[Packet[VideoStream]] = iter(())
    packets = container.demux(stream)
    for packet in packets:
        if packet.is_keyframe:
            before, latest, latest_bytes = latest, [], 0
        latest.append(packet)
        latest_bytes += packet.size
        if len(latest) > LAST_PICTURES or latest_bytes > _HELD_BYTES:
            rest = packets
            break
    # Pictures right behind a key picture may build on what comes before it too.
    is_alone = stream.codec_context.codec.intra_only or len(latest) > 2 * _REORDERED_PICTURES
    held = latest if is_alone else before + latest
    try:
        for left, packet in zip(range(len(held), 0, -1), held, strict=True):
            is_needed = left > _REORDERED_PICTURES and left < len(held)
            stream.codec_context.skip_frame = "NONREF" if is_needed else "DEFAULT"
            yield packet
    finally:
        stream.codec_context.skip_frame = "DEFAULT"
    yield from rest


def _decoded(
    packets: Iterable["Packet[VideoStream]"],
    stream: VideoStream,
    look: PictureLook,
    log: _Log | None = None,
) -> Iterator[VideoFrame]:
    """Pictures of packets; a picture that is refused is left out."""
    for packet in packets:
        if log and packet.size:
            log.begin_packet()
        try:
            frames = packet.decode()
        except av.error.InvalidDataError:
            if log:
                log.refuse_packet()
            if stream.codec_context.codec.intra_only:
                return
            continue
        for frame in frames:
            look.decoded += 1
            yield frame
