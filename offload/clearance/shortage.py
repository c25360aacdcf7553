"""Why files have too few copies: each short file gets at least one reason, and the right one.

A file that the card itself gives no sound copy of (unreadable, changing, read differently) is left
to the card's own hold: until that is mended no copy can be.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

from offload.clearance.case import Case, Reason
from offload.clearance.counting import is_known, is_proven, is_seen_shared, members
from offload.clearance.groups import Group
from offload.clearance.words import counted, grouped, phrase, safe
from offload.values.entries import Kind
from offload.values.facts import CardState, CopyState, DriveFacts

_TOO_FEW = "too-few-copies"
_NO_RECORD = "record-not-written"

_CODES = {
    CopyState.ABSENT: _TOO_FEW,
    CopyState.PROVEN_SERVER: "server-not-accepted",
    CopyState.CACHED: "copy-cached",
    CopyState.DIFFERS: "copy-differs",
    CopyState.UNREADABLE: "copy-unreadable",
    CopyState.FAILED: "copy-failed",
    CopyState.CHANGED: "copy-changed",
    CopyState.WRITTEN: "copy-not-read",
    CopyState.SHARED: "copy-not-own",
    CopyState.FLEETING: "copy-fleeting",
}
"""Code of a state in which a copy does not count, on a drive that may count."""

_CARD_MAY_STILL_PROVE = frozenset({CardState.READ_EQUAL, CardState.NOT_READ, CardState.CACHED})
_OF_STATES = frozenset(_CODES.values())
_NEEDS_ANOTHER = frozenset({"drive-is-card", "drive-on-card", "ram-drive"})
_WAIT_FOR_CARD = frozenset({"copy-not-read", "copy-cached"})


@dataclass(slots=True)
class _Cause:
    """What one code has gathered so far."""

    groups: list[Group] = field(default_factory=list)
    drives: dict[int, None] = field(default_factory=dict)


def shortages(case: Case) -> Iterator[Reason]:
    """One reason for each cause of files having fewer copies than asked for."""
    causes: dict[str, _Cause] = defaultdict(_Cause)
    for group in case.groups.all:
        if _is_short(case, group):
            for code, drives in _causes_of(case, group).items():
                causes[code].groups.append(group)
                causes[code].drives.update(dict.fromkeys(drives))
    _fold_suspects(causes)
    _fold_records(causes)
    for code, cause in causes.items():
        yield _reason(case, code, cause)


def _is_short(case: Case, group: Group) -> bool:
    may_prove = group.card in _CARD_MAY_STILL_PROVE
    return group.needs_copies and may_prove and not case.is_enough(group)


def _causes_of(case: Case, group: Group) -> dict[str, list[int]]:
    """Codes with the numbers of the drives that each is about; never empty."""
    found: dict[str, list[int]] = defaultdict(list)
    for at, drive in enumerate(case.facts.drives):
        code = _code_on(case, group, at, drive)
        if code == "drive-unknown" and _partners(case, at):
            found["shared-drive"] += [at, *_partners(case, at)]
        elif code:
            found[code].append(at)
    _add_what_mending_leaves(case, case.proven_on(group), found)
    if group.card is CardState.NOT_READ:
        _drop_what_waits(found)
    return found


def _add_what_mending_leaves(case: Case, mask: int, found: dict[str, list[int]]) -> None:
    """If all causes found so far were mended: would the copies be enough, and separate?"""
    causes = {at for drives in found.values() for at in drives}
    replaced = {at for code in _NEEDS_ANOTHER for at in found.get(code, ())}
    # Of a drive that is away nothing is known yet, and nothing is held against it.
    replaced |= {at for at in causes if _is_away(case.facts.drives[at])}
    mended = causes - replaced
    potential = mask | sum(1 << at for at in mended)
    if case.separation.copies(potential) + len(replaced) >= case.needed:
        return
    for code, drives in _clashes(case, members(case.separation.clashing(potential))).items():
        found[code] += drives
    if potential.bit_count() + len(replaced) < case.needed:
        found[_TOO_FEW] += []


def _is_away(drive: DriveFacts) -> bool:
    return not is_known(drive) and (drive.failure != "" or drive.is_present is not True)


def _clashes(case: Case, clashing: list[int]) -> dict[str, list[int]]:
    """Drives that stand in each other's way: seen to share something, or not seen at all."""
    shared = [at for at in clashing if set(_partners(case, at)) & set(clashing)]
    out_of_sight = [at for at in clashing if not is_known(case.facts.drives[at])]
    unseen = [at for at in out_of_sight if at not in shared]
    found = {"shared-drive": shared, "drive-unknown": unseen}
    return {code: drives for code, drives in found.items() if drives}


def _partners(case: Case, at: int) -> list[int]:
    """Other drives that are seen to share something with this one."""
    drives = case.facts.drives
    return [
        other
        for other in range(len(drives))
        if other != at and is_seen_shared(drives[at], drives[other])
    ]


def _drop_what_waits(found: dict[str, list[int]]) -> None:
    """While the card is unread its copies cannot be read back; ``card-not-read`` says enough."""
    for code in _WAIT_FOR_CARD:
        found.pop(code, None)


def _code_on(case: Case, group: Group, at: int, drive: DriveFacts) -> str:
    """Why this drive's copy of these entries does not count; empty where it does."""
    state = group.copies[at]
    if state is CopyState.DIFFERS and case.exclusions[at] == "drive-suspect":
        return "copy-differs"
    # A record is written when all of a copy is proven: what stands in its way is the reason.
    is_waiting = case.exclusions[at] == _NO_RECORD and not is_proven(state, drive)
    if case.exclusions[at] and not is_waiting:
        return case.exclusions[at]
    if is_proven(state, drive):
        return ""
    return "facts-incomplete" if state is None else _CODES.get(state, "facts-incomplete")


def _fold_suspects(causes: dict[str, _Cause]) -> None:
    """A suspect drive whose wrong files are named already needs no second hold."""
    if "drive-suspect" not in causes or "copy-differs" not in causes:
        return
    suspect, differing = causes["drive-suspect"], causes["copy-differs"]
    if suspect.drives.keys() <= differing.drives.keys():
        del causes["drive-suspect"]


def _fold_records(causes: dict[str, _Cause]) -> None:
    """A record that waits for copies which have a hold of their own needs none itself."""
    if _NO_RECORD not in causes:
        return
    others = {at for code in _OF_STATES & causes.keys() for at in causes[code].drives}
    if causes[_NO_RECORD].drives.keys() <= others:
        del causes[_NO_RECORD]


def _reason(case: Case, code: str, cause: _Cause) -> Reason:
    drives = tuple(case.facts.drives[at] for at in cause.drives)
    details = tuple(_details(case, code, cause))
    return Reason(
        code, case.groups.paths(cause.groups), tuple(drive.name for drive in drives), details
    )


def _details(case: Case, code: str, cause: _Cause) -> Iterator[str]:
    for at in cause.drives:
        drive = case.facts.drives[at]
        if drive.failure and case.exclusions[at] == code:
            yield _failed(case, at)
        elif code == _TOO_FEW or (code in _OF_STATES and len(cause.drives) > 1):
            yield _per_drive(case, code, cause, at)
        if code == "shared-drive" and case.exclusions[at] == code:
            yield f"{safe(drive.name)} is on the same device as the card's folder."
        if code == "copy-differs" and case.exclusions[at] == "drive-suspect":
            yield f"Until that is mended nothing else on {safe(drive.name)} counts."
    if code == _TOO_FEW:
        yield from _where_good(case, cause)


def _failed(case: Case, at: int) -> str:
    drive = case.facts.drives[at]
    proven = sum(
        group.count
        for group in case.groups.all
        if group.kind is Kind.FILE and is_proven(group.copies[at], drive)
    )
    before = f"; {proven:,} of {counted(case.files, 'file')} had been proven there"
    return f"{safe(drive.name)}: {phrase(drive.failure)}{before if proven else ''}."


def _per_drive(case: Case, code: str, cause: _Cause, at: int) -> str:
    drive = case.facts.drives[at]
    groups = [each for each in cause.groups if _code_on(case, each, at, drive) == code]
    paths = case.groups.paths(groups)
    if code == _TOO_FEW:
        return f"{safe(drive.name)} lacks {grouped(paths)}."
    return f"{safe(drive.name)}: {grouped(paths)}."


def _where_good(case: Case, cause: _Cause) -> Iterator[str]:
    masks: dict[int, list[Group]] = defaultdict(list)
    for group in cause.groups:
        masks[case.proven_on(group)].append(group)
    for mask, groups in sorted(masks.items()):
        names = [safe(case.facts.drives[at].name) for at in members(mask)]
        paths = case.groups.paths(groups)
        where = f"good on {' and '.join(names)}" if names else "on no drive that counts"
        yield f"{grouped(paths)} {'is' if len(paths) == 1 else 'are'} {where}."
    given = len(case.facts.drives)
    if given < case.needed:
        yield f"Only {counted(given, 'drive')} {'was' if given == 1 else 'were'} given."
