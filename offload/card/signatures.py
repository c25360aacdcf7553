"""Whether the first bytes of a file are those of a recording.

Used for one question: does footage lie among what is left out? A wrong yes makes a person look
once, a wrong no could lose a clip, so every rule here is generous.

Sources: ISO/IEC 14496-12 and the QuickTime file format (box types), SMPTE ST 377-1 (partition pack
key, run-in of at most 65,535 bytes), EBU Tech 3285 and 3306 and ITU-R BS.2088 (RIFF, RF64, BW64),
ISO/IEC 13818-1 (packs, packets of 188 bytes; 192 with a time stamp in front), SMPTE ST 268 (DPX),
TIFF 6.0 and ISO 12234-4, SMPTE RDD 36 (frame header), SMPTE ST 2019-1 (header prefix), ISO/IEC
15444-1, RFC 9559 (Matroska), RFC 9639 (FLAC), IEC 61834-2 (DV). OpenEXR, Cineon, AIFF, Wave64,
BigTIFF and ASF from memory.
"""

_RUN_IN_BYTES = 65_535
_PARTITION = bytes.fromhex("060e2b34020501010d0102010102")
SIGNATURE_BYTES = _RUN_IN_BYTES + len(_PARTITION)
"""How many first bytes :func:`has_clip_signature` can make use of."""

_BOXES = frozenset(
    {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"moof", b"styp", b"sidx"}
)
_STARTS = (
    b"SDPX",
    b"XPDS",
    bytes.fromhex("802a5fd7"),  # Cineon, both byte orders
    bytes.fromhex("d75f2a80"),
    b"II*\0",  # TIFF and all that is built on it, DNG too
    b"MM\0*",
    b"II+\0",  # BigTIFF
    b"MM\0+",
    bytes.fromhex("762f3101"),  # OpenEXR
    bytes.fromhex("0000028001"),  # VC-3 header prefix with its versions
    bytes.fromhex("0000028002"),
    bytes.fromhex("0000028003"),
    bytes.fromhex("ff4fff51"),  # JPEG 2000 codestream
    bytes.fromhex("0000000c6a5020200d0a870a"),  # JPEG 2000 file
    bytes.fromhex("ffd8ff"),  # JPEG
    bytes.fromhex("000001ba"),  # MPEG program stream, video sequence
    bytes.fromhex("000001b3"),
    bytes.fromhex("1a45dfa3"),  # Matroska
    bytes.fromhex("3026b2758e66cf11"),  # ASF
    bytes.fromhex("1f0700"),  # DV, header section of the first DIF sequence
    bytes.fromhex("726966662e91cf11"),  # Wave64
    b"fLaC",
    b"OggS",
)
_CHUNKED = {
    b"RIFF": (b"WAVE", b"AVI "),
    b"RIFX": (b"WAVE",),
    b"RF64": (b"WAVE",),
    b"BW64": (b"WAVE",),
    b"FORM": (b"AIFF", b"AIFC"),
}
_SYNC = 0x47
_SYNCS_WANTED = 4


def has_clip_signature(head: bytes) -> bool:
    """Whether ``head``, the first bytes of a file, begins a picture or sound recording.

    Args:
        head: the first :data:`SIGNATURE_BYTES`, or all there is of a shorter file.
    """
    return (
        head.startswith(_STARTS)
        or _is_box(head)
        or _is_chunked(head)
        or head[4:8] == b"icpf"
        or _is_packets(head, 188, 0)
        or _is_packets(head, 192, 4)
        or _PARTITION in head[:SIGNATURE_BYTES]
    )


def _is_box(head: bytes) -> bool:
    # Size 0 (to the end of the file) and 1 (64-bit size follows) are legal; 2 to 7 are not.
    size = int.from_bytes(head[:4], "big")
    return head[4:8] in _BOXES and not 2 <= size <= 7


def _is_chunked(head: bytes) -> bool:
    return head[8:12] in _CHUNKED.get(head[:4], ())


def _is_packets(head: bytes, stride: int, first: int) -> bool:
    syncs = head[first::stride]
    # One byte proves nothing; a file of fewer packets than this holds no picture.
    return len(syncs) >= _SYNCS_WANTED and syncs.count(_SYNC, 0, _SYNCS_WANTED) == _SYNCS_WANTED
