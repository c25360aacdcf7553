"""Bringing what hand-made copies lack: only those files, only to the drives that lack them.

Looked for by content first, copied beside the hand-made files into a roll of their own with a
record of its own, and then everything is looked for once more: the answer rests on that last
reading alone, since it begins after the last byte is down.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from offload.jobs.by_content import check_by_content
from offload.jobs.offloading import offload_card
from offload.jobs.outcome import Outcome
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger.copies import is_proven
from offload.values.entries import Kind
from offload.values.facts import Facts

SUFFIX = "-missing"


@dataclass(frozen=True, slots=True)
class Errand:
    """What one drive is to be brought."""

    drive: DriveWish
    paths: frozenset[bytes]
    total_bytes: int


def copy_missing(wish: Wish, tools: Tools) -> Outcome:
    """Bring what is missing, then answer for the whole card.

    Args:
        wish: its drives are both where hand-made copies are looked for and where files go.
        tools: as for an offload.
    """
    first = check_by_content(wish.card, wish.drives, wish.policy, tools, always_read=True)
    if first.verdict.is_cleared:
        return first
    for errand in errands(first.facts, wish.drives):
        offload_card(_part(wish, first, errand), tools)
    return check_by_content(wish.card, wish.drives, wish.policy, tools, always_read=True)


def errands(facts: Facts, drives: Sequence[DriveWish]) -> list[Errand]:
    """Which files go where: each to as many drives as it lacks, in the order given."""
    states = {drive.name: drive.states for drive in facts.drives if drive.is_present}
    wanted: dict[str, list[int]] = {drive.name: [] for drive in drives}
    entries = facts.inventory.entries
    for number in range(len(entries)):
        if entries.kind(number) is not Kind.FILE:
            continue
        lacking = [name for name, column in states.items() if not is_proven(column[number])]
        have = len(states) - len(lacking)
        for name in lacking[: max(0, facts.policy.copies_needed - have)]:
            wanted[name].append(number)
    return [
        Errand(
            drive,
            frozenset(entries.path(at) for at in wanted[drive.name]),
            sum(entries.size_bytes(at) for at in wanted[drive.name]),
        )
        for drive in drives
        if wanted[drive.name]
    ]


def _part(wish: Wish, first: Outcome, errand: Errand) -> Wish:
    roll = wish.roll or first.context.roll or "card"
    return replace(
        wish,
        drives=(errand.drive,),
        roll=f"{roll}{SUFFIX}",
        only_paths=errand.paths,
    )
