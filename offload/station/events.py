"""What the station tells its faces: few, typed, in order, none of them dropped.

A face is a terminal, a line of JSON, a log. Texts are safe to show; labels and rolls are raw.
"""

from collections.abc import Callable
from dataclasses import dataclass

from offload.events import Event
from offload.jobs.outcome import Outcome
from offload.jobs.receive_result import Received
from offload.ledger.queue import Stage


@dataclass(frozen=True, slots=True)
class Subject:
    """What an event is about: one volume that is, or was, in.

    Attributes:
        mounting: key of its mounting.
        mount_point: absolute.
        label: as the volume has it.
        roll, code: as far as they are known.
    """

    mounting: str
    mount_point: bytes
    label: str
    roll: str = ""
    code: str = ""


@dataclass(frozen=True, slots=True)
class StationStarted:
    """The station keeps this ledger from now on."""

    pid: int
    home: bytes


@dataclass(frozen=True, slots=True)
class StationStopping:
    """It was asked to stop; runs that are under way go on at the next start."""

    why: str


@dataclass(frozen=True, slots=True)
class VolumeCame:
    """A volume was mounted that may be a card."""

    subject: Subject


@dataclass(frozen=True, slots=True)
class Recognised:
    """What the volume is.

    Attributes:
        kind: ``card``, ``delivery``, ``drive``, ``unknown``, ``empty``,
            ``unreadable``, ``restless``.
        text: a sentence: what it is, and what a person can do about it.
        command: what to type, raw words; empty where there is nothing to type.
    """

    subject: Subject
    kind: str
    text: str
    command: tuple[bytes, ...] = ()


@dataclass(frozen=True, slots=True)
class Lined:
    """The volume's place in line has changed."""

    subject: Subject
    stage: Stage
    why: str
    drives: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RunStarted:
    """Copying and proving begin, or go on."""

    subject: Subject
    drives: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RunReported:
    """A step of the run reports."""

    subject: Subject
    event: Event


@dataclass(frozen=True, slots=True)
class VerdictGiven:
    """The answer for a card.

    Attributes:
        outcome: all of it.
        is_listed: from a listing and the ledger; nothing was read.
        left_reader: the card was unmounted before these words were said.
    """

    subject: Subject
    outcome: Outcome
    is_listed: bool = False
    left_reader: bool = False


@dataclass(frozen=True, slots=True)
class DeliveryReceived:
    """A delivery was checked and copied."""

    subject: Subject
    received: Received


@dataclass(frozen=True, slots=True)
class NotReceived:
    """A delivery could not be received to the end: nothing is said of it."""

    subject: Subject
    code: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class NoVerdict:
    """A run ended without an answer: keep the card."""

    subject: Subject
    code: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class CardLeft:
    """A card has left the reader.

    Attributes:
        was_safe: its last verdict, in this mounting, had cleared it.
        text: a sentence, safe to show.
        was_listed_safe: it was not read in this mounting, and was listed as when an earlier verdict
            had cleared it; a twin may be listed alike.
    """

    subject: Subject
    was_safe: bool
    text: str
    was_listed_safe: bool = False

    @property
    def is_alarm(self) -> bool:
        """Whether nothing ever cleared what left: the loudest alarm there is."""
        return not (self.was_safe or self.was_listed_safe)


@dataclass(frozen=True, slots=True)
class VolumeLeft:
    """Something that is no card has left."""

    subject: Subject


@dataclass(frozen=True, slots=True)
class DriveCame:
    """A drive of the settings is there."""

    name: str
    mount_point: bytes


@dataclass(frozen=True, slots=True)
class DriveLeft:
    """A drive of the settings has left."""

    name: str


@dataclass(frozen=True, slots=True)
class SettingsTaken:
    """The settings were edited, and are in force now."""

    path: bytes


@dataclass(frozen=True, slots=True)
class SettingsRefused:
    """The settings were edited and are wrong; the ones before stay in force."""

    path: bytes
    text: str


@dataclass(frozen=True, slots=True)
class Slept:
    """The machine was asleep."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something beside the cards went wrong; the work goes on."""

    text: str


StationEvent = (
    StationStarted
    | StationStopping
    | VolumeCame
    | Recognised
    | Lined
    | RunStarted
    | RunReported
    | VerdictGiven
    | NoVerdict
    | DeliveryReceived
    | NotReceived
    | CardLeft
    | VolumeLeft
    | DriveCame
    | DriveLeft
    | SettingsTaken
    | SettingsRefused
    | Slept
    | Trouble
)
StationSink = Callable[[StationEvent], None]
