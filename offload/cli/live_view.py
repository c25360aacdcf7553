"""What the screen shows while an offload runs: sampled from the passes' counters.

The first words are always the answer as it stands: keep the card in. The verdict's clock time takes
the proving pass into account from the beginning.
"""

import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from rich.cells import cell_len

from offload.cli.amounts import clock_after, count, duration, rate, size
from offload.cli.verdict_view import FOR_THE_CAMERA
from offload.cli.wrapping import cut
from offload.transfer.counters import Lane, Pass, Progress
from offload.values.findings import Finding
from offload.values.paths import shown, to_text

SAMPLES_PER_S = 8
_WINDOW_S = 4.0
_STALLED_S = 10.0
_NAME_WIDTH = 11
_ANSWER = "  KEEP THE CARD IN. Nothing is proven yet."


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
    _speeds: dict[tuple[str, str], _Speed] = field(default_factory=dict)

    def tell(self, finding: Finding) -> None:
        """Show what the camera team should hear while the camera is still near."""
        if finding.code.startswith(FOR_THE_CAMERA):
            where = f"{to_text(finding.path)}: " if finding.path else ""
            self.notices.append(f"{where}{finding.text}")

    def lines(self, width: int) -> list[str]:
        """Plain lines, none wider than ``width`` columns."""
        now = time.monotonic()
        left = self._seconds_left(now)
        # However long a name is, it never pushes the answer off the screen.
        name = cut(shown(self.roll) or "card", max(4, width - len(_ANSWER)))
        when = f"verdict at about {clock_after(left)}" if left is not None else ""
        lines = [_spread(f"{name}{_ANSWER}", when, width), self._facts()]
        if self.progress.step in ("copying", "proving", *_AFTERWARDS):
            lines += self._pass_lines(1, self.progress.copying, now)
            lines += self._proving_lines(now)
            if self.progress.step in _AFTERWARDS:
                lines.append(f"  3 {_AFTERWARDS[self.progress.step]}")
        else:
            lines.append(f"  {_STEPS.get(self.progress.step, 'getting ready')}")
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
        elif card.total_bytes:
            read = f"{size(card.done_bytes)} of {size(card.total_bytes)} read from the card"
            lines = [f"{head} {read}   {self._pace(card, speed, now)}"]
        else:
            lines = [head.rstrip()]
        return lines + [
            self._lane_line(counters, lane, now)
            for lane in counters.drives.values()
            if not is_over or lane.failure
        ]

    def _lane_line(self, counters: Pass, lane: Lane, now: float) -> str:
        name = shown(lane.name)
        if lane.failure:
            return f"     {name:<{_NAME_WIDTH}} dropped: {lane.failure}"
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
        speed = self._speeds.setdefault((counters.step, lane.name), _Speed())
        return speed.take(now, lane.done_bytes)

    def _seconds_left(self, now: float) -> float | None:
        copying, proving = self.progress.copying, self.progress.proving
        if proving.started_ns:
            return _left(proving)
        if not copying.started_ns or not copying.card.done_bytes:
            return None
        # Before it has begun, the proving pass is taken to read as fast as the card was read.
        left = _left(copying)
        return None if left is None else left + copying.elapsed_s + left


_STEPS = {
    "inventory": "listing the card",
    "preflight": "looking at the drives",
}
_AFTERWARDS = {
    "record": "writing the record",
    "clips": "looking into the clips, on the copies",
    "last-look": "a last look at card and drives",
}


def _left(counters: Pass) -> float | None:
    """Seconds until the slowest lane has ended, at its average so far."""
    lefts = []
    for lane in counters.lanes:
        if lane.done_bytes and lane.total_bytes and not lane.failure:
            lefts.append(
                counters.elapsed_s * (lane.total_bytes - lane.done_bytes) / lane.done_bytes
            )
    return max(lefts) if lefts else None


def time_line(progress: Progress, steps: Sequence[tuple[str, float]]) -> str:
    """Where the time went, in one line."""
    parts = []
    for step, elapsed in steps:
        text = f"{step} {duration(elapsed)}"
        counters = {"copying": progress.copying, "proving": progress.proving}.get(step)
        if counters is not None and counters.card.done_bytes and elapsed > 0:
            text += f" (card {rate(counters.card.done_bytes / elapsed)}"
            waited = counters.card.wait_s
            text += f", waited {duration(waited)} for the drives)" if waited >= 1 else ")"
        parts.append(text)
    return "time went to: " + ", ".join(parts)


def _spread(left: str, right: str, width: int) -> str:
    room = width - cell_len(left) - cell_len(right)
    return f"{left}{' ' * room}{right}" if right and room >= 2 else left
