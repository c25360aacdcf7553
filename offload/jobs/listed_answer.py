"""May a card be erased now, by what the ledger knows and the drives show, without reading it all.

A listing can only say no. The words come back only in the mounting of the card in which its every
byte was last read, with a clearance in force; copies need no new reading while their drive's
mounting and their files' facts are unchanged (design, decision 7).
"""

from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime

from offload.card.inventory import Walk
from offload.clearance.context import Context
from offload.clearance.holds import is_settleable
from offload.clearance.rules import decide
from offload.jobs.known_copies import Known, find_known
from offload.jobs.last_look import compare_lists
from offload.jobs.listed_copies import look_at_copies
from offload.jobs.noting import known_number
from offload.jobs.opening import HeldCard, list_card, open_card
from offload.jobs.outcome import Outcome
from offload.jobs.tools import Tools
from offload.ledger import clearances, decisions, files, findings, inventories
from offload.ledger.offloads import Work
from offload.storage.root import Root
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CardState, Decision, Facts, Policy
from offload.values.findings import Finding
from offload.values.paths import parent


def check_listed(path: bytes, policy: Policy, tools: Tools) -> Outcome | None:
    """The answer for a known card, from a listing.

    Returns:
        The outcome; nothing when the ledger does not know the card.
    """
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        walk = list_card(card, tools.surroundings)
        mounted = tools.surroundings.mounted_keys()
        # By its content: what is known of a twin, or of what was on it before it was formatted,
        # says nothing about this card.
        number = known_number(tools.ledger, card, walk.inventory, mounted)
        return answer_listed(card, walk, policy, tools, number=number) if number else None


def answer_listed(
    card: HeldCard, walk: Walk, policy: Policy, tools: Tools, *, number: int = 0
) -> Outcome | None:
    """The answer for a card that is open and has just been listed; as :func:`check_listed`.

    Args:
        number: the card's in the ledger, where it has been recognised.
    """
    started = tools.surroundings.now()
    known = find_known(card, walk.inventory.digest, tools, number=number)
    if known is None:
        return None
    facts = _facts(card, walk, known, policy, tools)
    context = _context(card, known, walk, tools)
    verdict = decide(facts, context)
    if verdict.is_cleared and not _is_in_force(card, walk, known, tools):
        # All is well and the word was never given, or is void: it takes a reading to give it.
        facts = replace(facts, card_states=_never_read(facts.inventory.entries))
        verdict = decide(facts, context)
    if not verdict.is_cleared:
        _void(known, walk, tools)
    return Outcome(
        verdict,
        facts,
        context,
        card.path,
        card.volume.label,
        None,
        {},
        started,
        tools.surroundings.now(),
    )


def _context(card: HeldCard, known: Known, walk: Walk, tools: Tools) -> Context:
    given = _clearance_of(known, walk, tools)
    safe_at = ""
    if given is not None and given.voided_ns is None:
        moment = datetime.fromtimestamp(given.given.at_ns / 1e9).astimezone()
        safe_at = f"{moment:%H:%M on %a %d %b}"
    took_s = ((known.last.ended_ns or known.last.changed_ns) - known.last.started_ns) / 1e9
    # How long a run took that is known from its records alone, nothing says.
    is_timed = known.last.work is not Work.REBUILT
    takes = f"about {max(1, round(took_s / 60))} min" if is_timed else ""
    return Context(known.roll, known.code, card.path, safe_at, takes)


def _facts(card: HeldCard, walk: Walk, known: Known, policy: Policy, tools: Tools) -> Facts:
    before = inventories.load(tools.ledger, known.last.inventory)
    changes: list[Finding] = []
    listed = walk.inventory.entries
    if known.last.work is Work.REBUILT:
        # A manifest has the times of files to the second, and cuts what is beyond.
        listed = _to_the_second(listed)
    compare_lists(before.entries, listed, changes)
    is_same = card.is_mounted_as(known.last.mounting)
    is_as_listed = not changes and before.digest == walk.inventory.digest
    entries = before.entries
    states = bytes(len(entries))
    checksums = b""
    if is_as_listed:
        columns = files.load(tools.ledger, known.last.offload, len(entries))
        checksums = columns.digests.get("xxh128", b"")
        if is_same and not _is_void(walk, known, tools):
            states = _since_read(card, walk, known, columns.states)
        else:
            states = _never_read(entries)
    left_out = walk.inventory.left_out
    return Facts(
        inventory=before,
        card_states=states,
        drives=look_at_copies(known.copies, entries, tools, card),
        # One reading never passes for two, whatever is asked for now.
        policy=replace(policy, card_reads=min(policy.card_reads, known.last.policy.card_reads)),
        is_same_mounting=is_same,
        is_as_listed=is_as_listed,
        left_out_footage=walk.has_footage_left_out,
        left_out_clips=walk.left_out_clips,
        left_out_bytes=sum(entry.size_bytes for entry in left_out),
        checksums=checksums if len(checksums) == 16 * len(entries) else b"",
        uncrossed_mounts=_findings(walk, Kind.MOUNT, "inner-mount"),
        listing_errors=_findings(walk, Kind.UNREADABLE, "not-listed"),
        is_folder_card=card.is_folder_on_drive,
        card_changes=tuple(changes),
        decisions=_decisions(known, tools),
        clip_findings=_clip_findings(known, tools),
    )


def _to_the_second(entries: Entries) -> Entries:
    return Entries(
        Entry(each.path, each.kind, each.size_bytes, each.mtime_ns // 10**9 * 10**9, each.note)
        for each in entries
    )


def _is_in_force(card: HeldCard, walk: Walk, known: Known, tools: Tools) -> bool:
    """Whether the last run gave a clearance for this listing in this mounting, not void since."""
    given = _clearance_of(known, walk, tools)
    return (
        given is not None
        and given.voided_ns is None
        and given.given.offload == known.last.offload
        and given.given.mounting == card.mounting
    )


def _clearance_of(known: Known, walk: Walk, tools: Tools) -> clearances.Clearance | None:
    """The card's last clearance, where it is for this listing; a twin's says nothing of it."""
    given = clearances.last_of_card(tools.ledger, known.last.card)
    is_for_this = given is not None and given.given.digest == walk.inventory.digest
    return given if is_for_this else None


def _is_void(walk: Walk, known: Known, tools: Tools) -> bool:
    """Whether the clearance that the last run gave has been taken back."""
    given = _clearance_of(known, walk, tools)
    is_its = given is not None and given.given.offload == known.last.offload
    return is_its and given is not None and given.voided_ns is not None


def _last_reading(known: Known) -> int:
    return known.last.ended_ns or known.last.changed_ns


def _never_read(entries: Entries) -> bytes:
    return bytes(
        CardState.FROM_LINK if entry.kind is Kind.LINK else CardState.NOT_READ for entry in entries
    )


def _since_read(card: HeldCard, walk: Walk, known: Known, states: bytes) -> bytes:
    """States of the last reading, but for files that may have been touched since.

    Times that are what they were at the last look show that none was. Where they are not, the
    clock tells which; where it was set back meanwhile and tells none, it may be any.
    """
    last = known.last
    if last.card_moment and last.card_moment == walk.moment:
        return states
    found = states
    if walk.newest_change_ns > _last_reading(known):
        entries = walk.inventory.entries
        found = _still_as_read(card.root, entries, states, _last_reading(known))
    if last.card_moment and found == states:
        return states.replace(bytes([CardState.READ_EQUAL]), bytes([CardState.CHANGED]))
    return found


def _still_as_read(root: Root, entries: Entries, states: bytes, read_ns: int) -> bytes:
    """States of the last reading, but for files whose change time, or their folder's, is later.

    A folder that was renamed into the place of another leaves the times of its files alone.
    """
    kept = bytearray(states)
    times: dict[bytes, int] = {}

    def changed_ns(folder: bytes) -> int:
        if folder not in times:
            above = changed_ns(parent(folder)) if folder else 0
            times[folder] = max(above, root.facts(folder).st_ctime_ns)
        return times[folder]

    for number in range(len(entries)):
        if entries.kind(number) is not Kind.FILE or kept[number] != CardState.READ_EQUAL:
            continue
        try:
            path = entries.path(number)
            if max(root.facts(path).st_ctime_ns, changed_ns(parent(path))) > read_ns:
                kept[number] = CardState.CHANGED
        except OSError:
            kept[number] = CardState.UNREADABLE
    return bytes(kept)


def _decisions(known: Known, tools: Tools) -> tuple[Decision, ...]:
    return decisions.settled(tools.ledger, known.last.card)


def _clip_findings(known: Known, tools: Tools) -> tuple[Finding, ...]:
    """The doubts about clips that the last offload came to; a listing does not lift them."""
    found = findings.of_offload(tools.ledger, known.last.offload)
    return tuple(each for each in found if is_settleable(each.code))


def _findings(walk: Walk, kind: Kind, code: str) -> tuple[Finding, ...]:
    entries = walk.inventory.entries
    found = (entries[number] for number in entries.of_kind(kind))
    return tuple(Finding(code, entry.note, entry.path) for entry in found)


def _void(known: Known, walk: Walk, tools: Tools) -> None:
    """A clearance that no longer holds is void from now on, whatever the card shows later."""
    given = clearances.last_of_card(tools.ledger, known.last.card)
    if (
        given is not None
        and given.voided_ns is None
        and given.given.digest != (walk.inventory.digest)
    ):
        because = "the card holds other material now"
        clearances.void(tools.ledger, given.clearance, because, tools.surroundings.now_ns())
