"""``offload status``: how everything stands, from any shell."""

import json
import time
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from offload.cli.options import JSON, SETTINGS

if TYPE_CHECKING:
    from offload.settings import Settings
    from offload.station.overview import Overview

app = typer.Typer(rich_markup_mode=None, add_completion=False)

_EVERY_S = 1.0


@app.command()
def status(
    settings: SETTINGS = "",
    as_json: JSON = False,
    follow: Annotated[
        bool, typer.Option("--follow", help="Go on showing it until Ctrl-C.")
    ] = False,
) -> int:
    """Every card of the day and where it is, runs, holds with what to do, and the drives.

    It reads the ledger, so it works from any shell and when the station is stopped. Exit code 1
    when a card is out and not proven.
    """
    from offload.cli.screen import Screen
    from offload.cli.session import read_settings, surroundings
    from offload.cli.status_view import status_lines
    from offload.cli.wrapping import cut
    from offload.ledger.database import Ledger
    from offload.station.overview import read_overview

    found = read_settings(settings, {})
    screen = Screen()
    machine = surroundings()
    with Ledger(found.station.home) as ledger:
        while True:
            overview = read_overview(ledger, machine, found.drives, day_began_ns(found))
            if as_json:
                screen.write(json.dumps(overview_object(overview)) + "\n")
            elif follow and screen.is_terminal:
                lines = status_lines(overview, screen.width)
                screen.draw([cut(line, screen.width) for line in lines[: screen.height]])
            else:
                width = screen.width if screen.is_terminal else None
                screen.write("".join(f"{line}\n" for line in status_lines(overview, width)))
            if not follow:
                break
            time.sleep(_EVERY_S)
    return 1 if any(card.is_alarm for card in overview.cards) else 0


def day_began_ns(settings: "Settings") -> int:
    """When the shooting day that is on now began, nanoseconds since 1970."""
    from offload.card.folder import shooting_day

    now = datetime.now().astimezone()
    starts = settings.production.day_starts
    began = datetime.combine(shooting_day(now, starts), starts).astimezone()
    if began > now:
        # The clocks were put forward over the moment at which days begin.
        began -= timedelta(days=1)
    return int(began.timestamp() * 1e9)


def overview_object(overview: "Overview") -> dict[str, Any]:
    """Everything as plain data, every text printable."""
    from offload.values.paths import shown, to_text

    holder = overview.station
    return {
        "type": "status",
        "at_ns": overview.at_ns,
        "station": asdict(holder) if holder is not None else None,
        "cards": [
            {
                "called": card.called,
                "code": card.code,
                "label": shown(card.label),
                "place": card.place.value,
                "mount_point": to_text(card.mount_point),
                "changed_ns": card.changed_ns,
                "was_safe_ns": card.safe_ns,
                "is_listed_only": card.is_listed_only,
                "files": card.files,
                "bytes": card.total_bytes,
                "last_answer": card.answer.value if card.answer else "none",
                "holds": [asdict(hold) for hold in card.holds],
                "drives": [shown(name) for name in card.drives],
                "stage": card.queued.stage.value if card.queued else "",
                "why": card.queued.why if card.queued else "",
                "run": asdict(card.run) if card.run is not None else None,
            }
            for card in overview.cards
        ],
        "others": [
            {
                "label": shown(row.label),
                "mount_point": to_text(row.mount_point),
                "stage": row.stage.value,
                "why": row.why,
                "run": asdict(row.run) if row.run is not None else None,
            }
            for row in overview.others
        ],
        "drives": [drive_object(drive) for drive in overview.drives],
    }


def drive_object(drive: Any) -> dict[str, Any]:
    """One drive as plain data."""
    from offload.values.paths import shown, to_text

    return {
        "name": shown(drive.name),
        "is_here": drive.is_here,
        "is_named": drive.is_named,
        "is_busy": drive.is_busy,
        "is_retired": drive.is_retired,
        "path": to_text(drive.path),
        "size_bytes": drive.size_bytes,
        "free_bytes": drive.free_bytes,
        "written_today_bytes": drive.written_bytes,
        "full_in_s": None if drive.full_in_s is None else round(drive.full_in_s),
        "copies": drive.rolls,
        "faults": [{"text": shown(each.text), "at_ns": each.at_ns} for each in drive.faults],
    }
