"""A verification under way: one line for each folder that is read, drawn anew while it lasts."""

from dataclasses import dataclass

from offload.clearance.words import counted
from offload.cli.amounts import clock_after, duration, rate, size
from offload.cli.live_view import LiveView
from offload.cli.run_view import RunView
from offload.transfer.counters import Lane, Progress
from offload.values.paths import shown

_STEPS = {"listing": "listing, and reading what is recorded", "record": "writing the record"}


class VerifyRun(RunView):
    """Runs one verification; its lines speak of reading and of no card."""

    def __init__(self, progress: Progress, *, as_json: bool) -> None:
        super().__init__(progress, as_json=as_json)
        self._live = ReadingLines(progress)


@dataclass(slots=True)
class ReadingLines(LiveView):
    """The lines while files are read."""

    def lines(self, width: int) -> list[str]:
        """Plain lines, none wider than ``width`` characters."""
        counters = self.progress.proving
        if self.progress.step != "reading" or not counters.started_ns:
            return [f"  {_STEPS.get(self.progress.step, 'getting ready')}"[:width]]
        elapsed = counters.elapsed_s
        lines = [_lane_line(lane, elapsed) for lane in counters.drives.values()]
        lines.append("  Ctrl-C stops. Nothing is said of what was not read.")
        return [line[:width] for line in lines]


def _lane_line(lane: Lane, elapsed_s: float) -> str:
    done = f"{size(lane.done_bytes)} of {size(lane.total_bytes)} read"
    files = counted(lane.done_files, "file")
    line = f"  {shown(lane.name):<11} {done}, {files}"
    if not lane.done_bytes or elapsed_s <= 0:
        return line
    pace = lane.done_bytes / elapsed_s
    left = (lane.total_bytes - lane.done_bytes) / pace
    return f"{line}, {rate(pace)}, {duration(left)} left, done at about {clock_after(left)}"
