"""Bringing what hand-made copies lack: only those files, only to the drives that lack them.

Looked for by content first, copied beside the hand-made files into a roll of their own with a
record of its own, and then everything is looked for once more: the answer rests on that last
reading alone, since it begins after the last byte is down.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from offload.card.layout import clip_paths, recognise
from offload.card.naming import roll_name
from offload.clearance.counting import exclusion, is_seen_shared
from offload.jobs.by_content import check_by_content
from offload.jobs.look_notices import Occasion
from offload.jobs.offloading import offload_card
from offload.jobs.outcome import Outcome
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger.copies import is_proven
from offload.values.entries import Kind
from offload.values.facts import DriveFacts, Facts

SUFFIX = "-missing"

_NEVER = frozenset({"drive-is-card", "drive-on-card", "ram-drive", "drive-away", "too-few-copies"})
"""Why nothing on a drive could count, whatever is copied there (the last: it failed)."""


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
    occasion = Occasion(brief=wish.brief, sheet=wish.sheet) if wish.looks else None
    first = check_by_content(
        wish.card,
        wish.drives,
        wish.policy,
        tools,
        always_read=True,
        occasion=occasion,
        # What is held for its bytes is looked into once these are brought.
        looks_if_held=False,
    )
    if first.verdict.is_cleared:
        return first
    for errand in errands(first.facts, wish.drives):
        offload_card(_part(wish, first, errand, tools), tools)
    return check_by_content(
        wish.card, wish.drives, wish.policy, tools, always_read=True, occasion=occasion
    )


def errands(facts: Facts, drives: Sequence[DriveWish]) -> list[Errand]:
    """Which files go where: to as many more drives as a file needs, in the order given.

    A drive that could never count gets nothing, nor does one that shares a device with a drive
    that has the file already.
    """
    wanted: dict[str, list[int]] = {drive.name: [] for drive in drives}
    of_use = [each for each in facts.drives if exclusion(each, facts) not in _NEVER]
    entries = facts.inventory.entries
    for number in range(len(entries)):
        if entries.kind(number) is Kind.FILE and entries.size_bytes(number):
            for drive in _lacking(number, of_use, facts):
                wanted[drive.name].append(number)
    return [
        Errand(
            drive,
            frozenset(entries.path(at) for at in wanted[drive.name]),
            sum(entries.size_bytes(at) for at in wanted[drive.name]),
        )
        for drive in drives
        if wanted[drive.name]
    ]


def _lacking(number: int, drives: Sequence[DriveFacts], facts: Facts) -> Iterator[DriveFacts]:
    """The drives that a file has to be brought to."""
    apart: list[DriveFacts] = []
    for drive in (each for each in drives if is_proven(each.states[number])):
        if _is_apart(drive, apart, facts):
            apart.append(drive)
    for drive in (each for each in drives if not is_proven(each.states[number])):
        if len(apart) >= facts.policy.copies_needed:
            return
        if _is_apart(drive, apart, facts):
            apart.append(drive)
            yield drive


def _is_apart(drive: DriveFacts, others: Sequence[DriveFacts], facts: Facts) -> bool:
    if not facts.policy.separate_drives:
        return True
    return not any(is_seen_shared(drive, other) for other in others)


def _part(wish: Wish, first: Outcome, errand: Errand, tools: Tools) -> Wish:
    return replace(
        wish,
        drives=(errand.drive,),
        roll=f"{_roll(wish, first, tools)}{SUFFIX}",
        only_paths=errand.paths,
        code=first.context.code,
    )


def _roll(wish: Wish, first: Outcome, tools: Tools) -> str:
    """How the whole card's roll would be called."""
    if wish.roll or first.context.roll:
        return wish.roll or first.context.roll
    entries = first.facts.inventory.entries
    layout = recognise(entries, tools.layouts)
    clips = clip_paths(layout, entries) if layout else iter(())
    found = roll_name(clips, first.label, "", wish.naming).name
    return found or first.context.code or "card"
