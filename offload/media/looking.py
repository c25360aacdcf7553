"""Looking into one open clip: facts, counts, pictures, sound; each step bounded.

Runs inside the worker, on a descriptor. The container's form is given and never guessed: left to
itself the library takes a text file named ``.mov`` for a list of other files, and reads them.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import av
from av.container import InputContainer
from av.video.stream import VideoStream

from offload.media.decoding import (
    PictureLook,
    count_packets,
    decode_all,
    look_at_pictures,
    look_at_still,
)
from offload.media.look_request import ENDS_WHOLE, FORMATS, Depth, LookRequest
from offload.media.metered_file import MeteredFile
from offload.media.pictures import picture_of
from offload.media.reading import BudgetError
from offload.media.sound_levels import measure_sound
from offload.media.stream_facts import (
    audio_streams,
    cut_text,
    facts_of,
    is_known,
    is_uneven,
    picture_stream,
)
from offload.values.clips import (
    ClipCode,
    ClipFacts,
    ClipFinding,
    Container,
    Usable,
    Weight,
)
from offload.values.probed import Picture, Probed, SoundLevels

READ_BUDGET_BYTES = 512 * 1024 * 1024
_KEPT_COMPLAINTS = 3
_LEAST_PROBE_BYTES = 32

_TELLING_CODECS = frozenset(("h264", "mpeg2video"))
"""Codecs whose decoder complains of a picture that breaks off (measured: of 139 streams cut inside
a picture 127; of HEVC less than half, in silence)."""

COUNTED_BYTES = 64 * 1024 * 1024
"""Files up to this size are read through once, to count their pictures."""


def look_into(
    descriptor: int,
    request: LookRequest,
    on_raster: Callable[[int, int], None] | None = None,
) -> Probed:
    """Look into one open file.

    Args:
        descriptor: open for reading; stays its owner's.
        request: what is asked.
        on_raster: told width and height before the first picture is decoded.

    Raises:
        MemoryError: more memory than the worker may have; nothing is known then.
        OSError: the medium could not be read.
    """
    file = MeteredFile(descriptor, READ_BUDGET_BYTES)
    if request.depth is Depth.FULL:
        file = MeteredFile(descriptor, READ_BUDGET_BYTES + 4 * file.size_bytes)
    found = _Found()
    facts = ClipFacts(container=request.container)
    opening = f"cannot be opened as {request.container.value}"
    with found.step("open", opening), _opened(file, request.container) as container:
        facts = facts_of(container, request.container)
        if on_raster is not None:
            on_raster(facts.width or 0, facts.height or 0)
        if request.is_encrypted:
            found.opaque("it is encrypted")
        else:
            _look_at_pictures(container, file, facts, request, found)
            _listen(container, facts, request, found)
    return Probed(
        facts=facts,
        usable=found.usable,
        findings=tuple(found.findings),
        sound=found.sound,
        picture=found.picture,
        pictures_decoded=found.decoded,
        bytes_read=file.bytes_read,
    )


def _opened(
    file: MeteredFile, container: Container, *, with_edits: bool = True, is_to_count: bool = False
) -> InputContainer:
    options = {} if with_edits else {"ignore_editlist": "1"}
    # Left alone the library decodes pictures only to learn more of a stream: for H.264 seven and
    # more (measured: most of opening). A key picture tells the same where there is an index, and
    # to count them that alone is enough.
    codec_options = {"skip_frame": "nokey"}
    if container is Container.MPEGTS and not is_to_count:
        codec_options = {}
    elif container is not Container.MPEGTS and is_to_count:
        options["probesize"] = str(_LEAST_PROBE_BYTES)
    return av.open(
        file.again(),
        mode="r",
        format=FORMATS[container],
        metadata_errors="replace",
        options=codec_options,
        container_options=options,
    )


class _Found:
    """What one look has found so far."""

    def __init__(self) -> None:
        self.findings: list[ClipFinding] = []
        self.sound: SoundLevels | None = None
        self.picture: Picture | None = None
        self.decoded = 0

    @property
    def usable(self) -> Usable:
        """The answer so far: what does not decode decides, then what does."""
        if any(each.code == ClipCode.UNDECODABLE for each in self.findings):
            return Usable.NO
        return Usable.YES if self.decoded or self.sound is not None else Usable.UNKNOWN

    def add(self, code: str, check: str, text: str, weight: Weight = Weight.HOLD) -> None:
        """One finding."""
        self.findings.append(ClipFinding(code, text, weight=weight, check=check))

    def opaque(self, why: str) -> None:
        """Nothing is wrong with it that we could tell; we cannot look inside."""
        if not any(each.code == ClipCode.OPAQUE for each in self.findings):
            text = f"we cannot look inside: {why}"
            self.add(ClipCode.OPAQUE, "decoder", text, Weight.NOTICE)

    @contextmanager
    def step(self, check: str, what: str) -> Iterator[None]:
        """One step, whose failure becomes a finding; ``what`` says what then is the case."""
        try:
            yield
        except MemoryError:
            raise
        except (av.error.PatchWelcomeError, av.error.DecoderNotFoundError) as error:
            self.opaque(f"this decoder does not know its form ({_said(error)})")
        except av.error.FFmpegError as error:
            self.add(ClipCode.UNDECODABLE, check, f"{what}: {_said(error)}")
        except BudgetError as error:
            self.add(ClipCode.UNCHECKED, check, f"not looked at in full: {error}")


def _look_at_pictures(
    container: InputContainer,
    file: MeteredFile,
    facts: ClipFacts,
    request: LookRequest,
    found: _Found,
) -> None:
    stream = picture_stream(container)
    if stream is None:
        return
    if not is_known(stream):
        found.opaque("no decoder for its pictures")
        return
    look = PictureLook()
    with found.step("decode", "its pictures do not decode"):
        if request.container.is_frame:
            look_at_still(container, stream, look)
        else:
            look_at_pictures(container, stream, look)
            _count(file, request, look)
    declared = _declared(stream, facts)
    if look.packets is not None and look.packets < declared:
        look.packets = _count_hidden(file, request.container, look.packets)
    found.decoded = look.decoded
    is_stream = request.container is Container.MPEGTS
    if is_stream and look.ends_whole and facts.codec in _TELLING_CODECS:
        found.add(ClipCode.DECODER_NOTE, ENDS_WHOLE, "its last picture is whole", Weight.NOTE)
    _report_pictures(look, declared, found)
    if not request.container.is_frame and is_uneven(stream):
        _report_uneven(stream, found)
    if look.middle is not None and request.picture_width:
        # A picture that cannot be made small is nobody's loss but the page's.
        with suppress(av.error.FFmpegError, ValueError):
            found.picture = picture_of(
                look.middle, request.picture_width, stream.sample_aspect_ratio
            )


def _count(file: MeteredFile, request: LookRequest, look: PictureLook) -> None:
    """Go through the whole file, if it is small or if that is asked for."""
    count = decode_all if request.depth is Depth.FULL else count_packets
    if request.depth is Depth.QUICK and file.size_bytes > COUNTED_BYTES:
        return
    with _opened(file, request.container, is_to_count=request.depth is Depth.QUICK) as again:
        if (stream := picture_stream(again)) is not None:
            count(again, stream, look)


def _count_hidden(file: MeteredFile, container: Container, counted: int) -> int:
    """Pictures in the whole file, also those that an edit list hides."""
    if container is not Container.MOV:
        return counted
    look = PictureLook()
    with (
        suppress(av.error.FFmpegError),
        _opened(file, container, with_edits=False, is_to_count=True) as opened,
    ):
        if (stream := picture_stream(opened)) is not None:
            count_packets(opened, stream, look)
    return max(counted, look.packets or 0)


def _report_pictures(look: PictureLook, declared: int, found: _Found) -> None:
    for problem in dict.fromkeys(look.problems):
        found.add(ClipCode.UNDECODABLE, "decode", problem)
    if look.complaints:
        found.add(ClipCode.UNDECODABLE, "decode", _complaints(look.complaints))
    notes = [*look.notes, _complaints(look.remarks)] if look.remarks else look.notes
    for note in notes:
        found.add(ClipCode.DECODER_NOTE, "decode", note, Weight.NOTE)
    if look.packets is not None and declared and look.packets != declared:
        text = f"{declared} pictures are declared, {look.packets} were found"
        weight = Weight.HOLD if look.packets < declared else Weight.NOTE
        found.add(ClipCode.COUNTS_DIFFER, "picture-count", text, weight)
    if look.corrupt_packets:
        found.add(
            ClipCode.UNDECODABLE, "packet-flags", f"{look.corrupt_packets} pictures are cut short"
        )


def _complaints(lines: list[str]) -> str:
    kinds = list(dict.fromkeys(lines))
    shown = "; ".join(kinds[:_KEPT_COMPLAINTS])
    return f"the decoder complained {len(lines)} times, such as: {shown}"


def _report_uneven(stream: VideoStream, found: _Found) -> None:
    text = (
        f"frames of unequal duration: {stream.average_rate} a second on average, "
        f"in steps of {stream.base_rate}"
    )
    found.add(ClipCode.UNEVEN, "frame-steps", text, Weight.NOTICE)


def _declared(stream: VideoStream, facts: ClipFacts) -> int:
    """Pictures that the file declares; 0 where it declares none."""
    if stream.frames > 0:
        return stream.frames
    counts_frames = facts.rate is not None and stream.time_base == 1 / facts.rate
    is_counted = facts.container is Container.MXF and counts_frames
    return max(0, stream.duration or 0) if is_counted else 0


def _listen(
    container: InputContainer, facts: ClipFacts, request: LookRequest, found: _Found
) -> None:
    if not request.with_sound or request.container.is_frame:
        return
    if any(not is_known(stream) for stream in audio_streams(container)):
        found.opaque("no decoder for its sound")
    with found.step("sound", "its sound does not decode"):
        found.sound = measure_sound(container, facts.audio, facts.duration)


def _said(error: av.error.FFmpegError) -> str:
    return cut_text((error.strerror or type(error).__name__).lower())
