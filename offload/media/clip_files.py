"""Which files make one clip: single files, spanned files, essence groups, frame sequences.

Names and sizes of an inventory decide, and the small files beside AVCHD streams where they can be
read. Rules, in their order:

* streams of AVCHD, as their playlists join them (:mod:`offload.media.avchd_streams`);
* MXF files with one track each (:mod:`offload.media.essence_groups`);
* frames of one name with rising numbers (:mod:`offload.media.frame_sequences`), still cameras'
  objects left out;
* files cut at a size limit (:mod:`offload.media.spanned_files`);
* any other file with a suffix that we know, or that the card's layout names as a clip.
"""

from array import array
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence

from offload.media.avchd_streams import ReadSmall, StreamFolder, stream_folders
from offload.media.containers import container_of, suffix_of
from offload.media.essence_groups import EssenceGroup, essence_groups
from offload.media.frame_sequences import sequence_findings
from offload.media.numbered_names import Numbered, Sequenced, is_dcf, sequences
from offload.media.spanned_files import chain_findings, chains
from offload.values.clips import Clip, ClipCode, ClipFiles, ClipFinding, ClipKind, Container, Weight
from offload.values.entries import Entries, Kind
from offload.values.paths import name, to_text

__all__ = ["ReadSmall", "group_files"]


def group_files(
    entries: Entries,
    *,
    is_clip: Callable[[bytes], bool] | None = None,
    read: ReadSmall | None = None,
) -> tuple[Clip, ...]:
    """Every clip of a card, sorted by path; each file belongs to one clip at most.

    Args:
        entries: the card's inventory.
        is_clip: whether a file whose suffix we do not know is a clip all the same, by its path,
            as the card's layout says.
        read: reads small files of the card; without it playlists and clip information are not
            looked at.
    """
    return _Grouping(entries, is_clip, read).clips()


_TAKEN = 0
_CODES = {container: code for code, container in enumerate(Container, 1)}


class _Grouping:
    def __init__(
        self,
        entries: Entries,
        is_clip: Callable[[bytes], bool] | None,
        read: ReadSmall | None,
    ) -> None:
        self._entries = entries
        self._read = read
        # One byte a file, so that a million frames are no million objects.
        self._left = bytearray(len(entries))
        self._beside: dict[bytes, list[bytes]] = defaultdict(list)
        self._stream_findings: dict[int, list[ClipFinding]] = {}
        self._information: dict[int, bytes] = {}
        self._found: list[Clip] = []
        for at, entry in enumerate(entries):
            if entry.kind is not Kind.FILE:
                continue
            container = container_of(entry.path)
            if container is not Container.UNKNOWN or (is_clip and is_clip(entry.path)):
                self._left[at] = _CODES[container]
            else:
                self._beside[_base(entry.path)].append(entry.path)

    def clips(self) -> tuple[Clip, ...]:
        for folder in stream_folders(self._entries):
            self._take_streams(folder)
        for group in essence_groups(self._entries, self._of(Container.MXF)):
            self._take_group(group)
        self._take_frames()
        for container in _CODES:
            for chain in chains(self._entries, self._of(container)):
                self._take_chain(chain, container)
        return tuple(sorted(self._found, key=lambda clip: clip.path))

    def _of(self, container: Container) -> Iterator[int]:
        """Files of one container that belong to no clip yet; none may be taken meanwhile."""
        code = _CODES[container]
        at = self._left.find(code)
        while at >= 0:
            yield at
            at = self._left.find(code, at + 1)

    def _add(
        self,
        kind: ClipKind,
        container: Container,
        files: Sequence[int],
        findings: Sequence[ClipFinding] = (),
        numbers: tuple[int, int] | None = None,
    ) -> None:
        path = self._entries.path(files[0])
        found = list(findings)
        beside: list[bytes] = []
        for at in files:
            self._left[at] = _TAKEN
            found += self._stream_findings.get(at, ())
            if kind is not ClipKind.FRAMES:
                beside += self._sidecars(at)
        first, last = numbers or (None, None)
        self._found.append(
            Clip(
                path,
                kind,
                container,
                ClipFiles(self._entries, files),
                tuple(beside),
                first,
                last,
                tuple(found),
            )
        )

    def _sidecars(self, at: int) -> list[bytes]:
        information = self._information.get(at)
        beside = self._beside.get(_base(self._entries.path(at)), [])
        return [*([information] if information else []), *beside]

    def _take_streams(self, folder: StreamFolder) -> None:
        for stem, at in folder.streams.items():
            self._stream_findings[at] = list(folder.findings(self._entries, at, self._read))
            if stem in folder.information:
                self._information[at] = self._entries.path(folder.information[stem])
        joined = folder.joined(self._entries, self._read)
        for mate, stem, playlist in joined.absent:
            self._take_absent(mate, stem, playlist)
        for run in joined.runs:
            # Where no playlist joins a stream to others, the size limit is left to tell.
            self._add(ClipKind.SPANNED, Container.MPEGTS, run, (), (1, len(run)))
        for at in folder.orphans():
            self._add_without_files(
                ClipFinding(
                    ClipCode.PART_MISSING,
                    "clip information without its stream",
                    self._entries.path(at),
                    check="clip-information",
                )
            )

    def _take_absent(self, mate: int | None, stem: bytes, playlist: int) -> None:
        """A stream that a playlist names and the card does not have."""
        finding = ClipFinding(
            ClipCode.PART_MISSING,
            f"stream {to_text(stem)} of its playlist is not there",
            self._entries.path(playlist if mate is None else mate),
            weight=Weight.NOTICE if mate is None else Weight.HOLD,
            check="playlist",
        )
        if mate is None:
            self._add_without_files(finding)
        else:
            self._stream_findings[mate].append(finding)

    def _add_without_files(self, finding: ClipFinding) -> None:
        no_files = ClipFiles(self._entries, ())
        path = finding.path
        self._found.append(
            Clip(path, ClipKind.FILE, Container.MPEGTS, no_files, (path,), findings=(finding,))
        )

    def _take_group(self, group: EssenceGroup) -> None:
        path = self._entries.path(group.files[0])
        self._add(ClipKind.ESSENCE_GROUP, Container.MXF, group.files, group.findings(path))

    def _take_frames(self) -> None:
        for container in _CODES:
            if not container.is_frame:
                continue
            folders: dict[tuple[bytes, bytes], array[int]] = defaultdict(lambda: array("Q"))
            for at in self._of(container):
                folder, last = self._entries.path(at).rpartition(b"/")[::2]
                folders[folder, suffix_of(last)].append(at)
            for (folder, _suffix), files in folders.items():
                for frames in sequences(self._frame_names(folder, files)):
                    self._take_sequence(container, frames)

    def _frame_names(self, folder: bytes, files: Iterable[int]) -> Iterator[tuple[bytes, int]]:
        for at in files:
            stem = name(self._entries.path(at)).rpartition(b".")[0]
            if not is_dcf(folder, stem):
                yield stem, at

    def _take_sequence(self, container: Container, frames: Sequenced) -> None:
        path = self._entries.path(frames.files[0])
        findings = sequence_findings(self._entries, frames, path)
        numbers = (frames.numbers[0], frames.numbers[-1])
        self._add(ClipKind.FRAMES, container, frames.files, findings, numbers)

    def _take_chain(self, chain: list[Numbered], container: Container) -> None:
        files = [at for _number, at in chain]
        path = self._entries.path(files[0])
        findings = chain_findings(self._entries, chain, path)
        if len(files) == 1:
            self._add(ClipKind.FILE, container, files, findings)
        else:
            numbers = (chain[0][0], chain[-1][0])
            self._add(ClipKind.SPANNED, container, files, findings, numbers)


def _base(path: bytes) -> bytes:
    """A path without its suffix: what a clip and the small files beside it have in common."""
    folder, slash, last = path.rpartition(b"/")
    return folder + slash + (last.rpartition(b".")[0] or last)
