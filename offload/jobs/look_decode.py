"""Looking into clips on a drive's proven copy: pictures and sound, in workers, bounded in time.

A few clips are under way at a time, so that neither a thousand pictures nor a hundred thousand
files are held at once. What a worker cannot answer for, or what there was no time for, is "could
not be checked", never "nothing found".
"""

import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, wait
from dataclasses import dataclass, replace

from offload.jobs.look_files import Source
from offload.jobs.look_structure import Checked, IsStopped, LookStoppedError, lift_open_ends
from offload.media.clip_looks import ClipLook, start_look, with_structure
from offload.media.look_request import FORMATS
from offload.media.probe import ProbePool
from offload.media.structure import StructureReport, TrackKind
from offload.values.clips import (
    Clip,
    ClipCode,
    ClipFacts,
    ClipFinding,
    ClipKind,
    Container,
    Usable,
)
from offload.values.probed import Probed

SourceOf = Callable[[Clip], Source | None]

_AT_ONCE = 12
_POLL_S = 0.2
_BASE_S = 60.0
_CLIP_S = 2.0
_BYTES_PER_S = 256 << 20
"""A clip takes a tenth of a second; this is what all together may take when some are slow."""

STILLS_LOOKED_INTO = 24
"""Single frames that are decoded, spread over the card: a photographer's card has thousands."""


@dataclass(slots=True)
class _UnderWay:
    checked: Checked
    look: ClipLook | None = None
    answer: Probed | None = None


def look_into(
    wanted: Iterable[Checked],
    source_of: SourceOf,
    is_stopped: IsStopped,
    time_s: float,
    pool: ProbePool | None = None,
) -> Generator[tuple[Checked, Probed], None, None]:
    """What looking gave, clip by clip, in the order given.

    Args:
        wanted: clips whose structure was checked.
        source_of: where a clip lies to be looked into; None where it cannot be.
        is_stopped: whether the user wants to stop.
        time_s: seconds for all of them; see :func:`time_for`.
        pool: of workers; one of its own where left out.

    Raises:
        LookStoppedError: it was told to stop.
    """
    with pool or ProbePool() as workers:
        yield from _Looks(workers, source_of, is_stopped, time.monotonic() + time_s).each(wanted)


def time_for(clips: Iterable[Clip]) -> float:
    """Seconds that looking into these clips may take; ten times what it is known to take."""
    total_s = _BASE_S
    for clip in clips:
        total_s += _CLIP_S + clip.files.total_bytes / _BYTES_PER_S
    return total_s


def is_still(clip: Clip) -> bool:
    """Whether the clip is one single picture."""
    return clip.kind is ClipKind.FILE and clip.container.is_frame


def spread_stills(clips: Iterable[Clip]) -> frozenset[bytes]:
    """The single pictures that are decoded, by path: a few, spread over all that there are."""
    stills = [clip.path for clip in clips if is_still(clip)]
    if len(stills) <= STILLS_LOOKED_INTO:
        return frozenset(stills)
    last = len(stills) - 1
    places = {at * last // (STILLS_LOOKED_INTO - 1) for at in range(STILLS_LOOKED_INTO)}
    return frozenset(stills[at] for at in places)


def can_be_looked_into(checked: Checked) -> bool:
    """Whether there is a file of a form that we know."""
    if not len(checked.clip.files):
        return False
    reports = checked.reports.values()
    known = [report.container for report in reports] or [checked.clip.container]
    return any(container in FORMATS for container in known if container is not Container.UNKNOWN)


class _Looks:
    """The clips under way, oldest first."""

    def __init__(
        self, pool: ProbePool, source_of: SourceOf, is_stopped: IsStopped, until_s: float
    ) -> None:
        self._pool = pool
        self._source_of = source_of
        self._is_stopped = is_stopped
        self._until_s = until_s
        self._under_way: deque[_UnderWay] = deque()

    def each(self, wanted: Iterable[Checked]) -> Iterator[tuple[Checked, Probed]]:
        for checked in wanted:
            self._under_way.append(self._begun(checked))
            if len(self._under_way) >= _AT_ONCE:
                yield self._oldest()
        while self._under_way:
            yield self._oldest()

    def _begun(self, checked: Checked) -> _UnderWay:
        if self._is_stopped():
            raise LookStoppedError
        source = self._source_of(checked.clip) if can_be_looked_into(checked) else None
        if source is None:
            return _UnderWay(checked, answer=by_structure(checked))
        if time.monotonic() > self._until_s:
            return _UnderWay(checked, answer=unchecked(checked.clip, "there was no time left"))
        look = start_look(self._pool, checked.clip, source.open, checked.reports)
        return _UnderWay(checked, look)

    def _oldest(self) -> tuple[Checked, Probed]:
        oldest = self._under_way.popleft()
        if oldest.look is None:
            return oldest.checked, oldest.answer or Probed()
        if not self._is_done(oldest.look.parts):
            for part in oldest.look.parts:
                part.cancel()
            return oldest.checked, unchecked(oldest.checked.clip, "there was no time left")
        try:
            probed = oldest.look.result()
            return lift_open_ends(oldest.checked, probed), probed
        except Exception as error:  # noqa: BLE001 - whatever a clip provokes is said of that clip
            why = f"the check failed ({type(error).__name__})"
            return oldest.checked, unchecked(oldest.checked.clip, why)

    def _is_done(self, parts: Iterable[Future[Probed]]) -> bool:
        waiting = set(parts)
        while waiting and time.monotonic() <= self._until_s:
            waiting = wait(waiting, _POLL_S).not_done
            if self._is_stopped():
                raise LookStoppedError
        return not waiting


def by_structure(checked: Checked) -> Probed:
    """What the structure alone says of a clip: nobody has decoded anything of it."""
    report = checked.reports.get(checked.clip.path)
    if report is None:
        return Probed()
    said = with_structure(Probed(facts=ClipFacts(container=report.container)), report)
    facts = replace(said.facts, codec=said.facts.codec or _codec(report))
    return replace(said, facts=facts)


def _codec(report: StructureReport) -> str:
    pictures = (each.codec for each in report.tracks if each.kind is TrackKind.PICTURE)
    return next(pictures, "")


def unchecked(clip: Clip, why: str) -> Probed:
    """What there is to say of a clip that nobody could look into."""
    finding = ClipFinding(
        ClipCode.UNCHECKED, f"could not be checked: {why}", clip.path, check="look"
    )
    return Probed(usable=Usable.UNKNOWN, findings=(finding,))
