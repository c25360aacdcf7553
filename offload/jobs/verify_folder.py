"""A held folder as far as it is to be looked at: read past the cache, nothing entered from outside.

Where only one roll is verified its neighbours on the drive are not to be seen; other file systems
that are mounted inside are not entered.
"""

import os
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import BinaryIO

from offload.record.held_folder import HeldFolder
from offload.storage.evidence import drop_pages
from offload.storage.root import Root
from offload.values.paths import is_within, join


class SeenFolder(HeldFolder):
    """Part of a held folder. One thread at a time."""

    def __init__(
        self,
        root: Root,
        tops: tuple[bytes, ...] = (b"",),
        closed: Collection[bytes] = (),
        *,
        forgets_pages: bool = True,
    ) -> None:
        """
        Args:
            root: held by its owner; paths are relative to it.
            tops: the folders that are looked at with all that is below them; ``b""`` for all.
            closed: folders that are not entered.
            forgets_pages: read files from the device; not on a card, of which nothing is asked
                but its bytes.
        """
        super().__init__(root)
        self.root = root
        self._tops = tops
        self._closed = frozenset(closed)
        self._forgets_pages = forgets_pages

    @contextmanager
    def open(self, path: bytes) -> Iterator[BinaryIO]:
        """A regular file, its pages forgotten first where that is asked for."""
        with super().open(path) as stream:
            fd = stream.fileno()
            if self._forgets_pages:
                drop_pages(fd, os.fstat(fd).st_size)
            yield stream

    def names(self, path: bytes) -> list[bytes]:
        """Names of everything in a folder that is to be seen."""
        inner = self._parts_below(path)
        if inner:
            # Not from a listing: a mount may show the very name that was given in other letters.
            return inner
        return [each for each in super().names(path) if self._is_seen(join(path, each))]

    def folders(self, path: bytes) -> list[bytes]:
        """Names of the folders among them."""
        inner = self._parts_below(path)
        if inner:
            return inner
        return [each for each in super().folders(path) if self._is_seen(join(path, each))]

    def is_folder(self, path: bytes) -> bool:
        """Whether this is a folder that is to be seen, and not one by a link."""
        return self._is_seen(path) and super().is_folder(path)

    def _parts_below(self, path: bytes) -> list[bytes]:
        """The next part of each folder that is looked at, where all of them lie further down."""
        if any(is_within(path, top) for top in self._tops):
            return []
        start = len(path) + 1 if path else 0
        below = (top[start:] for top in self._tops if is_within(top, path))
        return sorted({top.partition(b"/")[0] for top in below})

    def _is_seen(self, path: bytes) -> bool:
        if path in self._closed:
            return False
        return any(is_within(path, top) or is_within(top, path) for top in self._tops)
