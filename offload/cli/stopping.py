"""Ctrl-C: the first asks for a clean stop, the second ends the program at once."""

import os
import signal
import threading
from collections.abc import Callable


def stopping(stop: threading.Event) -> Callable[[], None]:
    """What installs the handlers, in the thread that waits for the job."""

    def on_signal(number: int, frame: object) -> None:
        if stop.is_set():
            os._exit(130)
        stop.set()

    def install() -> None:
        signal.signal(signal.SIGINT, on_signal)
        signal.signal(signal.SIGTERM, on_signal)

    return install
