"""A job from the outside: live lines while it runs, its events, and the verdict at its end.

The job runs in a thread of its own; this one draws and takes Ctrl-C.
"""

import contextlib
import shutil
import sys
import threading
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

from offload.cli.amounts import count, duration, size
from offload.cli.live_view import SAMPLES_PER_S, LiveView, time_line
from offload.cli.result_json import write_event, write_result
from offload.cli.session import Session
from offload.cli.verdict_view import scene_of, show
from offload.cli.wishing import layouts_of
from offload.cli.wrapping import wrapped
from offload.events import (
    CardCoded,
    CardListed,
    DriveDropped,
    DriveReadBack,
    DriveRoom,
    Event,
    Found,
    RollNamed,
    StepFinished,
    StepStarted,
)
from offload.jobs.outcome import Outcome
from offload.jobs.pulsing import PulseFile, PulseMaker
from offload.jobs.tools import Tools
from offload.transfer.counters import Progress
from offload.values.findings import Finding
from offload.values.paths import shown, to_text
from offload.volumes.awake import Awake

Result = TypeVar("Result")


class RunView:
    """Shows one job."""

    def __init__(
        self, progress: Progress, *, as_json: bool, heading: str = "", card_reads: int = 2
    ) -> None:
        self._progress = progress
        self._is_json = as_json
        self._is_live = not as_json and sys.stdout.isatty()
        self._live = LiveView(progress, heading=heading, card_reads=card_reads)
        self._steps: list[tuple[str, float]] = []
        self._pulse: PulseFile | None = None
        self._drawn = 0
        self._lock = threading.Lock()

    def tools(self, opened: Session, stop: threading.Event) -> Tools:
        """What a job works with that this view looks at.

        Args:
            opened: the command's session.
            stop: set when the user wants to stop.
        """
        # Its templates take a fifth of a second to load; who only verifies writes no page.
        from offload.cli.page_maker import RecordPages

        machine = opened.surroundings
        maker = PulseMaker(self._progress, machine.pid)
        # Other shells see this run as they see the station's.
        self._pulse = PulseFile(opened.ledger.home, maker, machine.now_ns)
        return Tools(
            opened.ledger,
            opened.key,
            machine,
            self._progress,
            self.take,
            stop.is_set,
            opened.identity,
            RecordPages(opened.ledger),
            layouts_of(opened.settings),
        )

    def take(self, event: Event) -> None:
        """An event of the job; comes from its thread."""
        with self._lock:
            self._note(event)
            if self._is_json:
                write_event(event, sys.stdout)
            elif not self._is_live:
                self._tell(event)

    def watch(self, prepare: Callable[[], None], job: Callable[[], Result]) -> Result:
        """Run the job and draw until it ends.

        Args:
            prepare: installs the signal handlers, in this thread.
            job: what to run.

        Raises:
            OffloadError: whatever the job raised.
        """
        box: dict[str, Any] = {}

        def run() -> None:
            try:
                box["result"] = job()
            except BaseException as error:  # noqa: BLE001  # handed to the thread that waits
                box["error"] = error

        thread = threading.Thread(target=run, name="job")
        awake = Awake("a card is being copied and proven")
        with _signals_kept(), self._cursor_hidden(), awake:
            if not awake.is_kept:
                text = f"nothing keeps this machine from going to sleep: {awake.reason}"
                self.take(Found(Finding("sleep-not-held", text)))
            prepare()
            thread.start()
            while thread.is_alive():
                thread.join(1 / SAMPLES_PER_S)
                self._draw()
                if self._pulse is not None:
                    self._pulse.beat()
            if self._pulse is not None:
                self._pulse.end()
            self._wipe()
        if "error" in box:
            raise box["error"]
        result: Result = box["result"]
        return result

    def show(self, outcome: Outcome, *, is_check: bool = False) -> None:
        """The verdict, and where the time went."""
        if self._is_json:
            write_result(outcome, sys.stdout)
            return
        show(outcome.verdict, scene_of(outcome, is_check=is_check), sys.stdout)
        if self._steps:
            width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
            line = time_line(self._progress, self._steps)
            for part in wrapped(line, width, "  ", " " * 4):
                _print_line(part)

    def _note(self, event: Event) -> None:
        if isinstance(event, CardListed):
            self._live.files = event.files
            self._live.total_bytes = event.total_bytes
            if self._pulse is not None:
                self._pulse.maker.total_files = event.files
        elif isinstance(event, RollNamed):
            self._live.roll = event.roll
            if self._pulse is not None:
                self._pulse.maker.roll = event.roll
        elif isinstance(event, DriveRoom):
            self._live.free_bytes[event.drive] = event.free_at_end_bytes
        elif isinstance(event, Found):
            self._live.tell(event.finding)
        elif isinstance(event, StepFinished):
            self._steps.append((event.step, event.elapsed_s))

    def _tell(self, event: Event) -> None:
        """One plain line an event, for a pipe or a log."""
        text = sentence(event)
        if text:
            _print_line(text)

    def _draw(self) -> None:
        if not self._is_live:
            return
        width = shutil.get_terminal_size().columns
        with self._lock:
            lines = self._live.lines(max(20, width - 1))
        up = f"\x1b[{self._drawn}F" if self._drawn else ""
        body = "".join(f"\x1b[2K{line}\n" for line in lines)
        _write(f"{up}{body}\x1b[0J")
        self._drawn = len(lines)

    def _wipe(self) -> None:
        if self._drawn:
            _write(f"\x1b[{self._drawn}F\x1b[0J")
            self._drawn = 0

    @contextlib.contextmanager
    def _cursor_hidden(self) -> Iterator[None]:
        if self._is_live:
            _write("\x1b[?25l")
        try:
            yield
        finally:
            if self._is_live:
                _write("\x1b[?25h")


@contextlib.contextmanager
def _signals_kept() -> Iterator[None]:
    import signal

    kept = [(number, signal.getsignal(number)) for number in (signal.SIGINT, signal.SIGTERM)]
    try:
        yield
    finally:
        for number, handler in kept:
            signal.signal(number, handler)


def sentence(event: Event) -> str:
    """One plain line about an event; empty for one that is not worth it."""
    match event:
        case CardListed(files, total_bytes, _):
            return f"listed: {count(files, 'file')}, {size(total_bytes)}"
        case CardCoded(code):
            return f"card code {code}"
        case RollNamed(roll):
            return f"roll {shown(roll)}"
        case StepStarted(step):
            return f"{step} begins"
        case StepFinished(step, elapsed_s):
            return f"{step} done in {duration(elapsed_s)}"
        case Found(finding):
            drive = shown(finding.drive)
            # Many a sentence begins with its drive.
            is_named = bool(drive) and finding.text.startswith(f"{drive} ")
            where = " ".join(filter(None, ("" if is_named else drive, to_text(finding.path))))
            return f"{finding.code}: {where + ': ' if where else ''}{finding.text}"
        case DriveRoom(drive, free):
            return f"{shown(drive)}: {size(free)} will be free at the end"
        case DriveReadBack(drive, files, equal):
            return f"{shown(drive)}: read back, {equal:,} of {count(files, 'file')} equal"
        case DriveDropped(drive, why):
            return f"drive dropped: {shown(drive)}: {why}"


def _print_line(text: str) -> None:
    _write(text + "\n")


def _write(text: str) -> None:
    sys.stdout.write(text)
    sys.stdout.flush()
