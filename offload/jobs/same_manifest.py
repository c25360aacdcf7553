"""One manifest for all drives of a run of which the very same is to be said.

Making a manifest of a million frames takes half a minute; copying it from the drive that has it
takes a second. What is copied is checked against its C4 ID while it passes, and read back on its
new drive like any other.
"""

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import BinaryIO

from offload.jobs.placing import Answered, Place
from offload.record.mhl.model import RootHash
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.values.facts import CopyState
from offload.values.paths import join
from offload.volumes.bounded import NotAnsweringError

_BLOCK = 1 << 20
_IS_PROVEN = bytes(
    state in (CopyState.PROVEN_DEVICE, CopyState.PROVEN_SERVER) for state in range(256)
)


class NotTheSameError(Exception):
    """The manifest could not be had from the other drive: it is made anew."""


@dataclass(frozen=True, slots=True)
class SameManifest:
    """A first manifest of this run, as it lies on one drive.

    Attributes:
        place: the drive.
        manifest: its name in the history's folder.
        c4: raw digest of its bytes.
        root: content and structure hashes that it gives.
        proven: by entry, whether it is listed with its checksums.
        renamed: card path -> path in the copy, where they differ.
    """

    place: Place
    manifest: bytes
    c4: bytes
    root: RootHash | None
    proven: bytes
    renamed: Mapping[bytes, bytes]

    def says_the_same(self, place: Place, states: Sequence[int]) -> bool:
        """Whether a first manifest of another copy of this run would have the same bytes."""
        return self.proven == proven_of(states) and self.renamed == place.renamed

    def copy(self, out: BinaryIO, answered: Answered) -> None:
        """Write it once more.

        Args:
            out: the file on the other drive.
            answered: carries out each look at the drive that has it: it may fall silent.

        Raises:
            NotTheSameError: it cannot be read, or is not what was written there.
            OSError: ``out`` failed.
        """
        state = hashlib.sha512()
        for part in self._parts(answered):
            state.update(part)
            view = memoryview(part)
            while view:
                view = view[out.write(view) :]
        if state.digest() != self.c4:
            raise NotTheSameError

    def _parts(self, answered: Answered) -> Iterator[bytes]:
        drive = self.place.drive
        path = join(join(self.place.lies_in, HISTORY_FOLDER), self.manifest)
        fd, is_silent = -1, False
        try:
            fd = answered(drive, partial(drive.root.open_file, path))
            while part := answered(drive, partial(os.read, fd, _BLOCK)):
                yield part
        except OSError as error:
            is_silent = isinstance(error, NotAnsweringError)
            raise NotTheSameError from error
        finally:
            # A silent drive would hold up the closing, too.
            if fd >= 0 and not is_silent:
                with suppress(OSError):
                    answered(drive, partial(os.close, fd))


def proven_of(states: Sequence[int]) -> bytes:
    """By entry, whether its copy has been read back and is equal."""
    return bytes(states).translate(_IS_PROVEN)
