"""``offload rolls``: what the ledger knows."""

import json
from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Any

import typer

from offload.cli.amounts import count
from offload.cli.options import JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)

_MOST = 200
_INDENT = " " * 15
_READ_BACK = {
    "device": "read from the device",
    "server": "read from the server",
    "cached": "not shown to be read from the device",
    "none": "not read back",
}


@app.command()
def rolls(
    word: Annotated[
        str, typer.Argument(help="A roll, a card code or a label.", metavar="ROLL")
    ] = "",
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """What the ledger knows of rolls: when they were copied, where the copies are, how it ended.

    A line here is history and no verdict: whether a card may be erased now, offload check says.
    """
    from offload.cli.screen import Screen
    from offload.cli.session import read_settings
    from offload.errors import UsageError
    from offload.ledger.database import Ledger
    from offload.ledger.rolls import find, newest
    from offload.values.paths import shown

    screen = Screen()
    width = screen.width if screen.is_terminal else None
    with Ledger(read_settings(settings, {}).station.home) as ledger:
        found = find(ledger, word) if word else newest(ledger, _MOST)
        if word and not found:
            raise UsageError(
                f"the ledger knows no roll '{shown(word)}'",
                remedy="All rolls:  offload rolls",
            )
        for roll in found:
            known = _known(ledger, roll)
            if as_json:
                typer.echo(json.dumps(known))
            else:
                typer.echo("\n".join(_lines(known, width, is_whole=bool(word))))
    if not found and not as_json:
        typer.echo("No roll yet. The first one:  offload copy CARD --to DRIVE --to DRIVE")
    return 0


def _known(ledger: Any, roll: Any) -> dict[str, Any]:
    from offload.ledger import clearances, copies, offloads
    from offload.values.paths import shown, to_text

    runs = offloads.of_roll(ledger, roll.roll)
    given = clearances.of_roll(ledger, roll.roll)
    last = runs[0] if runs else None
    return {
        "type": "roll",
        "roll": shown(roll.name),
        "code": roll.code,
        "production": shown(roll.production),
        "day": roll.day,
        "runs": len(runs),
        "last": _moment(last.changed_ns) if last else "",
        "answer": last.answer.value if last and last.answer else "none",
        "received": _received(last),
        "safe_at": _moment(given[0].given.at_ns) if given else "",
        "is_void": bool(given and given[0].voided_ns is not None),
        "copies": [
            {
                "drive": shown(copy.drive_name),
                "path": to_text(copy.result.path),
                "stage": copy.result.stage.value,
                "read_back": copy.result.read_back.value,
                "proven": copy.result.proven_files,
                "failure": copy.result.failure,
            }
            for copy in (copies.of_offload(ledger, last.offload) if last else ())
        ],
    }


def _lines(known: dict[str, Any], width: int | None, *, is_whole: bool) -> Iterator[str]:
    from offload.cli.wrapping import wrapped

    was = {"cleared": "was safe", "held": "was held"}.get(known["answer"], "no verdict")
    if known["received"]:
        was = f"received {known['received']},"
    at = known["safe_at"] if known["answer"] == "cleared" else known["last"]
    head = f"{known['roll']:<12} {known['day']}  {known['code']:<8} {was} at {at}"
    drives = ", ".join(copy["drive"] for copy in known["copies"])
    if not is_whole:
        yield from wrapped(f"{head}   on {drives}" if drives else head, width, "", _INDENT)
        return
    yield from wrapped(head, width, "", _INDENT)
    for copy in known["copies"]:
        yield from wrapped(_copy_line(copy), width, "", _INDENT)
    if not known["received"]:
        yield "  Whether the card may be erased now:  offload check"


def _copy_line(copy: dict[str, Any]) -> str:
    failure = f" ({copy['failure']})" if copy["failure"] else ""
    stage = "" if copy["stage"] == "proven" else f"{copy['stage']}, "
    files = f"{count(copy['proven'], 'file')} proven, {_READ_BACK[copy['read_back']]}"
    return f"  {copy['drive']:<12} {stage}{files}: {copy['path']}{failure}"


def _received(run: Any) -> str:
    """What was said of a roll that came with a delivery; empty for a card's."""
    from offload.ledger.offloads import Work
    from offload.values.paths import shown

    if run is None or run.work is not Work.RECEIVE:
        return ""
    return shown(str(run.verdict.get("words", ""))).lower() or "in part"


def _moment(at_ns: int) -> str:
    return f"{datetime.fromtimestamp(at_ns / 1e9).astimezone():%Y-%m-%d %H:%M}"
