"""What is asked of a worker about one clip. Needs no decoding library."""

from dataclasses import dataclass
from enum import Enum

from offload.values.clips import Container

FORMATS = {
    Container.MOV: "mov",
    Container.MXF: "mxf",
    Container.WAV: "wav",
    Container.MPEGTS: "mpegts",
    Container.DPX: "dpx_pipe",
    Container.TIFF: "tiff_pipe",
    Container.DNG: "tiff_pipe",
    Container.EXR: "exr_pipe",
    Container.JPEG2000: "j2k_pipe",
}
"""What the library calls the reader of each container."""

ENDS_WHOLE = "last-picture"
"""The check that notes of a transport stream that its last picture decodes without a complaint."""

PICTURE_WIDTH = 320
"""Of the small picture, pixels."""


class Depth(Enum):
    """How much of a clip is decoded."""

    QUICK = "quick"
    """First, middle and last picture; sound in pieces."""
    FULL = "full"
    """Every picture; sound in pieces."""


@dataclass(frozen=True, slots=True)
class LookRequest:
    """What is asked of the worker; the clip itself comes as an open descriptor.

    Attributes:
        container: how the file is wrapped; its reader is forced.
        depth: how much is decoded.
        picture_width: of the small picture, pixels; 0 for none.
        with_sound: measure levels.
        is_encrypted: the structure says so; nothing is decoded then.
    """

    container: Container
    depth: Depth = Depth.QUICK
    picture_width: int = PICTURE_WIDTH
    with_sound: bool = True
    is_encrypted: bool = False
