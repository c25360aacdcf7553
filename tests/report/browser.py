"""A real browser without a window, spoken to over two pipes (Chrome DevTools Protocol).

It has a profile of its own and no network to speak of; it is ended with its whole group.
"""

import json
import os
import shutil
import signal
import subprocess
from pathlib import Path
from types import TracebackType
from typing import Any, Self

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser") or ""
_FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
    *("--disable-dev-shm-usage", "--remote-debugging-pipe"),
)


class Browser:
    """One page in one browser.

    Args:
        folder: for its profile.
    """

    def __init__(self, folder: Path) -> None:
        to_read, self._to = os.pipe()
        self._from, to_write = os.pipe()
        # The browser reads its commands from descriptor 3 and answers on 4.
        shell = f'exec "$0" "$@" 3<&{to_read} 4>&{to_write}'
        self._process = subprocess.Popen(
            ["bash", "-c", shell, PROGRAM, *_FLAGS, f"--user-data-dir={folder}", "about:blank"],
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        os.close(to_read)
        os.close(to_write)
        self._left = b""
        self._number = 0
        self._session = ""
        self.told: list[dict[str, Any]] = []

    def __enter__(self) -> Self:
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        attached = self.ask("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for part in ("Page", "Runtime", "Network", "Log"):
            self.ask(f"{part}.enable")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        os.close(self._to)
        os.close(self._from)

    def open(self, page: Path) -> None:
        """Show a file, and wait until it is loaded."""
        self.told.clear()
        self.ask("Page.navigate", url=page.as_uri())
        while not any(each.get("method") == "Page.loadEventFired" for each in self.told):
            self.told.append(self._message())

    def value(self, script: str) -> Any:
        """What a script says in the page; it is not bound by the page's policy."""
        found = self.ask(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def requests(self) -> list[str]:
        """Addresses that the page asked for, itself first."""
        return [
            each["params"]["request"]["url"]
            for each in self.told
            if each.get("method") == "Network.requestWillBeSent"
        ]

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command and its answer; events in between are kept in ``told``."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._message()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                result: dict[str, Any] = answer["result"]
                return result
            self.told.append(answer)

    def _message(self) -> dict[str, Any]:
        while b"\0" not in self._left:
            part = os.read(self._from, 1 << 16)
            assert part, "the browser has ended"
            self._left += part
        message, _, self._left = self._left.partition(b"\0")
        found: dict[str, Any] = json.loads(message)
        return found
