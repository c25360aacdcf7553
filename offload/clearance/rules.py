"""Facts to verdict: pure, no disk, no clock. What is not shown to be good keeps the card.

Each rule looks at one thing and gives the reasons it has for keeping the card. The card is cleared
when no rule has one, and when, looked at once more as a whole, everything is proven: a rule that
was forgotten still keeps the card.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from typing import Final

from offload.clearance.case import Case, Reason, is_count
from offload.clearance.causes import with_causes
from offload.clearance.context import Context
from offload.clearance.decisions import in_force
from offload.clearance.groups import Group, fits
from offload.clearance.holds import PLACES, is_settleable
from offload.clearance.shortage import shortages
from offload.clearance.summary import verdict
from offload.clearance.words import path_text, phrase
from offload.values.entries import Kind
from offload.values.facts import CardState, Facts
from offload.values.findings import Finding
from offload.values.verdict import Verdict

LEFT_OUT_LIMIT_BYTES: Final = 16 << 20

Rule = Callable[[Case], Iterable[Reason]]

_CARD_CODES = {
    CardState.NOT_READ: "card-not-read",
    CardState.UNREADABLE: "unreadable-on-card",
    CardState.CHANGED: "changed-on-card",
    CardState.DIFFERS: "readings-differ",
    CardState.CACHED: "card-read-cached",
}


def decide(facts: Facts, context: Context | None = None) -> Verdict:
    """What may be said of the card.

    Args:
        facts: recorded results, and nothing else, decide.
        context: names and times for the words alone.
    """
    case = Case.of(facts)
    reasons = _merged(reason for rule in RULES for reason in rule(case))
    if not reasons and not is_everything_proven(case):
        reasons = [Reason("facts-incomplete")]
    reasons = [with_causes(reason, facts.causes) for reason in reasons]
    reasons.sort(key=lambda reason: PLACES[reason.code])
    return verdict(case, reasons, context or Context())


def _merged(reasons: Iterable[Reason]) -> list[Reason]:
    """One reason for each code: a person mends it once. A reason without paths is about all."""
    found: dict[str, Reason] = {}
    for reason in reasons:
        before = found.get(reason.code)
        found[reason.code] = reason if before is None else _joined(before, reason)
    return list(found.values())


def _joined(one: Reason, other: Reason) -> Reason:
    paths = tuple(dict.fromkeys([*one.paths, *other.paths])) if one.paths and other.paths else ()
    drives = tuple(dict.fromkeys(one.drives + other.drives))
    return Reason(one.code, paths, drives, one.details + other.details)


def is_everything_proven(case: Case) -> bool:
    """The whole promise in one look, without a rule's help."""
    facts = case.facts
    policy = facts.policy
    return (
        case.files > 0
        and all(case.is_safe(group) for group in case.groups.all)
        and is_count(policy.copies_needed)
        and is_count(policy.card_reads)
        and facts.is_card_present is True
        and facts.is_same_mounting is True
        and facts.is_as_listed is True
        and facts.is_ledger_written is True
        and not facts.listing_errors
        and not facts.uncrossed_mounts
    )


def what_was_asked(case: Case) -> Iterator[Reason]:
    """Copies and readings that were asked for make sense."""
    policy = case.facts.policy
    if not (is_count(policy.copies_needed) and is_count(policy.card_reads)):
        yield Reason("policy-too-low")


def card_is_there(case: Case) -> Iterator[Reason]:
    """The card is in the reader, and in the mounting in which it was last read."""
    if case.facts.is_card_present is not True:
        yield Reason("card-gone")
    elif case.facts.is_same_mounting is not True:
        yield Reason("card-was-away")


def card_lists_the_same(case: Case) -> Iterator[Reason]:
    """The last look found exactly the inventory."""
    changes = case.facts.card_changes
    if case.facts.is_as_listed is not True or changes:
        yield _from_findings("card-changed", changes)


def all_folders_were_listed(case: Case) -> Iterator[Reason]:
    """No folder kept its content from us."""
    if case.facts.listing_errors:
        yield _from_findings("not-listed", case.facts.listing_errors)


def names_are_listed_once(case: Case) -> Iterator[Reason]:
    """No name stands for two files, of which only one could be opened."""
    entries = case.facts.inventory.entries
    doubled = entries.doubled()
    if doubled:
        yield Reason("listed-twice", tuple(entries.path(at) for at in doubled))


def nothing_is_mounted_inside(case: Case) -> Iterator[Reason]:
    """What lies under another mount was not seen."""
    found = case.facts.uncrossed_mounts
    mounts = case.groups.paths(_of_kinds(case, Kind.MOUNT))
    if found or mounts:
        paths = dict.fromkeys([*(finding.path for finding in found), *mounts])
        yield Reason("inner-mount", tuple(paths), (), _details(found))


def something_is_to_prove(case: Case) -> Iterator[Reason]:
    """An empty card proves nothing, least of all that nothing was recorded."""
    nothing = case.files == 0 or case.facts.is_layout_without_clip is not False
    if nothing and not case.facts.listing_errors:
        yield Reason("nothing-to-prove")


def everything_can_be_copied(case: Case) -> Iterator[Reason]:
    """Pipes, sockets, devices, and names that cannot be opened."""
    odd = _of_kinds(case, Kind.PIPE, Kind.SOCKET, Kind.DEVICE)
    if odd:
        yield Reason("not-copied", case.groups.paths(odd))
    closed = _of_kinds(case, Kind.UNREADABLE)
    if closed:
        yield Reason("unreadable-on-card", case.groups.paths(closed))


def card_was_read(case: Case) -> Iterator[Reason]:
    """Every file came off the card as often as asked for, from the card, the same each time."""
    found: dict[str, list[Group]] = defaultdict(list)
    for group in case.groups.all:
        code = _code_on_card(group)
        if code:
            found[code].append(group)
    if any(card_is_there(case)):
        # Whatever was read before is void, and that is said already.
        found.pop("card-not-read", None)
    for code, groups in found.items():
        yield Reason(code, case.groups.paths(groups))


def columns_fit(case: Case) -> Iterator[Reason]:
    """Results are told for this inventory and no other, and for drives that can be told apart."""
    facts = case.facts
    count = len(facts.inventory.entries)
    names = [drive.name for drive in facts.drives]
    odd = tuple(drive.name for drive in facts.drives if not fits(drive.states, count))
    twice = tuple(dict.fromkeys(name for name in names if names.count(name) > 1))
    sums_fit = len(facts.checksums) in (0, 16 * count)
    if odd or twice or not fits(facts.card_states, count) or not sums_fit:
        yield Reason("facts-incomplete", (), odd + twice)


def left_out_is_little(case: Case) -> Iterator[Reason]:
    """What is not copied is the computer's own, and little."""
    facts = case.facts
    if facts.left_out_footage is not False or facts.left_out_clips:
        names = tuple(f"{path_text(path)} is not copied." for path in facts.left_out_clips)
        yield Reason("left-out-footage", facts.left_out_clips, (), names)
    size_bytes = max(
        facts.left_out_bytes, sum(each.size_bytes for each in facts.inventory.left_out)
    )
    if not 0 <= facts.left_out_bytes <= size_bytes <= LEFT_OUT_LIMIT_BYTES:
        yield Reason("left-out-too-large")


def ledger_is_written(case: Case) -> Iterator[Reason]:
    """What was proven is also written down."""
    if case.facts.is_ledger_written is not True:
        yield Reason("ledger-not-written")


def files_are_as_sent(case: Case) -> Iterator[Reason]:
    """The sender's or recorder's own list agrees with what came off the card."""
    if case.facts.sent_differs:
        yield _from_findings("sent-differs", case.facts.sent_differs)


def clips_are_whole(case: Case) -> Iterator[Reason]:
    """Every doubt about a clip is mended, or settled by a person."""
    found: dict[str, list[Finding]] = defaultdict(list)
    for finding in case.facts.clip_findings:
        code = finding.code if is_settleable(finding.code) else "unknown-finding"
        if in_force(case.facts, finding) is None:
            found[code].append(finding)
    for code, findings in found.items():
        yield _from_findings(code, findings)


RULES: tuple[Rule, ...] = (
    what_was_asked,
    card_is_there,
    card_lists_the_same,
    all_folders_were_listed,
    names_are_listed_once,
    nothing_is_mounted_inside,
    something_is_to_prove,
    everything_can_be_copied,
    card_was_read,
    columns_fit,
    left_out_is_little,
    shortages,
    ledger_is_written,
    files_are_as_sent,
    clips_are_whole,
)
"""Every rule; each has a test that fails when it is taken out."""


def _code_on_card(group: Group) -> str:
    """Why the card's side of these entries is not good; empty where it is, or is told elsewhere."""
    if group.kind is Kind.LINK:
        return "" if group.card is CardState.FROM_LINK else "facts-incomplete"
    if not group.needs_copies or group.card is CardState.READ_EQUAL:
        return ""
    if group.card is None:
        return "facts-incomplete"
    return _CARD_CODES.get(group.card, "facts-incomplete")


def _of_kinds(case: Case, *kinds: Kind) -> list[Group]:
    return [group for group in case.groups.all if group.kind in kinds]


def _from_findings(code: str, findings: Iterable[Finding]) -> Reason:
    findings = tuple(findings)
    paths = tuple(dict.fromkeys(finding.path for finding in findings))
    return Reason(code, paths, (), _details(findings))


def _details(findings: Iterable[Finding]) -> tuple[str, ...]:
    return tuple(f"{path_text(each.path)}: {phrase(each.text)}." for each in findings if each.text)
