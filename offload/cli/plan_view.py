"""A plan as a table for people and as one JSON object."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from offload.cli.amounts import count, duration, size
from offload.cli.wrapping import wrapped
from offload.media.codec_names import find_codec
from offload.media.frame_rate import rate_text
from offload.media.plan import Plan, Recording, Shoot, Speeds
from offload.media.rates import Basis

_LABEL = 20
_BASIS = {
    Basis.PUBLISHED: "published",
    Basis.SCALED: "published for another frame rate, times the frame rate",
    Basis.BY_AREA: "published for another raster, by picture area; within a few per cent",
    Basis.MEASURED: "measured",
    Basis.GIVEN: "",
}


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan and what it was asked for.

    Attributes:
        recording, shoot: what was asked.
        plan: the sums.
        speeds: for the hours of offload; None where none is known.
    """

    recording: Recording
    shoot: Shoot
    plan: Plan
    speeds: Speeds | None


def as_json(planned: Planned) -> dict[str, Any]:
    """One object; hours of offload are null where no speed is known."""
    recording, shoot, speeds = planned.recording, planned.shoot, planned.speeds
    sums = planned.plan.to_dict()
    if speeds is None:
        sums.update(offload_s_per_card=None, offload_s_per_day=None)
    return {
        "type": "plan",
        "codec": recording.codec,
        "width": recording.width,
        "height": recording.height,
        "playback_rate": str(recording.playback_rate),
        "sensor_rate": str(recording.sensor_rate),
        "channels": recording.channels,
        "camera_minutes_per_day": round(float(shoot.camera_minutes_a_day), 1),
        "days": shoot.days,
        "cameras": shoot.cameras,
        "card_bytes": shoot.card_bytes,
        "drive_bytes": shoot.drive_bytes,
        "copies": shoot.copies,
        "reserve": float(shoot.reserve),
        **sums,
        "speeds_source": speeds.source if speeds else None,
    }


def lines(planned: Planned, width: int | None) -> list[str]:
    """The table; each line a name and what it comes to.

    Args:
        width: columns; None for lines that are not broken.
    """
    found: list[str] = []
    for label, text in _rows(planned):
        found += wrapped(text, width, f"{label:<{_LABEL}}", " " * _LABEL)
    return found


def _rows(planned: Planned) -> list[tuple[str, str]]:
    plan, shoot = planned.plan, planned.shoot
    cards = f"{count(plan.cards_per_day, 'card')} of {size(shoot.card_bytes)}"
    cards += f", {shoot.cameras} cameras with cards of their own" if shoot.cameras > 1 else ""
    return [
        ("recording", _recording_text(planned.recording)),
        ("data rate", _rate_text(plan)),
        ("a card lasts", _card_text(planned)),
        ("a day", f"{_minutes(shoot.camera_minutes_a_day)} of recording: {_day_text(planned)}"),
        ("cards for a day", f"{cards}, none used twice"),
        ("in all", f"{size(plan.bytes_in_all)} on each copy, {count(shoot.days, 'day')}"),
        ("drives", _drives_text(planned)),
        ("offload", _offload_text(planned)),
    ]


def _recording_text(recording: Recording) -> str:
    known = find_codec(recording.codec)
    parts = [
        known.name if known else recording.codec,
        f"{recording.width}x{recording.height}",
        f"{rate_text(recording.sensor_rate)} frames a second",
    ]
    if recording.speed != 1:
        parts[-1] += (
            f" for playback at {rate_text(recording.playback_rate)}, "
            f"filling a card {_times(recording.speed)} as fast"
        )
    sound = count(recording.channels, "channel") if recording.channels else "no sound"
    return ", ".join([*parts, sound])


def _times(speed: Fraction) -> str:
    return f"{float(speed):.2f} times"


def _rate_text(plan: Plan) -> str:
    rate = plan.rate
    how = ": ".join(part for part in (_BASIS[rate.basis], rate.source) if part)
    sound = (
        f", and {plan.sound_bits_per_s / 1e6:.3g} Mb/s of sound" if plan.sound_bits_per_s else ""
    )
    return f"{rate.megabits_per_s:,.0f} Mb/s of picture ({how}){sound}"


def _card_text(planned: Planned) -> str:
    plan = planned.plan
    text = f"{_minutes(plan.camera_minutes_per_card)} of {size(planned.shoot.card_bytes)}"
    if plan.speed == 1:
        return text
    return f"{text} recorded, {_minutes(plan.screen_minutes_per_card)} on screen"


def _day_text(planned: Planned) -> str:
    return f"{size(planned.plan.bytes_per_day)} on each copy"


def _drives_text(planned: Planned) -> str:
    shoot, drives = planned.shoot, planned.plan.drives
    each = drives // shoot.copies
    copies = count(shoot.copies, "copy", "copies")
    own = f"{copies}, {each} for each" if shoot.copies > 1 else copies
    return (
        f"{count(drives, 'drive')} of {size(shoot.drive_bytes)}: {own}, "
        f"{float(shoot.reserve * 100):.3g} % of each left free"
    )


def _offload_text(planned: Planned) -> str:
    plan, speeds = planned.plan, planned.speeds
    if speeds is None:
        return (
            "not known: no speed was given, and no offload of this station was measured yet; "
            "give --card-speed and --drive-speed"
        )
    return (
        f"{duration(plan.offload_s_per_day)} a day, {duration(plan.offload_s_per_card)} for a full "
        f"card, copying and proving (speeds {speeds.source})"
    )


def _minutes(minutes: Fraction) -> str:
    return duration(float(minutes) * 60)
