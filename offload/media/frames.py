"""Frames that are files of their own: which kind a file is, and its check.

The checks themselves stand in :mod:`offload.media.dpx`, :mod:`offload.media.tiff` (DNG too),
:mod:`offload.media.exr` and :mod:`offload.media.codestream`.
"""

from collections.abc import Callable

from offload.media import codestream, dpx, exr, tiff
from offload.media.heads import Looking
from offload.media.structure import StructureReport
from offload.values.clips import Container

_TIFF_MAGICS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")

CHECKS: dict[Container, Callable[[Looking], StructureReport]] = {
    Container.DPX: dpx.check,
    Container.TIFF: tiff.check,
    Container.DNG: tiff.check,
    Container.EXR: exr.check,
    Container.JPEG2000: codestream.check,
}


def frame_container(head: bytes) -> Container | None:
    """The frame format that a file's first bytes show; a DNG shows as TIFF. None for others."""
    if head[:4] in dpx.MAGICS:
        return Container.DPX
    if head[:4] == exr.MAGIC:
        return Container.EXR
    if head[:4] == codestream.MAGIC:
        return Container.JPEG2000
    return Container.TIFF if head[:4] in _TIFF_MAGICS else None
