"""The copying pass: each file of the card is read once, and all drives are written at once.

Bytes come off the card into this process, are checksummed here and written from here; no shortcut
of the system copies them where they could not be seen. A read error is tried again in smaller
pieces. A file that cannot be read whole, or whose size or times move while it is read, leaves
nothing under its name on any drive; the others go on.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from offload.checksum import COMPARE
from offload.storage.root import Root
from offload.transfer.card_reader import CardReader, NoteRead
from offload.transfer.counters import Pass
from offload.transfer.drive_writer import DriveWriter
from offload.transfer.laggards import Laggards
from offload.transfer.listening import Listening, SilenceOf
from offload.transfer.plan import IsStopped, Item, Target
from offload.transfer.results import CopyingResult
from offload.transfer.ring import Ring
from offload.transfer.taps import ChecksumTap

BUFFER_BYTES = 4 << 20
BUFFER_COUNT = 8


def _note_nothing(number: int, size_bytes: int) -> None:
    """Nobody keeps books."""


@dataclass(frozen=True, slots=True)
class Drive:
    """A target and the held root it lies below."""

    target: Target
    root: Root


def copy_all(
    card: Root,
    drives: Sequence[Drive],
    items: Iterable[Item],
    result: CopyingResult,
    counters: Pass,
    *,
    is_stopped: IsStopped,
    is_card_present: Callable[[], bool],
    is_only_reading: bool = False,
    note_read: NoteRead = _note_nothing,
    silence_of: SilenceOf | None = None,
) -> None:
    """Copy ``items`` from the card to every drive that misses them.

    Args:
        card: the card's held root.
        drives: in the run's order, which :attr:`Item.missing_on` counts.
        items: what to read; also what is only to be read for its checksums.
        result: is filled in place, so that what was done before an interrupt is kept.
        counters: lanes for the card and each drive, totals set.
        is_stopped: asked before each block.
        is_card_present: asked after a read error that retries did not cure.
        is_only_reading: the card is not read again: a file whose pages could not be shown to be
            gone before is then ``CACHED``.
        note_read: told number and size of each file that was read whole, by this thread.
        silence_of: listens to a drive that is waited for; one that is silent is dropped and its
            thread left behind (``result.hanging``). Nothing: drives are waited for without end.
    """
    names = result.digests.names
    with Ring(BUFFER_COUNT, BUFFER_BYTES, len(names) + len(drives)) as ring:
        taps = [
            ChecksumTap(
                name, ring, queue, result.digests, result.zero_runs if name == COMPARE else None
            )
            for name, queue in zip(names, ring.queues, strict=False)
        ]
        writers = [
            DriveWriter(
                bit,
                drive.target,
                drive.root,
                ring,
                queue,
                result.drive_states[drive.target.name],
                counters.drives[drive.target.name],
            )
            for bit, (drive, queue) in enumerate(
                zip(drives, ring.queues[len(names) :], strict=True)
            )
        ]
        laggards = Laggards(writers)
        counters.begin()
        for thread in (*taps, *writers):
            thread.start()
        listening = Listening({writer.target_name: writer for writer in writers}, silence_of)

        def waited(seconds: float) -> None:
            counters.card.wait_s += seconds
            laggards.waited(seconds)
            listening.look()

        ring.on_wait = waited
        reader = CardReader(
            card,
            ring,
            result,
            counters.card,
            is_stopped=is_stopped,
            is_card_present=is_card_present,
            is_only_reading=is_only_reading,
            note_read=note_read,
        )
        try:
            reader.read_all(items)
        finally:
            ring.end()
            for tap in taps:
                tap.join()
            listening.wait_for(writers)
            counters.hashing_s += max(tap.busy_s for tap in taps)
            counters.end()
    _gather(result, writers, counters)
    for tap in taps:
        if tap.error is not None:
            raise tap.error


def _gather(result: CopyingResult, writers: Sequence[DriveWriter], counters: Pass) -> None:
    for writer in writers:
        result.findings += writer.notices
        if writer.is_silent:
            result.hanging[writer.target_name] = writer
        if writer.failure:
            result.failures[writer.target_name] = writer.failure
        elif writer.has_left:
            result.left.append(writer.target_name)
            # What it has not got is counted when it gets it.
            lane = counters.drives[writer.target_name]
            lane.rest_bytes = max(0, lane.total_bytes - lane.done_bytes)
            lane.total_bytes = lane.done_bytes
