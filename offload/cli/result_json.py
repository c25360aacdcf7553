"""One JSON object a line: events as they happen, the result last.

ASCII alone, whatever the stream's encoding, so that no byte of it can fail to be written or move a
cursor; every reader of JSON gets the same text back. Nothing but a newline ends an object.
"""

import json
from collections.abc import Mapping
from typing import Any, TextIO

from offload.clearance.words import phrase, safe
from offload.events import (
    CardCoded,
    CardListed,
    DriveDropped,
    DriveReadBack,
    DriveRoom,
    Event,
    Found,
    RollNamed,
    StepFinished,
    StepStarted,
)
from offload.jobs.outcome import Outcome
from offload.jobs.result import result_of
from offload.values.findings import Finding
from offload.values.paths import to_text


def write_event(event: Event, stream: TextIO) -> None:
    """Write one event."""
    _write(event_object(event), stream)


def write_result(outcome: Outcome, stream: TextIO) -> None:
    """Write the result; the last line of every ``--json``."""
    _write(result_of(outcome), stream)


def event_object(event: Event) -> dict[str, Any]:
    """An event as plain data: ``type`` is its name, and every text is printable."""
    match event:
        case StepStarted():
            return {"type": "step-started", "step": event.step}
        case StepFinished():
            elapsed_s = round(event.elapsed_s, 3)
            return {"type": "step-finished", "step": event.step, "elapsed_s": elapsed_s}
        case CardListed():
            return {
                "type": "card-listed",
                "files": event.files,
                "bytes": event.total_bytes,
                "digest": event.digest,
            }
        case CardCoded():
            return {"type": "card-coded", "code": event.code}
        case RollNamed():
            return {"type": "roll-named", "roll": safe(event.roll)}
        case Found():
            return _found(event.finding)
        case DriveRoom():
            free = event.free_at_end_bytes
            return {"type": "drive-room", "drive": safe(event.drive), "free_at_end_bytes": free}
        case DriveReadBack():
            return {
                "type": "drive-read-back",
                "drive": safe(event.drive),
                "files": event.files,
                "equal": event.equal,
            }
        case DriveDropped():
            return {
                "type": "drive-dropped",
                "drive": safe(event.drive),
                "reason": phrase(event.reason),
            }


def _found(finding: Finding) -> dict[str, Any]:
    return {
        "type": "found",
        "code": finding.code,
        "text": phrase(finding.text),
        "path": to_text(finding.path),
        "drive": safe(finding.drive),
    }


def line_of(value: Mapping[str, Any]) -> str:
    """One line, newline included.

    Raises:
        ValueError: a number that JSON has no form for; the caller's own bug.
    """
    return json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(", ", ": ")) + "\n"


def _write(value: Mapping[str, Any], stream: TextIO) -> None:
    stream.write(line_of(value))
    stream.flush()
