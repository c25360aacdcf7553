"""Volumes that are in and no cards, as lines: deliveries with how far each is, and the rest."""

from collections.abc import Iterable
from dataclasses import dataclass

from offload.ledger import offloads
from offload.ledger.database import Ledger
from offload.ledger.pulse import Pulse
from offload.ledger.queue import Queued, Stage
from offload.values.paths import shown, to_text


@dataclass(frozen=True, slots=True)
class OtherLine:
    """One volume that is no card.

    Attributes:
        called: its label, or where it is mounted; safe to show.
        label: as the volume has it.
        mount_point: where it is; empty where a command in another shell works on it.
        stage: its place in line.
        why: a phrase, safe to show.
        run: pulse of the roll that is received from it; None where none is.
    """

    called: str
    label: str
    mount_point: bytes
    stage: Stage
    why: str
    run: Pulse | None


def other_lines(
    ledger: Ledger, rows: Iterable[Queued], runs: Iterable[Pulse]
) -> tuple[OtherLine, ...]:
    """The lines.

    Args:
        rows: of the station's line, without cards.
        runs: live pulses, without those of cards.

    Raises:
        LedgerError: it does not answer.
    """
    by_mounting = {offloads.get(ledger, run.offload).mounting: run for run in runs}
    lines = [
        OtherLine(
            shown(row.label) or to_text(row.mount_point),
            row.label,
            row.mount_point,
            row.stage,
            row.why,
            by_mounting.pop(row.mounting, None),
        )
        for row in rows
    ]
    # What is received without the station has no place in its line.
    lines += [
        OtherLine(run.roll or "delivery", "", b"", Stage.WORKING, "", run)
        for run in by_mounting.values()
    ]
    return tuple(lines)
