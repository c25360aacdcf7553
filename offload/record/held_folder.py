"""The record's two folder interfaces over a held root: reading without links, writing durably."""

import os
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import BinaryIO

from offload.record.folder import Result
from offload.storage.durable import growing, write_new
from offload.storage.root import Root
from offload.storage.syncing import sync_folder
from offload.values.paths import parent


class HeldFolder:
    """A :class:`~offload.record.folder.Folder` and ``DurableFolder``; one thread at a time."""

    def __init__(self, root: Root) -> None:
        """
        Args:
            root: stays its owner's, who closes it.
        """
        self._root = root

    @contextmanager
    def open(self, path: bytes) -> Iterator[BinaryIO]:
        """See :class:`~offload.record.folder.Folder`."""
        fd = self._root.open_file(path)
        with open(fd, "rb") as stream:
            yield stream

    def names(self, path: bytes) -> list[bytes]:
        """See :class:`~offload.record.folder.Folder`."""
        return self._root.names(path)

    def folders(self, path: bytes) -> list[bytes]:
        """See :class:`~offload.record.folder.Folder`.

        An entry whose facts cannot be read is given as a folder: whoever walks into it meets the
        error and tells it, where it would otherwise hide what lies below without a word.
        """
        return [
            entry
            for entry, facts in self._root.scan(path)
            if not isinstance(facts, os.stat_result) or stat.S_ISDIR(facts.st_mode)
        ]

    def is_folder(self, path: bytes) -> bool:
        """See :class:`~offload.record.folder.Folder`."""
        try:
            return stat.S_ISDIR(self._root.facts(path).st_mode)
        except (FileNotFoundError, NotADirectoryError):
            return False

    def write_new(self, path: bytes, fill: Callable[[BinaryIO], Result]) -> Result:
        """See :class:`~offload.record.folder.DurableFolder`."""
        for made in self._root.make_folders(parent(path)):
            sync_folder(self._root, parent(made))
        with growing(self._root, path) as out:
            return fill(out)

    def replace(self, path: bytes, content: bytes) -> None:
        """See :class:`~offload.record.folder.DurableFolder`."""
        write_new(self._root, path, content, replaces_own=True)
