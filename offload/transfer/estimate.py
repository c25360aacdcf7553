"""How long it will still take: one estimate for every face.

At a steady pace the average so far is the best word there is. Before a tenth of a pass is done it
is a guess, and is given as a range.
"""

from dataclasses import dataclass

from offload.transfer.counters import Lane, Pass, Progress

_ENOUGH = 0.1
_SOONER = 0.7
_LATER = 1.6


@dataclass(frozen=True, slots=True)
class TimeLeft:
    """Seconds until the verdict.

    Attributes:
        seconds: the best guess.
        soonest_s, latest_s: the same as it, once enough has been done.
    """

    seconds: float
    soonest_s: float
    latest_s: float

    @property
    def is_range(self) -> bool:
        """Whether it is too early for one figure."""
        return self.soonest_s != self.latest_s


def time_left(progress: Progress) -> TimeLeft | None:
    """Until both passes are through; nothing while nobody can say."""
    copying, proving = progress.copying, progress.proving
    is_copying = bool(copying.started_ns and not copying.ended_ns)
    if proving.started_ns and not is_copying:
        left = _pass_left(proving)
        return None if left is None else _told(left + _apart_s(copying), proving)
    left = _pass_left(copying)
    if left is None:
        return None
    return _told(left + _proving_s(progress), copying)


def _told(seconds: float, counters: Pass) -> TimeLeft:
    if _part_done(counters) >= _ENOUGH:
        return TimeLeft(seconds, seconds, seconds)
    return TimeLeft(seconds, _SOONER * seconds, _LATER * seconds)


def _part_done(counters: Pass) -> float:
    parts = [lane.done_bytes / lane.total_bytes for lane in _working(counters)]
    return min(parts, default=1.0)


def _working(counters: Pass) -> list[Lane]:
    return [lane for lane in counters.lanes if lane.total_bytes and not lane.failure]


def _pass_left(counters: Pass) -> float | None:
    """Until the slowest lane has ended, at its average so far."""
    lefts = [
        counters.elapsed_s * max(0, lane.total_bytes - lane.done_bytes) / lane.done_bytes
        for lane in _working(counters)
        if lane.done_bytes
    ]
    return max(lefts, default=None)


def _apart_s(copying: Pass) -> float:
    """What drives that left the others still need: the rest written, and all of it read back."""
    times = [
        (lane.rest_bytes + lane.total_bytes + lane.rest_bytes) * lane.work_s / lane.done_bytes
        for lane in _working(copying)
        if lane.rest_bytes and lane.done_bytes
    ]
    return max(times, default=0.0)


def _proving_s(progress: Progress) -> float:
    """What the proving pass will take: every device alone, as fast as it has been at its work."""
    copying = progress.copying
    card = copying.card
    reading_s = max(0.0, copying.elapsed_s - card.wait_s)
    times = [_whole_s(card, reading_s)] if progress.card_reads > 1 else []
    times += [
        _whole_s(lane, lane.work_s or copying.elapsed_s)
        for lane in copying.drives.values()
        if not lane.failure
    ]
    return max(times, default=0.0)


def _whole_s(lane: Lane, work_s: float) -> float:
    return work_s * lane.total_bytes / lane.done_bytes if lane.done_bytes else 0.0
