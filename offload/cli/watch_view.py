"""What ``offload watch`` shows: live in a terminal, plain lines in a pipe, JSON on request.

The live screen is the one of ``offload status``, drawn from ledger and pulses; what happens for
good (verdicts, alarms) is written above it and stays.
"""

import threading
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self, TextIO

from offload.cli.receive_view import received_lines
from offload.cli.result_json import line_of
from offload.cli.screen import Screen
from offload.cli.station_json import station_object
from offload.cli.station_lines import lines_of
from offload.cli.styled_lines import show_lines
from offload.cli.verdict_view import scene_of, show
from offload.cli.verify_screen import pen_for
from offload.events import RollNamed
from offload.station.events import (
    CardLeft,
    DeliveryReceived,
    NotReceived,
    NoVerdict,
    RunReported,
    StationEvent,
    StationStopping,
    VerdictGiven,
)
from offload.station.journal import Journal

_DRAWN_EVERY_S = 0.5


class WatchView:
    """Takes the station's events; a context manager that draws meanwhile.

    Args:
        as_json: one object a line instead of sentences.
        log: a file that gets every event too; empty for none.
        live_lines: the live screen at this moment, for a width and a height; None for none.
    """

    def __init__(
        self,
        *,
        as_json: bool,
        log: bytes = b"",
        live_lines: Callable[[int, int], Sequence[str]] | None = None,
    ) -> None:
        self._as_json = as_json
        self._screen = Screen()
        self._journal = Journal(log) if log else None
        self._live_lines = live_lines
        self._counts = {"cleared": 0, "held": 0, "left-unproven": 0}
        self._is_over = threading.Event()
        self._thread = threading.Thread(target=self._draw, name="screen", daemon=True)

    def take(self, event: StationEvent) -> None:
        """Show an event; comes from the station's thread."""
        self._count(event)
        if self._journal is not None:
            self._journal.write(station_object(event))
        if self._as_json:
            self._screen.write(line_of(station_object(event)))
            return
        if isinstance(event, VerdictGiven):
            self._show_verdict(event)
        elif isinstance(event, DeliveryReceived):
            self._screen.show(lambda stream: _show_received(event, stream))
        elif not self._is_drawn(event):
            width = self._screen.width if self._screen.is_terminal else None
            self._screen.write("".join(f"{line}\n" for line in lines_of(event, width)))
        if isinstance(event, VerdictGiven | NoVerdict | DeliveryReceived | NotReceived):
            self._screen.ring()
        if isinstance(event, CardLeft) and event.is_alarm:
            for _ in range(3):
                self._screen.ring()

    def __enter__(self) -> Self:
        if self._is_live:
            self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._is_over.set()
        if self._thread.ident is not None:
            self._thread.join()
        self._screen.close()
        if self._as_json and kind is None:
            self._screen.write(line_of({"type": "result", **self._counts}))
        if self._journal is not None:
            self._journal.close()

    @property
    def _is_live(self) -> bool:
        return self._screen.is_terminal and not self._as_json and self._live_lines is not None

    def _is_drawn(self, event: StationEvent) -> bool:
        """Whether the live screen shows it anyway."""
        if not self._is_live or isinstance(event, StationStopping):
            return False
        return isinstance(event, RunReported) and not isinstance(event.event, RollNamed)

    def _show_verdict(self, event: VerdictGiven) -> None:
        scene = scene_of(event.outcome)
        self._screen.show(lambda stream: show(event.outcome.verdict, scene, stream))
        if event.left_reader:
            self._screen.write("      It was unmounted first: this is said of it as it left.\n")

    def _count(self, event: StationEvent) -> None:
        if isinstance(event, VerdictGiven):
            self._counts[event.outcome.verdict.answer.value] += 1
        elif isinstance(event, CardLeft) and event.is_alarm:
            self._counts["left-unproven"] += 1

    def _draw(self) -> None:
        while not self._is_over.wait(_DRAWN_EVERY_S):
            if self._live_lines is not None:
                self._screen.draw(self._live_lines(self._screen.width, self._screen.height))


def _show_received(event: DeliveryReceived, stream: TextIO) -> None:
    show_lines(received_lines(event.received, pen_for(stream)), stream)
