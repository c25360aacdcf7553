"""How everything stands, as lines: alarms first, then cards, what asks for an answer, drives.

Nothing here is a verdict: "was safe at 14:32" is history, and the words that a card may be erased
are never among it. Works from 60 columns and without colour.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from offload.cli.amounts import clock_after, count, duration, rate, size
from offload.cli.step_words import AFTERWARDS, BEFORE, GETTING_READY, NOTHING_SAID
from offload.cli.wrapping import advice, spread, wrapped
from offload.ledger.lease import said
from offload.ledger.pulse import DrivePulse, Pulse
from offload.ledger.queue import Stage
from offload.ledger.standing import Place
from offload.station.others import OtherLine
from offload.station.overview import CardLine, DriveLine, Overview
from offload.values.paths import shown, to_text
from offload.values.verdict import Answer

_INDENT = " " * 6
_NAME = 12
_HOLDS_SHOWN = 4


def status_lines(overview: Overview, width: int | None) -> list[str]:
    """The whole of it.

    Args:
        overview: see there.
        width: columns; None for lines that are not broken.
    """
    lines = [*_head(overview, width)]
    alarms = [card for card in overview.cards if card.is_alarm]
    if alarms:
        lines += _alarm(alarms, width)
    for card in overview.cards:
        if not card.is_alarm:
            lines += _card(card, width)
    for row in overview.others:
        lines += _other(row, width)
    if not overview.cards and not overview.others:
        lines.append("  No card today.")
    lines += _drives(overview, width)
    return lines


def _head(overview: Overview, width: int | None) -> list[str]:
    if overview.station is not None:
        left = f"station at work: {said(overview.station)}"
    else:
        left = "NO STATION IS AT WORK: cards are not noticed. Start it:  offload watch"
    return spread(left, f"{_moment(overview.at_ns):%a %d %b %Y, %H:%M:%S}", width, "  ")


def _alarm(cards: list[CardLine], width: int | None) -> Iterator[str]:
    bar = "!" * min(width or 60, 100)
    yield bar
    number = len(cards)
    words = "CARD IS" if number == 1 else "CARDS ARE"
    yield f"{number} {words} OUT AND NOT PROVEN. DO NOT ERASE."
    for card in cards:
        when = f"{_moment(card.changed_ns):%H:%M on %a %d %b}"
        facts = ", ".join(filter(None, (_about(card), _why_not_proven(card))))
        yield from wrapped(
            f"  {card.called:<{_NAME}} out since {when}; {facts}", width, "", _INDENT
        )
    yield "  DO  put it back in: the work goes on from there"
    yield bar


def _why_not_proven(card: CardLine) -> str:
    if card.answer is None:
        return "taken out before it was proven" if card.is_begun else "never worked on"
    if card.answer is Answer.CLEARED:
        return "it was changed after it was safe"
    return "held: " + ", ".join(hold.code for hold in card.holds)


def _card(card: CardLine, width: int | None) -> Iterator[str]:
    if card.run is not None:
        yield from _running(card, card.run, width)
        return
    when = f"{_moment(card.safe_ns):%H:%M on %a %d %b}" if card.safe_ns else ""
    if card.place is Place.OUT_WAS_SAFE:
        state = f"out; was safe at {when}" if when else "out; was safe as it was listed"
        if card.is_listed_only:
            state += ", and only listed since, not read"
    elif card.place is Place.DISMISSED:
        state = "out; a person has said that it needs no more care"
        if not card.mount_point:
            state = "known from the record on its drives alone"
    elif card.answer is Answer.CLEARED and when:
        state = f"in the reader; was safe at {when}"
    elif card.answer is Answer.HELD:
        state = "in the reader; KEEP IT"
    else:
        state = "in the reader; nothing is proven yet"
    yield from spread(f"{card.called:<{_NAME}} {state}", _about(card), width, _INDENT)
    row = card.queued
    if row is not None and row.why and (row.stage is not Stage.DONE or card.answer is None):
        why, *remedies = row.why.splitlines()
        yield from wrapped(why, width, _INDENT, _INDENT)
        yield from _to_do(remedies, width)
    if card.place is Place.IN_READER and card.answer is Answer.HELD:
        yield from _holds(card, width)


def _holds(card: CardLine, width: int | None) -> Iterator[str]:
    for number, hold in enumerate(card.holds[:_HOLDS_SHOWN], 1):
        head = f"{number} {hold.code}: {hold.text}"
        yield from wrapped(head, width, _INDENT, _INDENT + "  ")
        yield from _to_do(hold.remedy.splitlines(), width)
    if len(card.holds) > _HOLDS_SHOWN:
        yield f"{_INDENT}and {count(len(card.holds) - _HOLDS_SHOWN, 'reason')} more"


def _to_do(ways: Sequence[str], width: int | None) -> Iterator[str]:
    """One way to mend it a line; every one after the first begins with "or"."""
    for at, way in enumerate(ways):
        mark = "OR  " if at else "DO  "
        text = way.removeprefix("or ") if at else way
        yield from advice(text, width, f"{_INDENT}  {mark}", _INDENT + "      ")


def _running(card: CardLine, run: Pulse, width: int | None) -> Iterator[str]:
    head = f"{run.roll or card.called:<{_NAME}} KEEP THE CARD IN. Nothing is proven yet."
    when = f"verdict at about {_moment(run.verdict_ns):%H:%M}" if run.verdict_ns else ""
    yield from spread(head, when, width, _INDENT)
    yield f"{_INDENT}{_about(card)}"
    yield from _steps(run, "card", width)


def _receiving(other: OtherLine, run: Pulse, width: int | None) -> Iterator[str]:
    """A delivery that is being received; the words of cards are never said of one."""
    head = f"{other.called:<{_NAME}} {NOTHING_SAID}"
    roll = run.roll or "this roll"
    when = f"{roll} done at about {_moment(run.verdict_ns):%H:%M}" if run.verdict_ns else ""
    yield from spread(head, when, width, _INDENT)
    about = [run.roll, count(run.total_files, "file") if run.total_files else ""]
    about.append(to_text(other.mount_point))
    yield from wrapped(", ".join(filter(None, about)), width, _INDENT, _INDENT)
    yield from _steps(run, "delivery", width)


def _steps(run: Pulse, source: str, width: int | None) -> Iterator[str]:
    """Where a run is, and each of its drives."""
    if run.step not in ("copying", "proving"):
        words = {**BEFORE, **AFTERWARDS}.get(run.step, run.step or GETTING_READY)
        yield f"{_INDENT}{words.format(source)}"
        return
    if run.total_bytes:
        done = f"{run.step}: {size(run.done_bytes)} of {size(run.total_bytes)} read from the "
        done += f"{source}{_pace(run.rate_bytes_s, run.left_s)}"
    else:
        # Read once only: its part is over, and the drives are read back.
        done = run.step
    yield from wrapped(done, width, _INDENT, _INDENT + "  ")
    for drive in run.drives:
        yield from wrapped(_drive_pulse(drive, run.step), width, _INDENT + "  ", _INDENT + "    ")


def _drive_pulse(drive: DrivePulse, step: str) -> str:
    if drive.step == "failed":
        return f"{drive.name:<{_NAME}} dropped: {drive.note}"
    if drive.step == "done":
        done = "down" if step == "copying" else "read back"
        return f"{drive.name:<{_NAME}} {size(drive.total_bytes)}, all {done}"
    pace = _pace(drive.rate_bytes_s, drive.left_s)
    return f"{drive.name:<{_NAME}} {size(drive.done_bytes)}{pace}"


def _pace(rate_bytes_s: float, left_s: float) -> str:
    if not rate_bytes_s:
        return ""
    left = f", {duration(left_s)} left" if left_s >= 0 else ""
    return f"   {rate(rate_bytes_s)}{left}"


def _about(card: CardLine) -> str:
    parts = [count(card.files, "file"), size(card.total_bytes)]
    if card.code:
        parts.append(card.code)
    if card.place is not Place.IN_READER and card.drives:
        parts.append(f"on {', '.join(shown(name) for name in card.drives)}")
    return ", ".join(parts)


def _other(row: OtherLine, width: int | None) -> Iterator[str]:
    if row.run is not None:
        yield from _receiving(row, row.run, width)
        return
    text, *remedies = row.why.splitlines() or [row.stage.value]
    yield from spread(f"{row.called:<{_NAME}} {text}", to_text(row.mount_point), width, _INDENT)
    yield from _to_do(remedies, width)


def _drives(overview: Overview, width: int | None) -> Iterator[str]:
    if not overview.drives:
        yield "  No drive is known. Name them:  offload drive add NAME FOLDER"
        return
    yield "drives"
    for drive in overview.drives:
        yield from drive_lines(drive, width)


def drive_lines(drive: DriveLine, width: int | None) -> Iterator[str]:
    """One drive."""
    name = f"  {shown(drive.name):<{_NAME}}"
    if drive.is_retired:
        yield f"{name} retired; {count(drive.rolls, 'copy', 'copies')} on it"
        return
    state = "busy" if drive.is_busy else "ready" if drive.is_here else "NOT THERE"
    room = f"{size(drive.free_bytes)} free of {size(drive.size_bytes)}" if drive.size_bytes else ""
    parts = [part for part in (room, _full(drive)) if part]
    if not drive.is_named:
        parts.append("not in the settings")
    yield from wrapped(f"{name} {state:<9} {', '.join(parts)}".rstrip(), width, "", _INDENT)
    for fault in drive.faults[:1]:
        when = f"{_moment(fault.at_ns):%H:%M on %a %d %b}"
        yield from wrapped(f"failed at {when}: {shown(fault.text)}", width, _INDENT, _INDENT)


def _full(drive: DriveLine) -> str:
    if drive.full_in_s is None or drive.full_in_s > 7 * 86400:
        return ""
    return f"full at about {clock_after(drive.full_in_s)} at today's pace"


def _moment(at_ns: int) -> datetime:
    return datetime.fromtimestamp(at_ns / 1e9).astimezone()
