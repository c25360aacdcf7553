"""One roll as the ledger has it: a line of history, and never a verdict."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from offload.cli.amounts import count
from offload.cli.wrapping import wrapped
from offload.ledger import clearances, copies, offloads
from offload.ledger.database import Ledger
from offload.ledger.offloads import Offload, Work
from offload.ledger.rolls import Roll
from offload.values.paths import shown, to_text

_INDENT = " " * 15
_READ_BACK = {
    "device": "read from the device",
    "server": "read from the server",
    "cached": "not shown to be read from the device",
    "none": "not read back",
}


def known_roll(ledger: Ledger, roll: Roll) -> dict[str, Any]:
    """One roll as a JSON object."""
    runs = offloads.of_roll(ledger, roll.roll)
    given = clearances.of_roll(ledger, roll.roll)
    last = runs[0] if runs else None
    is_from_records = last is not None and last.work is Work.REBUILT
    # Of a roll without a clearance a record does not say how its run ended.
    answer = last.answer if last and (given or not is_from_records) else None
    return {
        "type": "roll",
        "roll": shown(roll.name),
        "code": roll.code,
        "production": shown(roll.production),
        "day": roll.day,
        "runs": len(runs),
        "last": _moment(last.changed_ns) if last else "",
        "answer": answer.value if answer else "none",
        "from_records": is_from_records,
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


def roll_lines(known: dict[str, Any], width: int | None, *, is_whole: bool) -> Iterator[str]:
    """One roll for people.

    Args:
        known: see :func:`known_roll`.
        width: columns; None for unbroken lines.
        is_whole: every copy has a line of its own.
    """
    unsaid = "recorded" if known["from_records"] else "no verdict"
    was = {"cleared": "was safe", "held": "was held"}.get(known["answer"], unsaid)
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


def _received(run: Offload | None) -> str:
    """What was said of a roll that came with a delivery; empty for a card's."""
    if run is None or run.work is not Work.RECEIVE:
        return ""
    return shown(str(run.verdict.get("words", ""))).lower() or "in part"


def _moment(at_ns: int) -> str:
    return f"{datetime.fromtimestamp(at_ns / 1e9).astimezone():%Y-%m-%d %H:%M}"
