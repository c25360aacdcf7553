"""Where the blocks of zeros in a clip's files are, also in files that were not read in this run.

The copying pass notes them as the bytes pass. A run that goes on after an interruption does not
read again what is on the drives already, so what it cannot know from its own reading it takes from
what was kept of the same roll, or else looks for on the proven copy. A doubt once found does not
vanish because the same command was given twice.
"""

import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from offload.jobs.look_files import Source
from offload.jobs.look_structure import IsStopped, LookStoppedError
from offload.ledger.clips import KeptClip
from offload.transfer.results import ZeroRuns
from offload.transfer.taps import ZERO_BLOCK
from offload.values.clips import Clip, ClipCode, ClipFinding, Usable

_PIECE = 16 * ZERO_BLOCK
_ZEROS = bytes(ZERO_BLOCK)


@dataclass(frozen=True, slots=True)
class ZeroBlocks:
    """What is known of zeros in a card's files.

    Attributes:
        noted: while copying.
        read: numbers of the entries that were read while copying, in this run.
        kept: clips of the same roll as an earlier run kept them, by path.
    """

    noted: ZeroRuns
    read: Collection[int]
    kept: Mapping[bytes, KeptClip]

    def noted_in(self, clip: Clip) -> bool:
        """Whether this run's copying met any in the clip."""
        return any(self.noted.of(number) for number in clip.files.entry_numbers)

    def is_known(self, clip: Clip) -> bool:
        """Whether nothing has to be read to know all about zeros in the clip."""
        # Uncompressed frames may be black, and in compressed ones the structure check finds them.
        if clip.container.is_frame or self._is_kept(clip):
            return True
        return all(number in self.read for number in clip.files.entry_numbers)

    def carried(self, clip: Clip) -> tuple[ClipFinding, ...]:
        """What an earlier run found of zeros in the clip, where this one has not read it."""
        if all(number in self.read for number in clip.files.entry_numbers):
            return ()
        if not self._is_kept(clip):
            return ()
        return tuple(
            each
            for each in self.kept[clip.path].findings
            if each.code == ClipCode.ZEROS and each.check.startswith("zero-runs")
        )

    def runs_in(
        self, number: int, path: bytes, source: Source, is_stopped: IsStopped
    ) -> Sequence[tuple[int, int]]:
        """Runs of zeros in one file; the copy is read where nobody has read it in this run.

        Raises:
            OSError: the copy cannot be read.
            LookStoppedError: it was told to stop.
        """
        if number in self.read:
            return self.noted.of(number)
        return _search(source, path, is_stopped)

    def _is_kept(self, clip: Clip) -> bool:
        kept = self.kept.get(clip.path)
        # Only a clip that was looked into on a proven copy had its zeros judged.
        return kept is not None and kept.answers.usable is not Usable.UNKNOWN


def _search(source: Source, path: bytes, is_stopped: IsStopped) -> Sequence[tuple[int, int]]:
    found = ZeroRuns()
    descriptor = source.open(path)
    try:
        offset = 0
        while piece := os.pread(descriptor, _PIECE, offset):
            if is_stopped():
                raise LookStoppedError
            for start in range(0, len(piece) - ZERO_BLOCK + 1, ZERO_BLOCK):
                if piece[start : start + ZERO_BLOCK] == _ZEROS:
                    found.add(0, offset + start, ZERO_BLOCK)
            offset += len(piece)
    finally:
        os.close(descriptor)
    return found.of(0)
