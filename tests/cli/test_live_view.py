"""What stands on the terminal while a card is copied: never wider than it, the answer first.

Widths are in columns of a terminal: a wide character takes two (Unicode Standard Annex 11).
"""

import re
import shlex
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from rich.cells import cell_len

from offload.cli.live_view import LiveView
from offload.transfer.counters import Lane, Pass, Progress
from offload.values.findings import Finding
from tests.cli.stations import Bench
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import Rack

STEPS = ("", "inventory", "preflight", "copying", "proving", "record")
NAMES = ("shuttle-1", "\u5199\u771f\u9928\u306e\u30c7\u30a3\u30b9\u30af" * 3, "x" * 90, "a\x1b[2J")
ANSWER = "KEEP THE CARD IN. Nothing is proven yet."


def view(step: str = "copying", *, name: str = "shuttle-1", failure: str = "") -> LiveView:
    progress = Progress(step=step, code="K7-4M2P")
    for counters in (progress.copying, progress.proving):
        fill(counters, name, failure)
    if step == "copying":
        progress.proving = Pass("proving")
    return LiveView(progress, heading="Night Ferry", roll="A001", files=41, total_bytes=118 * 10**9)


def fill(counters: Pass, name: str, failure: str) -> None:
    counters.begin()
    counters.started_ns -= 60 * 10**9
    now = time.monotonic_ns()
    counters.card = Lane("card", 118 * 10**9, 71 * 10**9, 20, last_ns=now)
    lane = Lane(name, 118 * 10**9, 70 * 10**9, 20, last_ns=now, failure=failure)
    counters.drives[name] = lane


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("name", NAMES, ids=["usual", "wide", "long", "escape"])
@pytest.mark.parametrize("failure", ["", "input/output error (EIO) " * 8], ids=["well", "failed"])
def test_no_line_is_wider_than_the_screen(step: str, name: str, failure: str) -> None:
    made = view(step, name=name, failure=failure)
    made.roll = made.heading = name
    made.tell(Finding("clip-unfinished", "was never closed " * 9, b"\xe5\x86\x99" * 60 + b".mov"))
    for width in (20, 40, 59, 79, 131, 300):
        for line in made.lines(width):
            assert cell_len(line) <= width, (width, line)
            assert line.isprintable(), line


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("name", ["A001", *NAMES[1:]], ids=["usual", "wide", "long", "escape"])
def test_answer_is_on_the_first_line_however_long_the_name(step: str, name: str) -> None:
    made = view(step)
    made.roll = name
    for width in (60, 80, 132):
        assert ANSWER in made.lines(width)[0]


def test_time_of_the_verdict_is_told_whole_or_not_at_all() -> None:
    assert "verdict at about" in view().lines(80)[0]
    for width in range(45, 132):
        _, _, told = view().lines(width)[0].partition("verdict at about ")
        assert told == "" or re.match(r"\d\d:\d\d", told)


def test_one_reading_is_not_announced_as_two() -> None:
    made = view()
    assert any("card once more" in line for line in made.lines(100))
    made.card_reads = 1
    assert not any("card once more" in line for line in made.lines(100))


class Terminal:
    """A terminal of a size, by ``tmux`` on a server of its own."""

    def __init__(self, folder: Path, columns: int) -> None:
        self._tmux = ["tmux", "-S", str(folder / "tmux.sock"), "-f", "/dev/null"]
        # In the foreground: what runs in it then descends from the test, as faults have it.
        self._server = subprocess.Popen([*self._tmux, "-D"], stdin=subprocess.DEVNULL)
        while not (folder / "tmux.sock").exists():
            assert self._server.poll() is None, "the terminal did not start"
            time.sleep(0.02)
        size = ["-x", str(columns), "-y", "40"]
        self._do("new-session", "-d", *size, "bash --norc --noprofile")

    def type(self, line: str) -> None:
        self._do("send-keys", "-l", line)
        self._do("send-keys", "Enter")

    def wait(self, is_so: Callable[[list[str]], bool]) -> list[str]:
        """The screen, once it is so; a line that the terminal had to break comes as one."""
        deadline = time.monotonic() + 60
        while True:
            text = self._do("capture-pane", "-p", "-J")
            lines = [line.rstrip() for line in text.splitlines()]
            if is_so(lines):
                return lines
            assert time.monotonic() < deadline, text
            time.sleep(0.1)

    def close(self) -> None:
        subprocess.run([*self._tmux, "kill-server"], check=False, capture_output=True)
        self._server.wait(10)

    def _do(self, *words: str) -> str:
        done = subprocess.run([*self._tmux, *words], check=True, capture_output=True, text=True)
        return done.stdout


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[[int], Terminal]]:
    made: list[Terminal] = []

    def make(columns: int) -> Terminal:
        made.append(Terminal(tmp_path, columns))
        return made[-1]

    yield make
    for one in made:
        one.close()


def command(bench: Bench) -> str:
    names = ("OFFLOAD_HOME", "OFFLOAD_SETTINGS", "PYTHONPATH")
    own = [f"{name}={shlex.quote(bench.station.environment[name])}" for name in names]
    words = [word.decode() for word in bench.station.command(*bench.words())]
    return f"clear; {' '.join(own)} {shlex.join(words)}; echo exit:$?"


def answered(lines: list[str]) -> list[str]:
    """From the line with the answer on."""
    starts = [at for at, line in enumerate(lines) if line.startswith("A001  ")]
    assert len(starts) < 2, "the view is drawn in place"
    return lines[starts[0] :] if starts else []


@pytest.mark.lab
@pytest.mark.parametrize("columns", [60, 80, 132])
def test_terminal_shows_the_answer_first_and_breaks_no_line(
    rack: Rack,
    tmp_path: Path,
    faulty_disk: Callable[..., FaultFs],
    terminal: Callable[[int], Terminal],
    columns: int,
) -> None:
    """Caught in the middle of a clip, then at its end."""
    bench = Bench(rack, tmp_path)
    card = faulty_disk("card")
    (card.backing / "A001C001.mov").write_bytes(bytes(range(256)) * 40_000)
    bench.card.root = card.root
    card.plan(Fault("read", "hang", path=r".*\.mov", at=9_000_000))
    screen = terminal(columns)
    screen.type(command(bench))
    card.wait_hanging(60)
    live = answered(screen.wait(lambda seen: bool(answered(seen))))
    assert live[0].startswith(f"A001  {ANSWER}")
    assert all(cell_len(line) <= columns for line in live), live
    card.release()
    lines = screen.wait(lambda seen: "exit:0" in seen)
    verdict = answered(lines)
    assert verdict[0].startswith("A001  SAFE TO ERASE IN CAMERA")
    assert all(cell_len(line) <= columns for line in verdict), verdict
    assert not any(ANSWER in line for line in lines), "nothing of the view is left"


def test_slow_drive_that_left_is_told_what_it_still_gets() -> None:
    made = view("proving")
    lane = made.progress.copying.drives["shuttle-1"]
    lane.rest_bytes, lane.total_bytes = 48 * 10**9, lane.done_bytes
    made.progress.copying.end()
    told = [line for line in made.lines(100) if "shuttle-1" in line]
    assert "70.0 GB down, 48.0 GB after the others are read back" in told[0]


def test_device_that_is_through_is_not_called_silent() -> None:
    made = view("proving")
    card = made.progress.proving.card
    card.done_bytes = card.total_bytes
    card.last_ns = time.monotonic_ns() - 60 * 10**9
    lines = made.lines(100)
    assert any("118.0 GB, all read from the card" in line for line in lines)
    assert not any("no byte for" in line for line in lines)
