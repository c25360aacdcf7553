"""What the screen shows while an offload runs: sampled from the passes' counters.

The first words are always the answer as it stands: keep the card in. The verdict's clock time takes
the proving pass into account from the beginning.
"""

import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import ClassVar

from rich.cells import cell_len

from offload.cli.amounts import clock_after, count, duration, rate, size
from offload.cli.step_words import AFTERWARDS, BEFORE, GETTING_READY
from offload.cli.verdict_view import FOR_THE_CAMERA
from offload.cli.wrapping import cut
from offload.transfer.counters import Lane, Pass, Progress
from offload.transfer.estimate import TimeLeft, time_left
from offload.values.findings import Finding
from offload.values.paths import shown, to_text

SAMPLES_PER_S = 8
_WINDOW_S = 4.0
_STALLED_S = 10.0
_NAME_WIDTH = 11


@dataclass(slots=True)
class _Speed:
    """A rate over the last few seconds, from samples of a counter."""

    samples: deque[tuple[float, int]] = field(default_factory=deque)

    def take(self, now: float, done: int) -> float:
        """Bytes a second over the window; the whole of it once there is one."""
        self.samples.append((now, done))
        while len(self.samples) > 2 and now - self.samples[0][0] > _WINDOW_S:
            self.samples.popleft()
        (then, before), elapsed = self.samples[0], now - self.samples[0][0]
        return (done - before) / elapsed if elapsed > 0.2 and then < now else 0.0


@dataclass(slots=True)
class LiveView:
    """The lines of one running offload.

    Attributes:
        progress: the counters.
        heading: the production, as shown first; may be empty.
        roll: as shown.
        files, total_bytes: of the card; 0 before it is listed.
        free_bytes: by drive name, what will be free at the end; missing where not told.
        notices: what the camera team should hear now, newest last.
        card_reads: readings of the card asked for.
    """

    progress: Progress
    heading: str = ""
    roll: str = ""
    files: int = 0
    total_bytes: int = 0
    free_bytes: dict[str, int] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    card_reads: int = 2
    started_at: datetime = field(default_factory=datetime.now)
    _speeds: dict[tuple[int, str], _Speed] = field(default_factory=dict)

    ANSWER: ClassVar[str] = "KEEP THE CARD IN. Nothing is proven yet."
    SOURCE: ClassVar[str] = "card"

    def tell(self, finding: Finding) -> None:
        """Show what the camera team should hear while the camera is still near."""
        if finding.code.startswith(FOR_THE_CAMERA):
            where = f"{to_text(finding.path)}: " if finding.path else ""
            self.notices.append(f"{where}{finding.text}")

    def lines(self, width: int) -> list[str]:
        """Plain lines, none wider than ``width`` columns."""
        now = time.monotonic()
        left = time_left(self.progress)
        # However long a name is, it never pushes the answer off the screen.
        answer = f"  {self.ANSWER}"
        name = cut(shown(self.roll) or self.SOURCE, max(4, width - len(answer)))
        when = _when(left) if left is not None else ""
        lines = [_spread(f"{name}{answer}", when, width), self._facts()]
        if self.progress.step in ("copying", "proving", *AFTERWARDS):
            lines += self._pass_lines(1, self.progress.copying, now)
            lines += self._proving_lines(now)
            if self.progress.step in AFTERWARDS:
                lines.append(f"  3 {AFTERWARDS[self.progress.step].format(self.SOURCE)}")
        else:
            step = BEFORE.get(self.progress.step, GETTING_READY)
            lines.append(f"  {step.format(self.SOURCE)}")
        lines += [f"  tell camera  {notice}" for notice in self.notices[-3:]]
        lines.append("  Ctrl-C stops cleanly. The same command goes on from there.")
        return [cut(line, width) for line in lines]

    def _facts(self) -> str:
        parts = [shown(self.heading)] if self.heading else []
        if self.files:
            parts += [count(self.files, "file"), size(self.total_bytes)]
        if self.progress.code:
            parts.append(f"code {self.progress.code}")
        parts.append(f"started {self.started_at:%H:%M}")
        return f"      {', '.join(parts)}" if parts else ""

    def _pass_lines(self, number: int, counters: Pass, now: float) -> list[str]:
        card = counters.card
        is_over = bool(counters.ended_ns)
        speed = self._speed(counters, card, now)
        head = f"  {number} {counters.step:<9}"
        if is_over:
            lines = [f"{head} done in {duration(counters.elapsed_s)}"]
        elif card.total_bytes and card.done_bytes >= card.total_bytes:
            lines = [f"{head} {size(card.total_bytes)}, all read from the {self.SOURCE}"]
        elif card.total_bytes:
            read = (
                f"{size(card.done_bytes)} of {size(card.total_bytes)} read from the {self.SOURCE}"
            )
            lines = [f"{head} {read}   {self._pace(card, speed, now)}"]
        else:
            lines = [head.rstrip()]
        return lines + [
            self._lane_line(counters, lane, now)
            for lane in counters.drives.values()
            if not is_over or lane.failure or lane.rest_bytes
        ]

    def _lane_line(self, counters: Pass, lane: Lane, now: float) -> str:
        name = shown(lane.name)
        if lane.failure:
            return f"     {name:<{_NAME_WIDTH}} dropped: {lane.failure}"
        if lane.rest_bytes:
            rest = f"{size(lane.rest_bytes)} after the others are read back"
            return f"     {name:<{_NAME_WIDTH}} {size(lane.done_bytes)} down, {rest}"
        if lane.done_bytes >= lane.total_bytes:
            done = "down" if counters.step == "copying" else "read back"
            return f"     {name:<{_NAME_WIDTH}} {size(lane.total_bytes)}, all {done}"
        word = "down" if counters.step == "copying" else "read back"
        pace = self._pace(lane, self._speed(counters, lane, now), now)
        free = self.free_bytes.get(lane.name)
        rest = f"   {size(free)} free at the end" if free and counters.step == "copying" else ""
        return f"     {name:<{_NAME_WIDTH}} {size(lane.done_bytes)} {word}   {pace}{rest}"

    def _pace(self, lane: Lane, speed: float, now: float) -> str:
        quiet_s = now - lane.last_ns / 1e9 if lane.last_ns else 0.0
        if quiet_s > _STALLED_S:
            return f"no byte for {duration(quiet_s)}"
        if not speed:
            return ""
        return f"{rate(speed)}, {duration((lane.total_bytes - lane.done_bytes) / speed)} left"

    def _proving_lines(self, now: float) -> list[str]:
        if self.progress.proving.started_ns:
            return self._pass_lines(2, self.progress.proving, now)
        what = "card once more, every drive" if self.card_reads > 1 else "every drive"
        return [f"  2 proving   not begun: {what}, from the device"]

    def _speed(self, counters: Pass, lane: Lane, now: float) -> float:
        speed = self._speeds.setdefault((id(counters), lane.name), _Speed())
        return speed.take(now, lane.done_bytes)


def time_line(progress: Progress, steps: Sequence[tuple[str, float]]) -> str:
    """Where the time went, in one line."""
    took: dict[str, float] = {}
    for step, elapsed in steps:
        took[step] = took.get(step, 0.0) + elapsed
    passes = {"copying": progress.copying, "proving": progress.proving}
    parts = []
    for step, elapsed in took.items():
        inside = _inside(passes[step], elapsed) if step in passes else ""
        parts.append(f"{step} {duration(elapsed)}{inside}")
    return "time went to: " + ", ".join(parts)


def _inside(counters: Pass, elapsed_s: float) -> str:
    """What each device did in a pass; a device at work all the time was the slowest."""
    card = counters.card
    if not card.done_bytes and not any(lane.done_bytes for lane in counters.drives.values()):
        return ""
    parts = []
    if card.done_bytes and elapsed_s > 0:
        parts.append(f"card {rate(card.done_bytes / elapsed_s)}")
    if card.wait_s >= 1:
        parts.append(f"which waited {duration(card.wait_s)} for the drives")
    parts += [
        f"{shown(lane.name)} at work {duration(lane.work_s)}"
        for lane in counters.drives.values()
        if lane.done_bytes
    ]
    if counters.hashing_s >= 1:
        parts.append(f"checksums {duration(counters.hashing_s)}")
    return f" ({', '.join(parts)})"


def _when(left: TimeLeft) -> str:
    if not left.is_range:
        return f"verdict at about {clock_after(left.seconds)}"
    soonest, latest = clock_after(left.soonest_s), clock_after(left.latest_s)
    if soonest == latest:
        return f"verdict at about {soonest}"
    return f"verdict between {soonest} and {latest}"


def _spread(left: str, right: str, width: int) -> str:
    room = width - cell_len(left) - cell_len(right)
    return f"{left}{' ' * room}{right}" if right and room >= 2 else left
