"""Telling the service manager: ready, alive, stopping. A datagram each, no library needed.

Source: sd_notify(3), "Notes": the address is a path, or an abstract name where it begins with
``@``; ``WATCHDOG=1`` is due well within the time that the unit's ``WatchdogSec`` gives.
"""

import contextlib
import socket
import time
from collections.abc import Callable


class Notifier:
    """Speaks to the service manager; silent where there is none.

    Args:
        address: value of ``NOTIFY_SOCKET``; empty where absent.
        watchdog_us: value of ``WATCHDOG_USEC``, microseconds; 0 where absent.
        clock: seconds, only ever growing.
    """

    def __init__(
        self,
        address: str = "",
        watchdog_us: int = 0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address
        # Half of the time given, as the manual advises, and a little less.
        self._pause_s = watchdog_us / 1e6 * 0.4
        self._clock = clock
        self._told_at = float("-inf")

    def ready(self, status: str) -> None:
        """Begun: volumes are watched."""
        self._send(f"READY=1\nSTATUS={status}")

    def status(self, text: str) -> None:
        """One line for ``systemctl status``."""
        self._send(f"STATUS={text}")

    def stopping(self) -> None:
        """The end begins."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """Still at work; called as often as one likes."""
        now = self._clock()
        if self._pause_s and now - self._told_at >= self._pause_s:
            self._told_at = now
            self._send("WATCHDOG=1")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        # A service manager that does not listen is no reason to stop copying.
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender,
        ):
            sender.sendto(text.encode("utf-8", "replace"), self._address)
