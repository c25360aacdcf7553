"""Keeping the machine from going to sleep while it copies and proves.

A child of the system's own tool holds the lock, tied to this process so that it ends with it even
when this one is killed. Where nothing can be had, that is said and the work goes on. Sources:
systemd-inhibit(1), caffeinate(8), the system's documentation of SetThreadExecutionState.
"""

import os
import select
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import IO, Self

from offload.values.paths import shown

_START_S = 5.0
_END_S = 5.0
_MARK = b"held\n"
# The lock is taken before the inner command begins, so its first word says that it is held; it then
# reads until our end of the pipe closes, which also happens when this process dies.
_INNER = ("sh", "-c", "echo held; exec cat >/dev/null")

_ES_CONTINUOUS = 0x8000_0000
_ES_SYSTEM_REQUIRED = 0x0000_0001


@dataclass(frozen=True, slots=True)
class Way:
    """One command that keeps the machine awake as long as its standard input stays open."""

    command: tuple[str, ...]
    keeps_lid: bool
    says_so: bool


def system_ways(why: str) -> tuple[Way, ...]:
    """The commands of this system, the most thorough first."""
    if sys.platform == "darwin":
        return (Way(("caffeinate", "-i", "-m", "-s", "-w", str(os.getpid())), False, False),)
    lock = ("systemd-inhibit", "--who=offload", f"--why={why}", "--mode=block")
    return (
        Way((*lock, "--what=sleep:idle:handle-lid-switch", *_INNER), True, True),
        Way((*lock, "--what=sleep:idle", *_INNER), False, True),
    )


class Awake:
    """Keeps the machine awake between :meth:`start` and :meth:`stop`.

    Args:
        why: what is going on, shown by the system to whoever wants it to sleep.
        ways: commands to try.
        set_state: SetThreadExecutionState, on Windows.

    Attributes:
        is_kept: the machine is kept awake.
        keeps_lid: closing the lid does not put it to sleep either.
        reason: why it is not kept awake, a phrase; else empty.
    """

    def __init__(
        self,
        why: str,
        ways: Sequence[Way] | None = None,
        set_state: Callable[[int], int] | None = None,
    ) -> None:
        self.is_kept = False
        self.keeps_lid = False
        self.reason = ""
        self._ways = system_ways(why) if ways is None else ways
        self._set_state = set_state or _windows_call()
        self._child: subprocess.Popen[bytes] | None = None
        self._is_over = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Try to keep the machine awake; :attr:`is_kept` and :attr:`reason` say the outcome."""
        if self._set_state is not None:
            self._start_thread(self._set_state)
            return
        for way in self._ways:
            self._child, self.reason = _begin(way)
            if self._child is not None:
                self.is_kept, self.keeps_lid = True, way.keeps_lid
                return

    def check(self) -> bool:
        """Whether the machine is still kept awake: the lock's holder may have been ended."""
        if self._child is not None and self._child.poll() is not None:
            self.is_kept = self.keeps_lid = False
            self.reason = "the command that kept it awake has ended"
        return self.is_kept

    def stop(self) -> None:
        """Let the machine sleep again; the child is ended by its own id. Safe to call twice."""
        self._is_over.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        if self._child is not None:
            _end(self._child)
            self._child = None
        self.is_kept = self.keeps_lid = False

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def _start_thread(self, set_state: Callable[[int], int]) -> None:
        """Windows ties the state to the thread that asked for it, so one stays for it."""
        is_asked = threading.Event()

        def hold() -> None:
            self.is_kept = bool(set_state(_ES_CONTINUOUS | _ES_SYSTEM_REQUIRED))
            is_asked.set()
            self._is_over.wait()
            set_state(_ES_CONTINUOUS)

        self._thread = threading.Thread(target=hold, name="awake", daemon=True)
        self._thread.start()
        is_asked.wait()
        self.reason = "" if self.is_kept else "the system refused"


def _begin(way: Way) -> tuple[subprocess.Popen[bytes] | None, str]:
    """Start one command; the child when it holds the lock, else why not."""
    try:
        child = subprocess.Popen(
            way.command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd="/",
            # Ctrl-C at the terminal ends the copying in order, and only then the lock.
            start_new_session=True,
        )
    except OSError as error:
        return None, f"{way.command[0]}: {(error.strerror or str(error)).lower()}"
    if _is_holding(child, way):
        return child, ""
    return None, f"{way.command[0]}: {_complaint(child)}"


def _is_holding(child: subprocess.Popen[bytes], way: Way) -> bool:
    if not way.says_so:
        return child.poll() is None
    pipe = child.stdout
    if pipe is None:
        return False
    seen = b""
    while len(seen) < len(_MARK) and _is_readable(pipe):
        part = os.read(pipe.fileno(), len(_MARK) - len(seen))
        if not part:
            break
        seen += part
    return seen == _MARK


def _is_readable(pipe: IO[bytes]) -> bool:
    readable, _, _ = select.select([pipe], [], [], _START_S)
    return bool(readable)


def _complaint(child: subprocess.Popen[bytes]) -> str:
    """End a command that keeps nothing awake, and hand back what it said."""
    if child.poll() is None:
        child.terminate()
    try:
        _, said = child.communicate(timeout=_END_S)
    except subprocess.TimeoutExpired:
        child.kill()
        _, said = child.communicate()
    text = shown(said.decode("utf-8", "surrogateescape").strip())
    return text or f"exit status {child.returncode}"


def _end(child: subprocess.Popen[bytes]) -> None:
    if child.stdin is not None:
        child.stdin.close()
    try:
        child.wait(_END_S if sys.platform != "darwin" else 0)
    except subprocess.TimeoutExpired:
        child.terminate()
        try:
            child.wait(_END_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
    for pipe in (child.stdout, child.stderr):
        if pipe is not None:
            pipe.close()


def _windows_call() -> Callable[[int], int] | None:
    if sys.platform == "win32":
        import ctypes

        kernel = ctypes.WinDLL("kernel32")
        return lambda state: int(kernel.SetThreadExecutionState(ctypes.c_uint32(state)))
    return None
