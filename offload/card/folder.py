"""The folder that a roll's copy lies in on every drive, from a template such as
``{production}/{day}/{roll}``.

Each field's value is made a name that every drive can hold. The last part is the roll's own name
and nothing else: the record lies beside it, and two rolls never share a folder.
"""

import string
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from datetime import time as clock_time

from offload.errors import SettingsError
from offload.values import portable
from offload.values.paths import shown

TEMPLATE = "{production}/{day}/{roll}"
MIDNIGHT = clock_time(0, 0)
FIELDS = ("production", "day", "day_number", "camera", "roll")
_LAST = "{roll}"
_DEEPEST = 8


@dataclass(frozen=True, slots=True)
class Occasion:
    """What the fields of a template stand for.

    Attributes:
        production: as in the settings.
        day: the shooting day, see :func:`shooting_day`.
        roll: a checked roll name, or ``unnamed-CODE``.
        camera: camera letters, or empty.
        first_day: the day with number 1; None where none is set.
    """

    production: str
    day: date
    roll: str
    camera: str = ""
    first_day: date | None = None


def shooting_day(moment: datetime, day_starts: clock_time = MIDNIGHT) -> date:
    """The day that a moment belongs to: before ``day_starts`` it is still the day before.

    Args:
        moment: in the local time of the shoot.
        day_starts: by the clock on the wall; 06:00 makes a night shoot one day.
    """
    today = moment.date()
    return today - timedelta(days=1) if moment.time() < day_starts else today


def checked_template(template: str) -> str:
    """A folder template from the settings, when it can be used.

    Raises:
        SettingsError: unknown field, unmatched brace, a part that is no name, or another last part
            than ``{roll}``.
    """
    _parts(template)
    return template


def roll_folder(template: str, occasion: Occasion) -> bytes:
    """The roll's folder below a drive's folder, relative, as bytes.

    Raises:
        SettingsError: the template cannot be used, or a field it names has no value.
    """
    values = _values(occasion)
    parts = [_filled(part, values, template) for part in _parts(template)[:-1]]
    return "/".join([*parts, occasion.roll]).encode("utf-8")


def _values(occasion: Occasion) -> Mapping[str, str]:
    number = ""
    if occasion.first_day is not None:
        number = f"{(occasion.day - occasion.first_day).days + 1:03d}"
    return {
        "production": occasion.production,
        "day": occasion.day.isoformat(),
        "day_number": number,
        "camera": occasion.camera,
        "roll": occasion.roll,
    }


def _parts(template: str) -> list[str]:
    parts = template.split("/")
    if parts[-1] != _LAST:
        raise _wrong(template, f"does not end in {_LAST}")
    if len(parts) > _DEEPEST:
        raise _wrong(template, f"is more than {_DEEPEST} folders deep")
    for part in parts:
        _check_part(part, template)
    return parts


def _check_part(part: str, template: str) -> None:
    literal = ""
    for text, field in _pieces(part, template):
        literal += text
        if field is not None and field not in FIELDS:
            raise _wrong(template, f"has an unknown field {{{shown(field)}}}")
        literal += "x" if field is not None else ""
    fault = portable.name_fault(literal)
    if fault:
        raise _wrong(template, f"has a part '{shown(part)}' that {fault}")
    if portable.is_ours(literal):
        raise _wrong(template, f"has a part '{shown(part)}' that is taken by the program's own")


def _pieces(part: str, template: str) -> list[tuple[str, str | None]]:
    try:
        pieces = list(string.Formatter().parse(part))
    except ValueError as error:
        raise _wrong(template, f"cannot be read: {error}") from error
    if any(spec or conversion for _, _, spec, conversion in pieces):
        raise _wrong(template, "has a format or conversion, which fields here do not take")
    return [(text, field) for text, field, _, _ in pieces]


def _filled(part: str, values: Mapping[str, str], template: str) -> str:
    made = ""
    for text, field in _pieces(part, template):
        value = "" if field is None else portable.portable_part(values[field])
        if field is not None and not value:
            raise SettingsError(
                f"the folder template '{shown(template)}' needs {field}, which is not known here",
                remedy=_remedy_for(field),
            )
        made += text + value
    return portable.portable_part(made)


def _remedy_for(field: str) -> str:
    settings = {
        "production": "Set production.name to a name with letters or digits in it.",
        "day_number": "Set production.first_day.",
    }
    return settings.get(field, f"Take {{{field}}} out of cards.folder.")


def _wrong(template: str, why: str) -> SettingsError:
    fields = " ".join(f"{{{field}}}" for field in FIELDS)
    return SettingsError(
        f"the folder template '{shown(template)}' {why}",
        remedy=f"Fields are {fields}; the last part is {_LAST} alone, as in {TEMPLATE}",
    )
