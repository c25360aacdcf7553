"""One offload's result as plain data: the last line of ``--json``, and what the ledger keeps."""

from collections.abc import Sequence
from itertools import islice
from typing import Any

from offload.clearance.origin import copy_document
from offload.clearance.statement import StatedRoll
from offload.jobs.outcome import Outcome
from offload.values.paths import shown, to_text
from offload.values.verdict import CopySummary, Hold, Notice

PATHS_SHOWN = 1000
"""Paths of one hold; all of them are in the ledger and in the record."""


def result_of(outcome: Outcome) -> dict[str, Any]:
    """The result; every text and path in it is escaped and printable.

    The keys are those that the README lists; more may be added, none is taken away.
    """
    verdict, inventory = outcome.verdict, outcome.facts.inventory
    return {
        "type": "result",
        "verdict": verdict.answer.value,
        "headline": verdict.headline,
        "declarations": list(verdict.declarations),
        "holds": [_hold(hold) for hold in verdict.holds],
        "notices": [_notice(notice) for notice in verdict.notices],
        "settled": list(verdict.settled),
        "card": to_text(outcome.card),
        "label": shown(outcome.label),
        "code": outcome.context.code,
        "roll": shown(outcome.context.roll),
        "copies": [_copy(copy, outcome) for copy in verdict.copies],
        "rolls": [_roll(roll) for roll in outcome.rolls],
        "copies_counted": verdict.copies_counted,
        "card_reads": outcome.facts.policy.card_reads,
        "bytes": inventory.total_bytes,
        "files": inventory.file_count,
        "files_safe": verdict.files_safe,
        "manifest": {
            shown(name): {"path": to_text(recorded.manifest_path), "c4": recorded.manifest_c4}
            for name, recorded in outcome.recorded.items()
        },
        "clearance": _clearance(outcome),
        "started": outcome.started_at.isoformat(),
        "ended": outcome.ended_at.isoformat(),
    }


def _clearance(outcome: Outcome) -> dict[str, Any] | None:
    published = outcome.clearance
    if published is None:
        return None
    paths = {shown(name): to_text(path) for name, path in published.paths.items()}
    return {"c4": published.c4, "paths": paths}


def _hold(hold: Hold) -> dict[str, Any]:
    return {
        "code": hold.code,
        "text": hold.text,
        "remedy": hold.remedy,
        "settleable": hold.is_settleable,
        "paths": _paths(hold.paths),
        "path_count": len(hold.paths),
        "drives": [shown(drive) for drive in hold.drives],
        "details": list(hold.details),
    }


def _notice(notice: Notice) -> dict[str, Any]:
    return {
        "code": notice.code,
        "text": notice.text,
        "paths": _paths(notice.paths),
        "path_count": len(notice.paths),
        "drives": [shown(drive) for drive in notice.drives],
    }


def _copy(copy: CopySummary, outcome: Outcome) -> dict[str, Any]:
    source = outcome.descends_from.get(copy.drive)
    return {
        "drive": shown(copy.drive),
        "path": to_text(copy.path),
        "verified": copy.proven,
        "files": copy.files,
        "read_back": copy.read_back.value,
        "counts": copy.counts,
        "why_not": copy.why_not,
        "names_read": copy.names_read,
        "descends_from": source and copy_document(source),
    }


def _roll(roll: StatedRoll) -> dict[str, Any]:
    return {
        "roll": roll.roll,
        "code": roll.code,
        "files": roll.files,
        "bytes": roll.total_bytes,
        "beyond": roll.beyond,
        "copies": [
            {
                "drive": copy.drive,
                "path": copy.path,
                "manifest": {"path": to_text(copy.manifest.path), "c4": copy.manifest.c4},
            }
            for copy in roll.copies
        ],
    }


def _paths(paths: Sequence[bytes]) -> list[str]:
    return [to_text(path) for path in islice(paths, PATHS_SHOWN)]
