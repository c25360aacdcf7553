"""Looking into a card's clips on copies that were made by hand, wherever and however named.

Only proven copies are opened, never the card: its one reading belongs to the proof. A clip of which
a file is proven nowhere is left out, since that keeps the card anyway. Blocks of zeros were noted
as the card was read.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from offload.card.layout import LayoutRule, recognise
from offload.jobs.look_files import HeldFiles, read_small
from offload.jobs.look_findings import findings_of, holds_of, told_of
from offload.jobs.look_kept import clip_rule, sounds_of
from offload.jobs.look_notices import Occasion, notices_of
from offload.jobs.look_structure import IsStopped, LookStoppedError
from offload.jobs.look_table import looked_into
from offload.media.clip_files import group_files
from offload.storage.root import Root
from offload.transfer.results import ZeroRuns
from offload.transfer.taps import ZERO_BLOCK
from offload.values.clips import Clip, ClipCode
from offload.values.entries import Entries
from offload.values.findings import Finding

Copy = tuple[Root, bytes]
"""A folder, held, and a path in it."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """What looking came to.

    Attributes:
        holds: doubts about clips that keep the card.
        notices: what is told and keeps nothing.
    """

    holds: tuple[Finding, ...] = ()
    notices: tuple[Finding, ...] = ()


def look_at_copies(
    entries: Entries,
    copies: Mapping[int, Copy],
    zeros: ZeroRuns,
    occasion: Occasion,
    is_stopped: IsStopped,
    layouts: Sequence[LayoutRule] | None = None,
) -> Doubts:
    """Look into every clip of which all files have a proven copy.

    Args:
        entries: of the card.
        copies: by number of the entry, where a proven copy of the file lies.
        zeros: met while the card was read.
        occasion: what stands around the clips.
        is_stopped: whether the user wants to stop.
        layouts: of cards; the built-in ones when left out.

    Raises:
        LookStoppedError: it was told to stop.
    """
    source = _Scattered(entries, copies)
    try:
        return _looked_at(entries, source, zeros, occasion, is_stopped, layouts)
    except LookStoppedError:
        raise
    except Exception as error:  # noqa: BLE001 - becomes part of the result, and keeps the card
        text = f"the check of the clips failed ({type(error).__name__})"
        return Doubts(holds=(Finding(ClipCode.UNCHECKED, text),))
    finally:
        source.close()


class _Scattered:
    """The card's files, each wherever a proven copy of it lies. Close it."""

    def __init__(self, entries: Entries, copies: Mapping[int, Copy]) -> None:
        self._entries = entries
        self._copies = copies
        roots = {id(root): root for root, _path in copies.values()}
        self._held = {key: HeldFiles(root) for key, root in roots.items()}

    def open(self, path: bytes) -> int:
        """See :class:`Source`."""
        number = self._entries.index(path)
        if number not in self._copies and not self._entries.size_bytes(number):
            # Nothing has to be anywhere of a file that is empty.
            return os.open(os.devnull, os.O_RDONLY)
        if number not in self._copies:
            raise FileNotFoundError(path)
        root, where = self._copies[number]
        return self._held[id(root)].open(where)

    def has(self, clip: Clip) -> bool:
        """Whether every file of a clip can be opened, but for those that are empty."""
        return all(
            number in self._copies or not self._entries.size_bytes(number)
            for number in clip.files.entry_numbers
        )

    def close(self) -> None:
        """Let go of every folder."""
        for held in self._held.values():
            held.close()


def _looked_at(
    entries: Entries,
    source: _Scattered,
    zeros: ZeroRuns,
    occasion: Occasion,
    is_stopped: IsStopped,
    layouts: Sequence[LayoutRule] | None,
) -> Doubts:
    clips = group_files(
        entries,
        is_clip=clip_rule(recognise(entries, layouts)),
        read=lambda path, most: read_small(source, path, most),
    )
    there = [clip for clip in clips if source.has(clip)]

    def zero_runs_of(number: int, _path: bytes) -> list[tuple[int, int]]:
        return [run for run in zeros.of(number) if run[1] >= ZERO_BLOCK]

    looked = looked_into(there, source, is_stopped, zero_runs_of)
    facts = {each.clip.path: each.probed.facts for each in looked if len(each.clip.files)}
    notices = notices_of(occasion, clips, facts, sounds_of(looked), entries)
    told = [(each.clip, finding) for each in looked for finding in each.findings]
    return Doubts(
        tuple(hold for each in looked for hold in holds_of(each.clip, each.findings)),
        (
            *(each for notice in notices for each in findings_of(notice)),
            *told_of(told),
        ),
    )
