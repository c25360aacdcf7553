"""The station's log: one line an event, structured, in a file that never grows without end."""

import json
import logging
import logging.handlers
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from offload.errors import SettingsError, reason

_MOST_BYTES = 8 << 20
_FILES_KEPT = 5


class _Handler(logging.handlers.RotatingFileHandler):
    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the library's name
        """A full disk stops no card; the library would write a traceback."""


class Journal:
    """A rotating file of JSON lines. One that takes nothing any more stops nothing.

    Args:
        path: of the file.

    Raises:
        SettingsError: it cannot be opened.
    """

    def __init__(self, path: bytes) -> None:
        try:
            self._handler = _Handler(
                os.fsdecode(path), maxBytes=_MOST_BYTES, backupCount=_FILES_KEPT, encoding="ascii"
            )
        except OSError as error:
            raise SettingsError(
                f"the log cannot be written: {reason(error)}",
                path=path,
                meaning="The station was not started.",
                remedy="Give another file in the settings: [station] log",
            ) from error

    def write(self, event: Mapping[str, Any]) -> None:
        """Add one event, with the moment in front."""
        line = json.dumps({"at": datetime.now(UTC).isoformat(timespec="milliseconds"), **event})
        record = logging.LogRecord("offload", logging.INFO, "", 0, line, None, None)
        self._handler.emit(record)

    def close(self) -> None:
        """The end."""
        self._handler.close()
