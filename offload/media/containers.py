"""Which container a file's suffix promises. What it really is, its content decides."""

from offload.values.clips import Container

SUFFIXES = {
    **dict.fromkeys((b"mov", b"qt", b"mp4", b"m4v", b"m4a", b"3gp", b"3g2"), Container.MOV),
    **{b"mxf": Container.MXF},
    **dict.fromkeys((b"wav", b"wave", b"bwf", b"rf64", b"bw64"), Container.WAV),
    **dict.fromkeys((b"mts", b"m2ts", b"m2t", b"ts"), Container.MPEGTS),
    **{b"dpx": Container.DPX, b"dng": Container.DNG, b"exr": Container.EXR},
    **dict.fromkeys((b"tif", b"tiff"), Container.TIFF),
    **dict.fromkeys((b"j2c", b"j2k", b"jpc"), Container.JPEG2000),
}
"""By suffix, lower case. The suffixes of formats that we do not read stand nowhere."""


def suffix_of(path: bytes) -> bytes:
    """The suffix of a file's name in lower case, without its dot; empty without one."""
    stem, dot, suffix = path.rpartition(b"/")[2].rpartition(b".")
    return suffix.lower() if dot and stem else b""


def container_of(path: bytes) -> Container:
    """The container that a file's suffix promises; unknown for any other suffix."""
    return SUFFIXES.get(suffix_of(path), Container.UNKNOWN)
