"""TIFF and DNG frames: directories of tags, and strips or tiles that must lie inside the file.

Sources: TIFF 6.0 (directories, strips, tiles), the BigTIFF design (64-bit offsets), the DNG
specification (its version tag, sub-images); tag numbers as there.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from offload.media.heads import Looking
from offload.media.reading import EndOfFileError
from offload.media.structure import (
    Essence,
    EssenceLayout,
    MalformedError,
    StructureReport,
    StructureTrack,
    TrackKind,
)
from offload.values.clips import ClipCode, Container

_CHECK = "frame-offsets"
_MAX_DIRECTORIES = 64
_MAX_ENTRIES = 4096
_MAX_PIECES = 1_000_000
_MAX_VALUE_BYTES = 16 * 1024 * 1024
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
_TYPE_BYTES |= {13: 4, 16: 8, 17: 8, 18: 8}
_WIDTH, _HEIGHT, _BITS, _COMPRESSION, _PHOTOMETRIC = 256, 257, 258, 259, 262
_STRIPS, _STRIP_BYTES, _TILES, _TILE_BYTES = 273, 279, 324, 325
_SAMPLES, _SUB, _PLANAR, _DNG = 277, 330, 284, 50706
_UNCOMPRESSED = 1
_SUBSAMPLED = 6  # luma and chroma, the latter at fewer places
_NUMBERS = frozenset((1, 3, 4, 6, 7, 8, 9, 13, 16, 18))


@dataclass(frozen=True, slots=True)
class _Entry:
    tag: int
    kind: int
    count: int
    value_at: int


_Directory = dict[int, _Entry]


@dataclass(slots=True)
class _Tiff:
    looking: Looking
    order: str
    is_big: bool
    layout: EssenceLayout = field(default_factory=EssenceLayout)
    directories: list[_Directory] = field(default_factory=list)

    def number(self, at: int, size_bytes: int) -> int:
        data = self.looking.reader.need(at, size_bytes)
        return int.from_bytes(data, "little" if self.order == "<" else "big")

    def values(self, entry: _Entry) -> list[int]:
        """An entry's numbers; refused where it claims more than the file can hold."""
        size = _TYPE_BYTES.get(entry.kind, 0)
        length = size * entry.count
        if entry.kind not in _NUMBERS or length > min(self.looking.reader.size, _MAX_VALUE_BYTES):
            raise MalformedError(
                _CHECK, f"tag {entry.tag} claims {entry.count} values", entry.value_at
            )
        data = self.looking.reader.need(entry.value_at, length) if length else b""
        is_little = self.order == "<"
        return [
            int.from_bytes(data[at : at + size], "little" if is_little else "big")
            for at in range(0, length, size)
        ]

    def first(self, directory: _Directory, tag: int, otherwise: int = 0) -> int:
        values = self.values(directory[tag]) if tag in directory else []
        return values[0] if values else otherwise


def check(looking: Looking) -> StructureReport:
    """Check one frame, of either kind.

    Args:
        looking: the file, and where flaws go.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    head = looking.reader.read_at(0, 16)
    order = "<" if head[:2] == b"II" else ">"
    tiff = _Tiff(looking, order, is_big=head[2:4] in (b"\x2b\0", b"\0\x2b"))
    try:
        _read(tiff)
        _check_pieces(tiff)
    except MalformedError as error:
        looking.findings.malformed(error)
    except EndOfFileError as error:
        looking.findings.add(
            ClipCode.CUT_SHORT,
            _CHECK,
            "its directory lies behind the end of the file",
            error.offset,
        )
    is_dng = any(_DNG in directory for directory in tiff.directories)
    return StructureReport(
        container=Container.DNG if is_dng else Container.TIFF,
        variant="BigTIFF" if tiff.is_big else "",
        tracks=_tracks(tiff),
        layout=tiff.layout,
    )


def _read(tiff: _Tiff) -> None:
    """Follow the directories and the sub-images they name, each once."""
    waiting = [tiff.number(8, 8) if tiff.is_big else tiff.number(4, 4)]
    seen: set[int] = set()
    while waiting:
        at = waiting.pop(0)
        if at in seen or len(seen) >= _MAX_DIRECTORIES:
            raise MalformedError(_CHECK, "its directories follow each other in a circle", at)
        seen.add(at)
        directory, following = _directory(tiff, at)
        tiff.directories.append(directory)
        if _SUB in directory:
            waiting += tiff.values(directory[_SUB])[:_MAX_DIRECTORIES]
        if following:
            waiting.append(following)


def _directory(tiff: _Tiff, at: int) -> tuple[_Directory, int]:
    width, head = (20, 8) if tiff.is_big else (12, 2)
    count = tiff.number(at, head)
    if not 0 < count <= _MAX_ENTRIES:
        raise MalformedError(_CHECK, f"a directory of {count} entries", at)
    entries: _Directory = {}
    for number in range(count):
        place = at + head + width * number
        tag, kind = tiff.number(place, 2), tiff.number(place + 2, 2)
        entry_count = tiff.number(place + 4, 8 if tiff.is_big else 4)
        value_at = place + (12 if tiff.is_big else 8)
        size = _TYPE_BYTES.get(kind, 0) * entry_count
        if size > (8 if tiff.is_big else 4):
            value_at = tiff.number(value_at, 8 if tiff.is_big else 4)
            if value_at + size > tiff.looking.reader.size:
                tiff.looking.findings.add(
                    ClipCode.CUT_SHORT,
                    _CHECK,
                    f"tag {tag} lies at byte {value_at}, behind the end of the file",
                    place,
                )
                continue
        entries[tag] = _Entry(tag, kind, entry_count, value_at)
    following = tiff.number(at + head + width * count, 8 if tiff.is_big else 4)
    return entries, following


def _check_pieces(tiff: _Tiff) -> None:
    found = False
    for directory in tiff.directories:
        for offsets, sizes in ((_STRIPS, _STRIP_BYTES), (_TILES, _TILE_BYTES)):
            if offsets in directory:
                found = True
                _check_image(tiff, directory, offsets, sizes)
    if not found and not tiff.looking.findings.holds:
        tiff.looking.findings.add(ClipCode.DAMAGED, _CHECK, "it holds no picture")


def _check_image(tiff: _Tiff, directory: _Directory, offsets_tag: int, sizes_tag: int) -> None:
    findings, size = tiff.looking.findings, tiff.looking.reader.size
    if sizes_tag not in directory:
        findings.add(ClipCode.DAMAGED, _CHECK, "a picture without the sizes of its pieces")
        return
    offsets, sizes = tiff.values(directory[offsets_tag]), tiff.values(directory[sizes_tag])
    if len(offsets) != len(sizes) or len(offsets) > _MAX_PIECES:
        text = f"{len(offsets)} pieces with {len(sizes)} sizes"
        findings.add(ClipCode.DAMAGED, _CHECK, text, directory[offsets_tag].value_at)
        return
    outside = [at for at, length in zip(offsets, sizes, strict=True) if at + length > size]
    if outside:
        findings.add(
            ClipCode.CUT_SHORT,
            _CHECK,
            f"{len(outside)} of {len(offsets)} pieces of a picture reach past the end of the file",
            min(outside),
        )
    is_plain = tiff.first(directory, _COMPRESSION, _UNCOMPRESSED) == _UNCOMPRESSED
    is_plain = is_plain and tiff.first(directory, _PHOTOMETRIC) != _SUBSAMPLED
    essence = Essence.RAW_PICTURE if is_plain else Essence.UNKNOWN_PICTURE
    for at, length in zip(offsets, sizes, strict=True):
        tiff.layout.add(at, min(length, size - at), essence)
    needed = _plain_bytes(tiff, directory) if is_plain and offsets_tag == _STRIPS else 0
    if sum(sizes) < needed:
        findings.add(
            ClipCode.DAMAGED,
            _CHECK,
            f"an uncompressed picture needs {needed} bytes and has {sum(sizes)}",
            directory[offsets_tag].value_at,
        )


def _plain_bytes(tiff: _Tiff, directory: _Directory) -> int:
    width, height = tiff.first(directory, _WIDTH), tiff.first(directory, _HEIGHT)
    samples = tiff.first(directory, _SAMPLES, 1)
    bits = tiff.first(directory, _BITS, 1)
    return (width * samples * bits + 7) // 8 * height


def _tracks(tiff: _Tiff) -> tuple[StructureTrack, ...]:
    """The largest picture of the file; a small one beside it is only its preview."""
    sizes = list(_rasters(tiff))
    if not sizes:
        return ()
    width, height, bits = max(sizes, key=lambda size: size[0] * size[1])
    return (
        StructureTrack(
            kind=TrackKind.PICTURE,
            essence=Essence.RAW_PICTURE,
            codec="tiff",
            width=width,
            height=height,
            samples=1,
            bits=bits or None,
        ),
    )


def _rasters(tiff: _Tiff) -> Iterator[tuple[int, int, int]]:
    for directory in tiff.directories:
        try:
            width, height = tiff.first(directory, _WIDTH), tiff.first(directory, _HEIGHT)
            if width and height:
                yield width, height, tiff.first(directory, _BITS)
        except (MalformedError, EndOfFileError):
            continue
