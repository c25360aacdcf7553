"""What a page needs beside the ledger: last timecodes, pictures from copies, its place on a drive.

A page is never worth a verdict: whatever fails here leaves a gap on the page or a notice, and
nothing else.
"""

import errno
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from time import monotonic
from types import TracebackType
from typing import Self

from offload.errors import LedgerError, reason
from offload.jobs.placing import Place
from offload.ledger import clips, copies, inventories, offloads
from offload.ledger.clips import KeptClip
from offload.ledger.copies import Copy, CopyColumns, Stage
from offload.ledger.database import Ledger
from offload.ledger.rolls import Roll
from offload.media.clip_files import group_files
from offload.media.look_request import FORMATS, LookRequest
from offload.media.probe import ProbePool, ProbeRequest
from offload.media.timecode import parse_timecode
from offload.storage.durable import write_new
from offload.storage.root import Root
from offload.values.clips import ClipFacts, ClipKind
from offload.values.entries import Entries
from offload.values.findings import Finding
from offload.values.paths import join
from offload.values.probed import Picture

MOST_PICTURES = 300
"""Looked for in copies by one command; the rest of the page stays without."""
MOST_SECONDS = 120.0


def last_timecode(facts: ClipFacts) -> str:
    """The label of a clip's last frame; empty where timecode, rate or length is not known."""
    if facts.timecode is None or facts.rate is None or not facts.frames or facts.frames < 1:
        return ""
    try:
        return str(parse_timecode(facts.timecode.text, facts.rate).later(facts.frames - 1))
    except ValueError:
        return ""


def write_into_records(
    places: Sequence[Place], made: Mapping[bytes, bytes], marks: Mapping[bytes, bytes]
) -> list[Finding]:
    """Put a roll's page and table into ``records/ROLL`` on every drive, in place of earlier ones.

    Args:
        places: of the drives, held.
        made: content by suffix, such as ``.html``; the file is named after the roll.
        marks: how a file of ours begins, by suffix; one that begins otherwise is left alone.

    Returns:
        A notice for each drive that did not take them.
    """
    notices = []
    for place in places:
        path = join(place.records, place.roll)
        try:
            for suffix, content in made.items():
                write_own(place.drive.root, path + suffix, content, marks[suffix])
        except OSError as error:
            text = f"the page could not be written: {reason(error)}"
            notices.append(Finding("page-not-written", text, path, place.name))
    return notices


def write_own(root: Root, path: bytes, content: bytes, mark: bytes) -> None:
    """Write a file whole, in place of an earlier one of ours.

    Raises:
        FileExistsError: what is there does not begin like one of ours.
        OSError: the drive failed.
    """
    refuse_foreign(root, path, mark)
    write_new(root, path, content, replaces_own=True)


def refuse_foreign(root: Root, path: bytes, mark: bytes) -> None:
    """See that a file of ours may go there.

    Raises:
        FileExistsError: what is there does not begin like one of ours.
        OSError: the drive failed, or what is there is no file.
    """
    if root.exists(path) and not _begins(root, path, mark):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))


def _begins(root: Root, path: bytes, mark: bytes) -> bool:
    fd = root.open_file(path)
    try:
        return os.read(fd, len(mark)) == mark
    finally:
        os.close(fd)


class CopyPictures:
    """Pictures of clips that the ledger has none of, from copies that are there now.

    Bounded in number and time; by worker, so that no clip can harm. What is found is kept in the
    ledger. A file whose inode, size or time is not that of the proven copy gives none.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._pool: ProbePool | None = None
        self._ends_at = monotonic() + MOST_SECONDS
        self._left = MOST_PICTURES
        self._roll = 0
        self._sources: list[_Source] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._close_sources()
        if self._pool is not None:
            self._pool.close()

    def find(self, roll: Roll, clip: KeptClip) -> Picture | None:
        """The picture of a clip; None where no copy is there, or it has no pictures."""
        facts = clip.probed.facts
        is_worth_it = bool(facts.width) and facts.container in FORMATS
        if not is_worth_it or self._left <= 0 or monotonic() > self._ends_at:
            return None
        if roll.roll != self._roll:
            self._open(roll)
        for source in self._sources:
            found = self._look(source, clip)
            if found is not None:
                clips.keep(
                    self._ledger,
                    roll.roll,
                    [replace(clip, probed=replace(clip.probed, picture=found))],
                )
                return found
        return None

    def _open(self, roll: Roll) -> None:
        self._close_sources()
        self._roll = roll.roll
        for run in offloads.of_roll(self._ledger, roll.roll):
            if run.answer is None:
                continue
            entries = inventories.load(self._ledger, run.inventory).entries
            for copy in copies.of_offload(self._ledger, run.offload):
                # A drive that is not there today is no source, and no error.
                with suppress(OSError, LedgerError):
                    self._sources.append(_Source(self._ledger, copy, entries))
            return

    def _close_sources(self) -> None:
        for source in self._sources:
            source.root.close()
        self._sources = []

    def _look(self, source: "_Source", clip: KeptClip) -> Picture | None:
        path = source.middle_of(clip)
        if not source.has(path):
            return None
        self._left -= 1
        if self._pool is None:
            self._pool = ProbePool(1)
        look = LookRequest(clip.probed.facts.container, with_sound=False)
        return self._pool.probe(ProbeRequest(path, lambda: source.opened(path), look)).picture


class _Source:
    """One proven copy that lies where the ledger says."""

    def __init__(self, ledger: Ledger, copy: Copy, entries: Entries) -> None:
        if copy.result.stage not in (Stage.PROVEN, Stage.PARTIAL):
            raise FileNotFoundError(errno.ENOENT, "no finished copy")
        self._entries = entries
        self._columns: CopyColumns = copies.load(ledger, copy.copy, len(entries))
        self._numbers = {entries.path(at): at for at in range(len(entries))}
        self._middles: dict[bytes, bytes] | None = None
        self.root = Root(copy.result.path)

    def middle_of(self, clip: KeptClip) -> bytes:
        """The file that has the middle of a clip."""
        if clip.kind in (ClipKind.FILE, ClipKind.ESSENCE_GROUP):
            return clip.path
        if self._middles is None:
            self._middles = {
                each.path: each.files[len(each.files) // 2].path
                for each in group_files(self._entries)
            }
        return self._middles.get(clip.path, clip.path)

    def has(self, path: bytes) -> bool:
        """Whether the file there is still the one that was proven."""
        try:
            os.close(self.opened(path))
        except OSError:
            return False
        return True

    def opened(self, path: bytes) -> int:
        """A descriptor of the proven file.

        Raises:
            OSError: it is not there, or no longer the same.
        """
        fact = self._columns.fact(self._numbers[path]) if path in self._numbers else None
        fd, facts = self.root.open_with_facts(path)
        if fact is None or fact[1:4] != (facts.st_ino, facts.st_size, facts.st_mtime_ns):
            os.close(fd)
            raise FileNotFoundError(errno.ENOENT, "not the file that was proven")
        return fd
