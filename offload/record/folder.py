"""What the record needs of a file system: reading below one folder, and durable writing into it.

The interfaces stand with their caller; jobs hand in what reads a card or a drive.
"""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import BinaryIO, Protocol, TypeVar

Result = TypeVar("Result")


class Folder(Protocol):
    """A folder that is read. Paths are clean relative bytes; ``b""`` is the folder itself."""

    def open(self, path: bytes) -> AbstractContextManager[BinaryIO]:
        """A regular file, to be closed by leaving the context; no link is followed.

        Raises:
            FileNotFoundError: nothing has this name.
            OSError: it is no regular file, or cannot be read.
        """
        ...

    def names(self, path: bytes) -> list[bytes]:
        """Names of everything in a folder, in any order.

        Raises:
            OSError: it is no folder, or cannot be listed.
        """
        ...

    def folders(self, path: bytes) -> list[bytes]:
        """Names of the folders in a folder, in any order; a link to one is none.

        Raises:
            OSError: as :meth:`names`.
        """
        ...

    def is_folder(self, path: bytes) -> bool:
        """Whether this is a folder, itself and not by a link."""
        ...


class DurableFolder(Protocol):
    """A folder that is written to such that a power cut leaves the whole of a file or none."""

    def write_new(self, path: bytes, fill: Callable[[BinaryIO], Result]) -> Result:
        """Have ``fill`` write a file that takes its name, exclusively, when it is durable.

        Missing folders above it are made.

        Raises:
            FileExistsError: the name is taken; nothing was changed.
            OSError: it is not durable; nothing has the name.
        """
        ...

    def replace(self, path: bytes, content: bytes) -> None:
        """Put a small file in place of an earlier one, atomically and durably, or as a new one.

        Raises:
            OSError: the earlier one still stands.
        """
        ...
