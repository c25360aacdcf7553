"""A delivery on a screen: the answer first, then where it is, what differs, and what to do."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from offload.clearance.words import phrase, safe
from offload.cli.amounts import duration, size
from offload.cli.live_view import LiveView
from offload.cli.run_view import RunView
from offload.cli.step_words import NOTHING_SAID
from offload.cli.styled_lines import Line
from offload.cli.verify_screen import INDENT, Pen
from offload.cli.verify_view import ROWS_SHOWN, each_reason, found_lines
from offload.jobs.receive_result import Received, ReceivedCopy
from offload.jobs.receive_sentences import (
    descents_of,
    first_words,
    headline,
    of_drive,
    of_roll,
    of_sent_files,
    too_few,
    whys,
)
from offload.jobs.verify_sentences import headline as of_record
from offload.jobs.verify_sentences import of_finding
from offload.transfer.counters import Progress


@dataclass(slots=True)
class DeliveryLines(LiveView):
    """The lines while a roll of a delivery is copied."""

    ANSWER: ClassVar[str] = NOTHING_SAID
    SOURCE: ClassVar[str] = "delivery"


class ReceiveRun(RunView):
    """Runs one receiving; its lines speak of no card."""

    def __init__(self, progress: Progress, *, as_json: bool, heading: str) -> None:
        super().__init__(progress, as_json=as_json)
        self._live = DeliveryLines(progress, heading=heading, card_reads=1)

    def times(self) -> str:
        """Where the time went, over all rolls; empty where nothing was done."""
        spent: dict[str, float] = {}
        for step, elapsed_s in self._steps:
            spent[step] = spent.get(step, 0.0) + elapsed_s
        parts = [f"{step} {duration(elapsed_s)}" for step, elapsed_s in spent.items()]
        return f"time went to: {', '.join(parts)}" if parts else ""


def received_lines(found: Received, pen: Pen) -> list[Line]:
    """The whole screen."""
    ended = found.verification.ended_at.astimezone().strftime("%a %d %b %Y, %H:%M:%S")
    style = "bold green" if found.is_done else "bold red"
    lines = pen.head(f"{safe(found.name)}  {first_words(found)}", ended, style)
    lines += pen.text(headline(found))
    lines += pen.text(of_record(found.verification))
    for number, (text, body) in enumerate(_reasons(found, pen), 1):
        lines += pen.text(text, f"{number:>3} ", INDENT, "bold")
        lines += body
    lines += _rolls(found, pen)
    lines += _drives(found, pen)
    for roll in found.rolls[:ROWS_SHOWN]:
        for text in descents_of(roll):
            lines += pen.row("descent", text)
    lines += found_lines(found.verification, pen, is_delivery=True)
    for text in _notes(found):
        lines += pen.row("note", text)
    return lines


def _reasons(found: Received, pen: Pen) -> Iterator[tuple[str, list[Line]]]:
    yield from each_reason(found.verification, pen, of_sent_files)
    short = [roll for roll in found.rolls if not roll.is_enough]
    for roll in short[:ROWS_SHOWN]:
        body = [line for why in whys(roll) for line in pen.text(why)]
        command = (b"receive", found.verification.folder, b"--to", b"GOOD-DRIVE", b"--to", b"DRIVE")
        body += pen.act("give it drives of its own; only what is missing is copied", command)
        yield f"too-few-copies: {too_few(roll)}", body
    if len(short) > ROWS_SHOWN:
        yield f"{len(short) - ROWS_SHOWN:,} more rolls on too few drives: see --json", []
    if not found.is_noted:
        words = "The ledger took not all of it down: it will not be found there later."
        again = (b"receive", found.verification.folder)
        yield f"ledger-not-written: {words}", list(pen.act("make room for it, then", again))


def _rolls(found: Received, pen: Pen) -> Iterator[Line]:
    for roll in found.rolls[:ROWS_SHOWN]:
        yield from pen.row(safe(roll.roll), f"{size(roll.total_bytes)}, {of_roll(roll)}")
    if len(found.rolls) > ROWS_SHOWN:
        yield from pen.row("", f"{len(found.rolls) - ROWS_SHOWN:,} more rolls: see --json")


def _drives(found: Received, pen: Pen) -> Iterator[Line]:
    drives: dict[str, list[ReceivedCopy]] = {}
    for roll in found.rolls:
        for copy in roll.drives:
            drives.setdefault(copy.drive, []).append(copy)
    for drive, copies in drives.items():
        yield from pen.row(safe(drive), of_drive(copies))


def _notes(found: Received) -> Iterator[str]:
    whys = {copy.not_recorded for roll in found.rolls for copy in roll.drives} - {""}
    for why in sorted(whys):
        yield f"no generation was added to the copies: {phrase(why)}"
    if found.not_appended:
        yield f"nothing was written on the delivery itself: {phrase(found.not_appended)}"
    told = [notice for roll in found.rolls for notice in roll.notices]
    for notice in told[:ROWS_SHOWN]:
        yield f"{phrase(notice.code)}: {of_finding(notice)}"
