"""What codecs are called: one key and one name for each, however a file or a person says it.

Identity comes from the four-character code where the container has one (ProRes: SMPTE RDD 36 and
the public registry of codes; H.264 and HEVC: ISO/IEC 14496-15), else from the codec and profile
that the stream itself carries, as the FFmpeg libraries name them.
"""

import re
from dataclasses import dataclass

from offload.values.clips import ClipFacts, Container
from offload.values.paths import shown

FOURCC_PREFIX = "fourcc:"
"""Names a codec that this list has not: ``fourcc:abcd`` is compared with the file's own code."""


@dataclass(frozen=True, slots=True)
class Codec:
    """One codec, or one of its profiles.

    Attributes:
        key: for settings and ``--json``; a shorter key names the whole family (``prores``).
        name: for people.
        codec: as the decoder is called.
        profiles: of the decoder, any of which is this codec; empty: all.
        fourccs: of sample descriptions.
        aliases: other ways to write it in the brief.
    """

    key: str
    name: str
    codec: str
    profiles: tuple[str, ...] = ()
    fourccs: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()


CODECS: tuple[Codec, ...] = (
    Codec(
        "prores-422-proxy", "ProRes 422 Proxy", "prores", ("Proxy",), ("apco",), ("prores proxy",)
    ),
    Codec("prores-422-lt", "ProRes 422 LT", "prores", ("LT",), ("apcs",), ("prores lt",)),
    Codec("prores-422", "ProRes 422", "prores", ("Standard",), ("apcn",)),
    Codec("prores-422-hq", "ProRes 422 HQ", "prores", ("HQ",), ("apch",), ("prores hq",)),
    Codec("prores-4444", "ProRes 4444", "prores", ("4444",), ("ap4h",)),
    Codec("prores-4444-xq", "ProRes 4444 XQ", "prores", ("XQ",), ("ap4x",), ("prores xq",)),
    Codec("prores", "ProRes", "prores"),
    # The codes of ProRes RAW are from memory; RDD 36 does not cover it.
    Codec("prores-raw", "ProRes RAW", "prores_raw", (), ("aprn", "aprh"), ("prores raw hq",)),
    Codec("vc-3-lb", "VC-3 LB", "dnxhd", ("DNXHR LB",), (), ("dnxhr lb",)),
    Codec("vc-3-sq", "VC-3 SQ", "dnxhd", ("DNXHR SQ",), (), ("dnxhr sq",)),
    Codec("vc-3-hq", "VC-3 HQ", "dnxhd", ("DNXHR HQ",), (), ("dnxhr hq",)),
    Codec("vc-3-hqx", "VC-3 HQX", "dnxhd", ("DNXHR HQX",), (), ("dnxhr hqx",)),
    Codec("vc-3-444", "VC-3 444", "dnxhd", ("DNXHR 444",), (), ("dnxhr 444",)),
    Codec("vc-3-hd", "VC-3 HD", "dnxhd", ("DNXHD",), (), ("dnxhd",)),
    Codec("vc-3", "VC-3", "dnxhd", (), ("AVdn", "AVdh"), ("dnx",)),
    Codec("h264", "H.264", "h264", (), ("avc1", "avc3"), ("avc", "xavc")),
    Codec("hevc", "HEVC", "hevc", (), ("hvc1", "hev1"), ("h265",)),
    Codec("mpeg-2", "MPEG-2", "mpeg2video", (), (), ("mpeg2video",)),
    Codec("av1", "AV1", "av1", (), ("av01",)),
    Codec("jpeg-2000", "JPEG 2000", "jpeg2000", (), ("mjp2",), ("j2k",)),
    Codec("motion-jpeg", "Motion JPEG", "mjpeg", (), ("jpeg",), ("mjpeg",)),
    Codec("v210", "uncompressed 10-bit 4:2:2", "v210", (), ("v210",)),
    Codec("dv", "DV", "dvvideo"),
    Codec("dpx", "DPX frames", "dpx"),
    Codec("tiff", "TIFF frames", "tiff"),
    Codec("dng", "DNG frames", "dng", (), (), ("cinema dng",)),
    Codec("openexr", "OpenEXR frames", "exr", (), (), ("exr",)),
)

_PLAIN = re.compile(r"[^a-z0-9]")
_BY_FOURCC = {fourcc: codec for codec in CODECS for fourcc in codec.fourccs}
_BY_SPELLING = {
    _PLAIN.sub("", spelling.lower()): codec
    for codec in reversed(CODECS)
    for spelling in (codec.key, codec.name, *codec.aliases, *codec.fourccs)
}


def find_codec(written: str) -> Codec | None:
    """The codec that a person means; None when this list has it not."""
    if written.startswith(FOURCC_PREFIX):
        fourcc = written.removeprefix(FOURCC_PREFIX)
        return Codec(written, shown(fourcc), "", (), (fourcc,)) if len(fourcc) == 4 else None
    return _BY_SPELLING.get(_PLAIN.sub("", written.lower()))


def codec_of(facts: ClipFacts) -> Codec | None:
    """The most exact codec of this list that a clip's own words allow; None when it has none."""
    exact = _BY_FOURCC.get(facts.fourcc)
    if exact and exact.key != "vc-3":
        return exact
    name = "dng" if facts.container is Container.DNG else facts.codec
    own = [codec for codec in CODECS if codec.codec == name]
    for codec in own:
        if facts.profile in codec.profiles:
            return codec
    return next((codec for codec in own if not codec.profiles), exact)


def codec_text(facts: ClipFacts) -> str:
    """The codec's name for a person; the file's own code where we know none."""
    codec = codec_of(facts)
    if codec:
        return codec.name
    return shown(facts.codec) or (f"codec '{facts.fourcc}'" if facts.fourcc else "unknown codec")


def is_codec(facts: ClipFacts, wanted: Codec) -> bool | None:
    """Whether a clip is in ``wanted`` or in one of its profiles; None when it does not say."""
    if wanted.key.startswith(FOURCC_PREFIX):
        return facts.fourcc in wanted.fourccs if facts.fourcc else None
    found = codec_of(facts)
    if found is None:
        return False if facts.codec or facts.fourcc else None
    if found.key == wanted.key:
        return True
    if found.codec != wanted.codec:
        return False
    # A family is met by each of its profiles; a profile is not shown by the bare family.
    if not wanted.profiles:
        return True
    return False if found.profiles else None
