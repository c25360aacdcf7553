"""``offload setup`` as it is met for the first time: in a terminal, question by question."""

import os
import pty
import select
import struct
import subprocess
import termios
import time
from fcntl import ioctl
from pathlib import Path

import pytest

from tests.cli.stations import DiskStation
from tests.lab.images import EXT4, Rack

pytestmark = pytest.mark.lab

_COLUMNS = 80
_PATIENCE_S = 30.0


class Terminal:
    """A command in a terminal of 80 columns; what it shows, and what is typed."""

    def __init__(self, station: DiskStation, *words: str) -> None:
        self._own, inner = pty.openpty()
        ioctl(inner, termios.TIOCSWINSZ, struct.pack("=HHHH", 24, _COLUMNS, 0, 0))
        self._process = subprocess.Popen(
            station.command(*words),
            stdin=inner,
            stdout=inner,
            stderr=inner,
            env=station.environment,
            cwd=station.home.parent,
        )
        os.close(inner)
        self.shown = ""
        self._seen = 0

    def wait_for(self, text: str) -> None:
        """Until this is shown behind what was waited for before; it may have come with that."""
        deadline = time.monotonic() + _PATIENCE_S
        while text not in self.shown[self._seen :]:
            left_s = max(0.0, deadline - time.monotonic())
            assert select.select([self._own], [], [], left_s)[0], self.shown
            assert self._read(), self.shown
        self._seen = self.shown.index(text, self._seen) + len(text)

    def type(self, line: str) -> None:
        os.write(self._own, line.encode() + b"\n")

    def end(self) -> int:
        try:
            while self._read():
                pass
            return self._process.wait(_PATIENCE_S)
        finally:
            os.close(self._own)

    def _read(self) -> bool:
        try:
            piece = os.read(self._own, 4096)
        except OSError:
            # The other side is closed: all was shown.
            return False
        self.shown += piece.decode()
        return bool(piece)


def test_first_setup_asks_and_ends_ready(rack: Rack, tmp_path: Path) -> None:
    drives = [rack.volume(EXT4, name=f"shuttle-{at}") for at in (1, 2)]
    station = DiskStation(tmp_path / "station", "")
    terminal = Terminal(station, "setup")
    terminal.wait_for("Just Enter takes what stands in brackets.")
    for question, answer in (
        ("Production", "Night Ferry"),
        ("Proven copies", ""),
        ("Folder of a roll", ""),
        ("Folder of a drive", "/no/such/folder"),
        # Not a word of its name before it is one.
        ("Folder of a drive", str(drives[0].root)),
        ("Its name [shuttle-1]", ""),
        ("Folder of a drive", str(drives[1].root)),
        ("Its name [shuttle-2]", ""),
        ("Folder of a drive", ""),
    ):
        terminal.wait_for(question)
        terminal.type(answer)
    assert terminal.end() == 0
    assert "there is no folder /no/such/folder." in terminal.shown
    assert "drives    shuttle-1, shuttle-2" in terminal.shown
    assert "Ready. Watch for cards:  offload watch" in terminal.shown
    assert "offload drive add" not in terminal.shown
    text = station.settings.read_text()
    assert text.count("Night Ferry") == 1


def test_long_words_of_a_drive_break_at_spaces(tmp_path: Path) -> None:
    folder = tmp_path / "a-folder-of-this-computer"
    folder.mkdir()
    station = DiskStation(tmp_path / "station", "")
    terminal = Terminal(station, "drive", "add", "laptop", str(folder))
    assert terminal.end() == 0
    lines = [line.rstrip("\r") for line in terminal.shown.split("\n")]
    assert all(len(line) < _COLUMNS or " " not in line.strip() for line in lines), lines
    assert "It is on a disk that this computer runs from." in terminal.shown
