"""The commands of the user's choosing, run when a card is cleared or held.

A program and its arguments as the settings have them; no shell ever reads them. The facts are in
its environment, printable text. It gets nothing to read, a minute, and no say in anything: what it
does or how it ends changes no verdict.
"""

import contextlib
import os
import signal
import subprocess
import tempfile
import threading
from collections.abc import Callable, Mapping, Sequence

from offload.errors import reason
from offload.values.paths import shown

_LONGEST_S = 60.0
_SAID = 500


class Hooks:
    """Runs the commands, each in a thread of its own.

    Args:
        environment: what they inherit.
        tell: takes a sentence when one fails; called from its thread.
        longest_s: seconds before one is ended.
    """

    def __init__(
        self,
        environment: Mapping[str, str],
        tell: Callable[[str], None],
        longest_s: float = _LONGEST_S,
    ) -> None:
        self._environment = dict(environment)
        self._tell = tell
        self._longest_s = longest_s

    def run(self, command: Sequence[str], facts: Mapping[str, str]) -> None:
        """Start a command; returns at once.

        Args:
            command: program and arguments; nothing happens when it is empty.
            facts: names and printable values for its environment.
        """
        if not command:
            return
        environment = {**self._environment, **facts}
        thread = threading.Thread(
            target=self._run, args=(tuple(command), environment), name="hook", daemon=True
        )
        thread.start()

    def _run(self, command: tuple[str, ...], environment: Mapping[str, str]) -> None:
        # Into a file: a pipe that somebody it started keeps open would never end.
        with tempfile.TemporaryFile() as said:
            try:
                child = subprocess.Popen(
                    command,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=said,
                    env=dict(environment),
                    start_new_session=True,
                )
            except (OSError, ValueError) as error:
                why = reason(error) if isinstance(error, OSError) else str(error)
                self._tell(f"{shown(command[0])} could not be run: {why}")
                return
            try:
                status = child.wait(self._longest_s)
            except subprocess.TimeoutExpired:
                _end(child)
                self._tell(f"{shown(command[0])} was ended after {self._longest_s:g} s")
                return
            if status:
                words = shown(os.pread(said.fileno(), _SAID, 0).decode("utf-8", "replace").strip())
                self._tell(f"{shown(command[0])} ended with {status}: {words}")


def _end(child: "subprocess.Popen[bytes]") -> None:
    """End a command and what it started: its session was made for it alone."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child.pid, signal.SIGKILL)
    child.wait()
