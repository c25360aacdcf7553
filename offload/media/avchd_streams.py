"""AVCHD streams and the small files that must stand beside them.

Each stream ``STREAM/00000.MTS`` has clip information ``CLIPINF/00000.CPI`` of the same five
digits; one without the other is a finding. A long take is several streams that a playlist joins.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from offload.media.avchd import MOST_BYTES, PACKET_BYTES, packets_of, seamless_runs
from offload.values.clips import ClipCode, ClipFinding, Weight
from offload.values.entries import Entries, Kind
from offload.values.paths import name, parent

ReadSmall = Callable[[bytes, int], bytes]
"""Reads up to so many bytes of a small file of the card, by its path; OSError where it cannot."""

_CHECK = "clip-information"


@dataclass(slots=True)
class Joined:
    """What the playlists of one folder say of its streams.

    Attributes:
        runs: entry numbers of the streams of one take, where there are several.
        absent: streams that are not there: (entry of one of the same take or None, name, entry of
            the playlist).
    """

    runs: list[list[int]] = field(default_factory=list)
    absent: list[tuple[int | None, bytes, int]] = field(default_factory=list)


@dataclass(slots=True)
class StreamFolder:
    """One ``BDMV`` folder.

    Attributes:
        path: of the ``BDMV`` folder.
        streams: entry number by name in upper case without suffix.
        information: likewise of clip information files.
        playlists: entry numbers.
    """

    path: bytes
    streams: dict[bytes, int] = field(default_factory=dict)
    information: dict[bytes, int] = field(default_factory=dict)
    playlists: list[int] = field(default_factory=list)

    def joined(self, entries: Entries, read: ReadSmall | None) -> "Joined":
        """What the playlists say: which streams make one take, and which are not there."""
        found = Joined()
        taken: set[bytes] = set()
        for at in self.playlists:
            for run in seamless_runs(_content(entries, at, read)):
                stems = [each.upper() for each in run]
                known = [each for each in stems if each in self.streams]
                mate = self.streams[known[0]] if known else None
                found.absent += [(mate, each, at) for each in stems if each not in self.streams]
                if len(known) > 1 and taken.isdisjoint(known):
                    found.runs.append([self.streams[each] for each in known])
                    taken.update(known)
        return found

    def findings(self, entries: Entries, at: int, read: ReadSmall | None) -> Iterator[ClipFinding]:
        """What the clip information says against one stream."""
        stream, size = entries.path(at), entries.size_bytes(at)
        info = self.information.get(name(stream).rpartition(b".")[0].upper())
        if info is None:
            text = "its clip information ('CLIPINF') is not there"
            yield ClipFinding(
                ClipCode.PART_MISSING, text, stream, weight=Weight.NOTICE, check=_CHECK
            )
            return
        packets = packets_of(_content(entries, info, read))
        if packets is not None and packets * PACKET_BYTES != size:
            is_short = size < packets * PACKET_BYTES
            text = f"its clip information counts {packets * PACKET_BYTES} bytes, it has {size}"
            code = ClipCode.CUT_SHORT if is_short else ClipCode.COUNTS_DIFFER
            yield ClipFinding(code, text, stream, check=_CHECK)

    def orphans(self) -> list[int]:
        """Clip information whose stream is not there."""
        return [at for stem, at in self.information.items() if stem not in self.streams]


def stream_folders(entries: Entries) -> list[StreamFolder]:
    """Every ``BDMV`` folder of a card."""
    found: dict[bytes, StreamFolder] = defaultdict(lambda: StreamFolder(b""))
    for at in range(len(entries)):
        path = entries.path(at)
        folder = parent(path)
        above = parent(folder)
        if above[-4:].upper() != b"BDMV" or entries[at].kind is not Kind.FILE:
            continue
        if name(above).upper() != b"BDMV":
            continue
        bdmv = found[above]
        bdmv.path = above
        stem, _dot, suffix = name(path).upper().rpartition(b".")
        kind = name(folder).upper()
        if kind == b"STREAM" and suffix in (b"MTS", b"M2TS"):
            bdmv.streams[stem] = at
        elif kind == b"CLIPINF" and suffix in (b"CPI", b"CLPI"):
            bdmv.information[stem] = at
        elif kind == b"PLAYLIST" and suffix in (b"MPL", b"MPLS"):
            bdmv.playlists.append(at)
    return [folder for folder in found.values() if folder.streams or folder.information]


def _content(entries: Entries, at: int, read: ReadSmall | None) -> bytes:
    """A small file whole; nothing where it is too long, cannot be read, or may not be."""
    if read is None or entries.size_bytes(at) > MOST_BYTES:
        return b""
    try:
        return read(entries.path(at), MOST_BYTES)
    except OSError:
        # Reading the card is the copier's matter, and it reports what cannot be read.
        return b""
