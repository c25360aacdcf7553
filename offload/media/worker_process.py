"""One worker seen from the daemon: started, asked, timed, ended. POSIX.

The worker is a fresh interpreter in a session and process group of its own, with one socket, no
other descriptor and no environment. Ending it ends the whole group, and its place in the process
table is cleared at once.
"""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from offload.media.wire import MAX_REPLY_BYTES

START_TIMEOUT_S = 60.0
_STOP_TIMEOUT_S = 5.0
_END_TIMEOUT_S = 1.0
_READY = b"ready\n"
_PACKAGE_ROOT = str(Path(__file__).resolve().parents[2])
_PROGRAM = (
    "import socket,sys;"
    "sys.path.insert(0,sys.argv[1]);"
    "from offload.media.worker import serve;"
    "serve(socket.socket(fileno=int(sys.argv[2])))"
)


class WorkerGoneError(Exception):
    """A worker has ended, or had to be ended; the text says why.

    Attributes:
        is_timeout: it was ended because it took too long.
    """

    def __init__(self, why: str, *, is_timeout: bool = False) -> None:
        super().__init__(why)
        self.is_timeout = is_timeout


class WorkerProcess:
    """One running worker; not for two threads at once, except for :meth:`kill`.

    Args:
        command: what to run in place of the worker, for tests; the socket's number is appended.

    Raises:
        WorkerGoneError: it could not be started.
    """

    def __init__(self, command: Sequence[str] | None = None) -> None:
        if not hasattr(socket, "send_fds"):
            raise WorkerGoneError("this system cannot hand an open file to another program")
        # Isolated: no user site, no PYTHON... variables, nothing from the current folder.
        program = command or [sys.executable, "-I", "-c", _PROGRAM, _PACKAGE_ROOT]
        self._channel, theirs = socket.socketpair()
        try:
            self._process = subprocess.Popen(
                [*program, str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
                start_new_session=True,
                env={},
                cwd="/",
            )
        except OSError as error:
            self._channel.close()
            raise WorkerGoneError(f"the check could not be started: {error.strerror}") from error
        finally:
            theirs.close()
        self.asked = 0
        if self._read_line(START_TIMEOUT_S) != _READY:
            raise self._gone("the check could not be started")

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    def ask(self, line: bytes, descriptor: int, timeout_s: float) -> bytes:
        """Send one request with an open descriptor, and wait for the answer.

        Args:
            line: the request, with its newline.
            descriptor: open for reading; stays its owner's.
            timeout_s: seconds by the wall clock.

        Raises:
            WorkerGoneError: no answer in time, the worker ended, or the answer is too long; the
                worker has been stopped.
        """
        self.asked += 1
        try:
            self._channel.settimeout(timeout_s)
            socket.send_fds(self._channel, [line], [descriptor])
        except OSError as error:
            raise self._gone(self._how_it_ended()) from error
        return self._read_line(timeout_s)

    def kill(self) -> None:
        """End it and everything it may have started, and do not wait; from any thread."""
        if self._process.poll() is None:
            # Its group has its own number: it was started as the leader of a new session.
            with suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)

    def stop(self) -> None:
        """End it, and clear its place in the process table. Twice is once."""
        self.kill()
        # A process that waits for a dying drive ends only when the drive answers; nobody can do
        # more than leave it, and it must not take us along.
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(_STOP_TIMEOUT_S)
        self._channel.close()

    def _read_line(self, timeout_s: float) -> bytes:
        deadline = time.monotonic() + timeout_s
        line = bytearray()
        while not line.endswith(b"\n"):
            left_s = deadline - time.monotonic()
            if left_s <= 0:
                raise self._gone(f"no answer within {timeout_s:.0f} s", is_timeout=True)
            if len(line) > MAX_REPLY_BYTES:
                raise self._gone("the check gave an answer without end")
            part = self._receive(left_s)
            if part is not None:
                line += part
        return bytes(line)

    def _receive(self, left_s: float) -> bytes | None:
        self._channel.settimeout(left_s)
        try:
            part = self._channel.recv(65536)
        except TimeoutError:
            return None
        except OSError as error:
            raise self._gone(self._how_it_ended()) from error
        if not part:
            raise self._gone(self._how_it_ended())
        return part

    def _gone(self, why: str, *, is_timeout: bool = False) -> WorkerGoneError:
        self.stop()
        return WorkerGoneError(why, is_timeout=is_timeout)

    def _how_it_ended(self) -> str:
        try:
            code = self._process.wait(_END_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            return "the program that reads clips closed its connection"
        if code >= 0:
            return f"the program that reads clips ended by itself ({code})"
        if -code == signal.SIGXCPU:
            return "it needs more computing time than a check may use"
        return f"the program that reads clips was ended by {_signal_name(-code)}"


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
