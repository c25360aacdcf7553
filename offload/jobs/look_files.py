"""Where the files of clips are opened for looking: a folder that is held, or proven copies.

A root serves one thread at a time, and looks open files in several, so each source has a root of
its own behind a lock.
"""

import os
import threading
from collections.abc import Sequence
from typing import Protocol

from offload.jobs.placing import Place
from offload.ledger.copies import is_proven
from offload.storage.root import Root
from offload.values.clips import Clip
from offload.values.entries import Entries


class Source(Protocol):
    """Opens files by their paths on the card."""

    def open(self, path: bytes) -> int:
        """A descriptor, open for reading only, that the caller closes.

        Raises:
            OSError: it is not there, no regular file, or may not be read.
        """
        ...


class HeldFiles:
    """The files of a card or folder. Close it.

    Args:
        root: held by somebody else; another handle on it is opened.

    Raises:
        OSError: the folder cannot be opened again.
    """

    def __init__(self, root: Root) -> None:
        self._root = root.again()
        self._lock = threading.Lock()

    def open(self, path: bytes) -> int:
        """See :class:`Source`."""
        with self._lock:
            return self._root.open_file(path)

    def close(self) -> None:
        """Let go of the folder."""
        with self._lock:
            self._root.close()


class CopyFiles:
    """The files of one drive's copy, whatever they are called there. Close it.

    Args:
        place: the copy.
        entries: of the card.

    Raises:
        OSError: the drive's folder cannot be opened again.
    """

    def __init__(self, place: Place, entries: Entries) -> None:
        self._place = place
        self._entries = entries
        self._files = HeldFiles(place.drive.root)

    def open(self, path: bytes) -> int:
        """See :class:`Source`."""
        number = self._entries.index(path)
        return self._files.open(self._place.path_of(number, path))

    def close(self) -> None:
        """Let go of the drive."""
        self._files.close()


class Copies:
    """All copies of a card: which of them is proven for a clip. Close it.

    Args:
        places: drives that take part, in the order of the wish.
        states: by drive name, a state for each entry of the card.
        entries: of the card.
    """

    def __init__(
        self, places: Sequence[Place], states: dict[str, bytearray], entries: Entries
    ) -> None:
        self._entries = entries
        self._sources: list[tuple[CopyFiles, bytearray]] = []
        for place in places:
            try:
                source = CopyFiles(place, entries)
            except OSError:
                # What is wrong with a drive is said by those who answer for its bytes.
                continue
            self._sources.append((source, states[place.name]))

    def source_of(self, clip: Clip) -> Source | None:
        """The first drive on which every file of the clip is proven; None where there is none."""
        return self._source_of(clip.files.entry_numbers)

    def source_with(self, path: bytes) -> Source | None:
        """The first drive on which one file of the card is proven."""
        return self._source_of((self._entries.index(path),))

    def _source_of(self, numbers: Sequence[int]) -> Source | None:
        for source, states in self._sources:
            if all(is_proven(states[number]) for number in numbers):
                return source
        return None

    def close(self) -> None:
        """Let go of every drive."""
        for source, _ in self._sources:
            source.close()


def read_small(source: Source, path: bytes, most_bytes: int) -> bytes:
    """Up to so many bytes of a small file, as grouping asks for playlists.

    Raises:
        OSError: it cannot be read.
    """
    descriptor = source.open(path)
    try:
        return os.pread(descriptor, most_bytes, 0)
    finally:
        os.close(descriptor)
