"""The pages themselves: self-contained HTML, no script, no network, readable without colour.

Everything is escaped twice over: text that is not printable never reaches a template, and the
template engine escapes what means something in HTML. The policy in the page's head forbids all but
its one style sheet, named by its hash, and the pictures inside it.
"""

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from offload import __version__
from offload.ledger import rolls, standing
from offload.ledger.rolls import Roll
from offload.ledger.standing import Place
from offload.report.clip_lines import ClipLine
from offload.report.roll_facts import RollFacts, Sources, Totals, added, roll_facts
from offload.report.said import Standing
from offload.report.spelling import moment, phrase, running_time, safe, size
from offload.values.probed import Picture

PAGE_MARK = b"<!doctype html>\n<!-- a page of offload -->"
"""How every page begins; a file that begins otherwise is not ours to replace."""

MOST_CLIPS = 2000
MOST_PICTURE_BYTES = 32 << 20
"""Of all pictures of a page, as JPEG; a third more as text."""

_PLACES = {
    Place.IN_READER: "in a reader",
    Place.OUT_NOT_PROVEN: "out of its reader",
    Place.OUT_WAS_SAFE: "out of its reader",
    Place.DISMISSED: "put aside by a person",
}
_LISTS = {
    "xxh128": ("xxhsum -c", "xxh128"),
    "xxh64": ("xxhsum -c", "xxh64"),
    "xxh3": ("xxhsum -c", "xxh3"),
    "md5": ("md5sum -c", "md5"),
    "sha1": ("sha1sum -c", "sha1"),
    "sha256": ("sha256sum -c", "sha256"),
    "sha512": ("sha512sum -c", "sha512"),
    "c4": ("sha512sum -c", "sha512"),
}


@dataclass(frozen=True, slots=True)
class AlarmCard:
    """A card that no verdict has cleared, as it was last listed."""

    name: str
    code: str
    seen: str
    place: str


@dataclass(frozen=True, slots=True)
class DriveRolls:
    """A drive and the rolls that a page has on it."""

    name: str
    volume: str
    free: str
    is_retired: bool
    rolls: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Day:
    """One day of a production."""

    name: str
    totals: Totals
    not_cleared: int


@dataclass(frozen=True, slots=True)
class Page:
    """What stands on a page around its rolls.

    Attributes:
        title, heading: of the page.
        made: when.
        csv: name of the table beside it; empty where there is none.
        rolls: on it, in their order.
        shown: clips that are shown, by number of the roll.
        totals: of all rolls.
        drives, days, cards, lists: further parts, by kind of page.
    """

    title: str
    heading: str
    made: str
    csv: str
    rolls: tuple[RollFacts, ...]
    shown: dict[int, Sequence[ClipLine]]
    totals: Totals
    drives: tuple[DriveRolls, ...] = ()
    days: tuple[Day, ...] = ()
    cards: tuple[AlarmCard, ...] = ()
    lists: tuple[str, ...] = ()
    version: str = field(default=__version__)

    @property
    def csv_link(self) -> str:
        """The table's name as a relative address; a colon in it starts no scheme."""
        return "./" + quote(self.csv.encode("utf-8", "surrogateescape"), safe="")

    @property
    def style(self) -> Markup:
        """The style sheet, which is ours."""
        return Markup(_style())  # a file of this package

    @property
    def style_hash(self) -> str:
        """What the policy names it by."""
        digest = hashlib.sha256(_style().encode("utf-8")).digest()
        return "sha256-" + base64.b64encode(digest).decode("ascii")


def page_of_roll(facts: RollFacts, sources: Sources, made_ns: int, csv: str = "") -> bytes:
    """The page of one roll."""
    heading = ", ".join(part for part in (facts.production, f"day of {facts.roll.day}") if part)
    page = Page(
        f"Roll {facts.name}",
        heading,
        moment(made_ns, sources.zone),
        csv,
        (facts,),
        _shown((facts,)),
        facts.totals,
        lists=tuple(_lists(facts)),
    )
    return _rendered("roll.html", page, facts=facts)


def page_of_day(
    day: str, found: Sequence[RollFacts], sources: Sources, made_ns: int, csv: str = ""
) -> bytes:
    """The page of one shooting day.

    Args:
        day: as the ledger has it.
        found: the day's rolls, in the order in which they are shown.
    """
    when = date.fromisoformat(day)
    page = Page(
        f"Day {when:%Y-%m-%d}",
        ", ".join(dict.fromkeys(each.production for each in found if each.production)),
        moment(made_ns, sources.zone),
        csv,
        tuple(found),
        _shown(found),
        added([each.totals for each in found]),
        _drives(found),
        cards=_alarms(sources),
    )
    return _rendered("day.html", page)


def page_of_production(
    production: str, found: Sequence[RollFacts], sources: Sources, made_ns: int, csv: str = ""
) -> bytes:
    """The page of a production: days, rolls and drives; clips are on the other pages."""
    page = Page(
        safe(production) or "All rolls",
        "Production",
        moment(made_ns, sources.zone),
        csv,
        tuple(found),
        {},
        added([each.totals for each in found]),
        _drives(found),
        tuple(_days(found)),
        _alarms(sources),
    )
    return _rendered("production.html", page)


def rolls_of_production(sources: Sources, production: str) -> list[Roll]:
    """All rolls of a production, the oldest first; all there are where it has no name."""
    found: list[Roll] = []
    before_ns = 1 << 62
    while some := rolls.newest(sources.ledger, before_ns=before_ns):
        found += [roll for roll in some if not production or roll.production == production]
        before_ns = some[-1].made_ns
    return found[::-1]


def facts_of(
    sources: Sources, found: Iterable[Roll], *, with_pictures: bool = True
) -> tuple[RollFacts, ...]:
    """What a page says of several rolls."""
    return tuple(roll_facts(sources, roll, with_pictures=with_pictures) for roll in found)


def _rendered(template: str, page: Page, **more: Any) -> bytes:
    text = _environment().get_template(template).render(page=page, **more)
    return text.encode("utf-8")


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("offload.report"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["size"] = size
    made.filters["running_time"] = running_time
    made.filters["data_uri"] = _data_uri
    return made


def _printable(value: Any) -> Any:
    """The last look at every text before it is escaped; markup of our own stays."""
    return phrase(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def _style() -> str:
    return files("offload.report").joinpath("templates", "page.css").read_text("utf-8")


def _data_uri(picture: Picture) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(picture.jpeg).decode("ascii")


def _shown(found: Sequence[RollFacts]) -> dict[int, Sequence[ClipLine]]:
    """Clips within the bounds of one page; those that come first come first."""
    left, room = MOST_CLIPS, MOST_PICTURE_BYTES
    shown: dict[int, Sequence[ClipLine]] = {}
    for facts in found:
        lines: list[ClipLine] = []
        for line in facts.clips[:left]:
            room -= len(line.picture.jpeg) if line.picture else 0
            if room < 0:
                break
            lines.append(line)
        left -= len(lines)
        shown[facts.roll.roll] = lines
    return shown


def _lists(facts: RollFacts) -> Iterable[str]:
    if facts.said.run is None:
        return
    for checksum in facts.said.run.checksums:
        if checksum in _LISTS:
            program, suffix = _LISTS[checksum]
            yield f"{program} records/{facts.name}/{facts.name}.{suffix}"


def _drives(found: Sequence[RollFacts]) -> tuple[DriveRolls, ...]:
    names: dict[tuple[str, str, bool], list[str]] = {}
    free: dict[tuple[str, str, bool], str] = {}
    for facts in found:
        for line in facts.drives:
            key = (line.name, line.volume, line.is_retired)
            names.setdefault(key, []).append(facts.name)
            free[key] = line.free
    return tuple(
        DriveRolls(key[0], key[1], free[key], key[2], tuple(rolls)) for key, rolls in names.items()
    )


_NO_CARD_KEPT = frozenset({Standing.CLEARED, Standing.RECEIVED, Standing.RECEIVED_OTHERWISE})


def _days(found: Sequence[RollFacts]) -> Iterable[Day]:
    by_day: dict[str, list[RollFacts]] = {}
    for facts in found:
        by_day.setdefault(facts.roll.day, []).append(facts)
    for day, its in sorted(by_day.items()):
        not_cleared = sum(each.said.standing not in _NO_CARD_KEPT for each in its)
        yield Day(day, added([each.totals for each in its]), not_cleared)


def _alarms(sources: Sources) -> tuple[AlarmCard, ...]:
    cards = []
    for each in standing.not_proven(sources.ledger):
        roll = each.rolls[0].name if each.rolls else ""
        name = safe(roll or each.card.hints.label) or "a card without a name"
        seen = moment(each.card.last_seen_ns, sources.zone)
        cards.append(AlarmCard(name, each.card.code, seen, _PLACES[each.place]))
    return tuple(cards)
