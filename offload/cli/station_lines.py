"""The station's events as sentences, for a pipe or a terminal; each says first what it is about."""

from offload.clearance.shell import command_line
from offload.cli.amounts import duration
from offload.cli.run_view import sentence
from offload.cli.wrapping import advice, wrapped
from offload.ledger.queue import Stage
from offload.station.events import (
    CardLeft,
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
    VolumeCame,
    VolumeLeft,
)
from offload.values.paths import shown, to_text

ALARM = "!" * 60
_DO = "  DO  "


def lines_of(event: StationEvent, width: int | None = None) -> list[str]:
    """What to say; nothing for a verdict, which has a screen of its own.

    Args:
        width: columns; None for lines that are not broken.
    """
    lines: list[str] = []
    for line in _said(event):
        if line.startswith(_DO):
            lines += advice(line.removeprefix(_DO), width, _DO, " " * len(_DO))
        else:
            lines += wrapped(line, width, "", "  ")
    return lines


def _said(event: StationEvent) -> list[str]:
    match event:
        case StationStarted():
            return ["Watching for cards. Put one in; Ctrl-C stops cleanly."]
        case StationStopping(why):
            return [f"Stopping ({why}). What is unfinished goes on at the next start."]
        case DriveCame(name, mount_point):
            return [f"drive {shown(name)} is there: {to_text(mount_point)}"]
        case DriveLeft(name):
            return [f"drive {shown(name)} has left"]
        case SettingsTaken(path):
            return [f"the settings were edited and are in force: {to_text(path)}"]
        case SettingsRefused(_, text):
            return [f"THE SETTINGS WERE EDITED AND ARE WRONG; the ones before stay. {text}"]
        case Slept(seconds):
            return [f"the computer was asleep for {duration(seconds)}"]
        case Trouble(text):
            return [text]
        case _:
            return _about_volume(event)


def _about_volume(event: StationEvent) -> list[str]:
    match event:
        case VolumeCame(subject):
            return [f"{_name(subject)}: mounted at {to_text(subject.mount_point)}"]
        case VolumeLeft(subject):
            return [f"{_name(subject)}: has left"]
        case Recognised(subject, _, text, command):
            lines = [f"{_name(subject)}: {text}"]
            return [*lines, f"{_DO}{command_line(command)}"] if command else lines
        case Lined(subject, stage, why, _):
            return [f"{_name(subject)}: {why}"] if stage is not Stage.DONE else []
        case RunStarted(subject, drives):
            return [f"{_name(subject)}: begins, to {', '.join(shown(d) for d in drives)}"]
        case RunReported(subject, inner):
            text = sentence(inner)
            return [f"{_name(subject)}: {text}"] if text else []
        case NoVerdict(subject, _, text, remedy):
            head = f"{_name(subject)}: KEEP THE CARD. No verdict could be given: {text}"
            return [head, *(f"{_DO}{way}" for way in remedy.splitlines())] if remedy else [head]
        case NotReceived(subject, _, text, remedy):
            head = f"{_name(subject)}: NOT RECEIVED. Keep the delivery: {text}"
            return [head, *(f"{_DO}{way}" for way in remedy.splitlines())] if remedy else [head]
        case CardLeft(text=text):
            return [ALARM, text, ALARM] if event.is_alarm else [text]
        case _:
            return []


def _name(subject: Subject) -> str:
    return shown(subject.roll or subject.label) or to_text(subject.mount_point)
