"""The station's events as plain data, one JSON object a line."""

from typing import Any

from offload.cli.receive_json import received_object
from offload.cli.result_json import event_object
from offload.jobs.result import result_of
from offload.station.events import (
    CardLeft,
    DeliveryReceived,
    DriveCame,
    DriveLeft,
    Lined,
    NotReceived,
    NoVerdict,
    Recognised,
    RunReported,
    RunStarted,
    SettingsRefused,
    SettingsTaken,
    Slept,
    StationEvent,
    StationStarted,
    StationStopping,
    Subject,
    Trouble,
    VerdictGiven,
    VolumeCame,
    VolumeLeft,
)
from offload.values.paths import shown, to_text


def station_object(event: StationEvent) -> dict[str, Any]:
    """An event as plain data: ``type`` is its name, and every text is printable."""
    match event:
        case StationStarted(pid, home):
            return {"type": "station-started", "pid": pid, "home": to_text(home)}
        case StationStopping(why):
            return {"type": "station-stopping", "why": shown(why)}
        case DriveCame(name, mount_point):
            return {
                "type": "drive-came",
                "drive": shown(name),
                "mount_point": to_text(mount_point),
            }
        case DriveLeft(name):
            return {"type": "drive-left", "drive": shown(name)}
        case SettingsTaken(path):
            return {"type": "settings-taken", "path": to_text(path)}
        case SettingsRefused(path, text):
            return {"type": "settings-refused", "path": to_text(path), "text": text}
        case Slept(seconds):
            return {"type": "slept", "seconds": round(seconds)}
        case Trouble(text):
            return {"type": "trouble", "text": text}
        case _:
            return _about_volume(event)


def _about_volume(event: StationEvent) -> dict[str, Any]:
    match event:
        case VolumeCame(subject):
            return _of(subject, "volume-came")
        case VolumeLeft(subject):
            return _of(subject, "volume-left")
        case Recognised(subject, kind, text, command):
            words = [to_text(word) for word in command]
            return {**_of(subject, "recognised"), "kind": kind, "text": text, "command": words}
        case Lined(subject, stage, why, drives):
            waits = [shown(name) for name in drives]
            return {**_of(subject, "lined"), "stage": stage.value, "why": why, "drives": waits}
        case RunStarted(subject, drives):
            return {**_of(subject, "run-started"), "drives": [shown(name) for name in drives]}
        case RunReported(subject, inner):
            return {**_of(subject, ""), **event_object(inner)}
        case VerdictGiven(subject, outcome, is_listed, left_reader):
            how = {"is_listed": is_listed, "left_reader": left_reader}
            return {**_of(subject, ""), **result_of(outcome), "type": "verdict", **how}
        case DeliveryReceived(subject, received):
            return {**_of(subject, ""), **received_object(received), "type": "received"}
        case NotReceived(subject, code, text, remedy):
            said = {"code": code, "text": text, "remedy": remedy}
            return {**_of(subject, "not-received"), "error": said}
        case NoVerdict(subject, code, text, remedy):
            said = {"code": code, "text": text, "remedy": remedy}
            return {**_of(subject, "no-verdict"), "error": said}
        case CardLeft(subject, was_safe, text, was_listed_safe):
            left = {"was_safe": was_safe, "was_listed_safe": was_listed_safe, "text": text}
            return {**_of(subject, "card-left"), **left}
        case _:
            raise RuntimeError(f"an event without a form: {type(event).__name__}")


def _of(subject: Subject, kind: str) -> dict[str, Any]:
    return {
        "type": kind,
        "mounting": subject.mounting,
        "mount_point": to_text(subject.mount_point),
        "label": shown(subject.label),
        "roll": shown(subject.roll),
        "code": subject.code,
    }
