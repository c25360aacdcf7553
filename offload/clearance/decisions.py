"""What a person has decided, and whether it still binds.

A decision is for one hold, at one path, over one content. It lapses when any of the three differs,
when it names nobody or gives no reason, and it never touches a hold that is about bytes.
"""

import hashlib
from dataclasses import dataclass

from offload.clearance.holds import is_settleable
from offload.values.entries import Kind
from offload.values.facts import Decision, Facts
from offload.values.findings import Finding
from offload.values.inventory import Inventory

CHECKSUM_BYTES = 16


@dataclass(frozen=True, slots=True)
class Settled:
    """A finding that keeps nothing any more, and the decision that says so."""

    finding: Finding
    decision: Decision


def content_checksum(inventory: Inventory, checksums: bytes, path: bytes) -> bytes:
    """What a decision about ``path`` binds to, 16 bytes; empty while it is not known.

    Args:
        inventory: of the card.
        checksums: xxh128 by entry number, as in :class:`~offload.values.facts.Facts`.
        path: a file (its xxh128), a folder of frames or the root (the first half of a SHA-256 over
            path and checksum of every file below).
    """
    entries = inventory.entries
    if len(checksums) != CHECKSUM_BYTES * len(entries):
        return b""
    try:
        at = entries.index(path)
    except ValueError:
        return _checksum_below(inventory, checksums, path)
    return _known(checksums, at)


def in_force(facts: Facts, finding: Finding) -> Decision | None:
    """The decision that settles this finding; None where there is none that binds."""
    if not is_settleable(finding.code):
        return None
    about = [each for each in facts.decisions if _is_about(each, finding)]
    if not about:
        return None
    content = content_checksum(facts.inventory, facts.checksums, finding.path)
    return next((each for each in about if content and each.checksum == content), None)


def settled(facts: Facts) -> tuple[Settled, ...]:
    """Every finding about clips that a person has settled."""
    found = ((finding, in_force(facts, finding)) for finding in facts.clip_findings)
    return tuple(Settled(finding, decision) for finding, decision in found if decision)


def lapsed(facts: Facts) -> tuple[Decision, ...]:
    """Decisions about findings that are there, given for other content than is there now."""
    open_now = {
        (finding.code, finding.path)
        for finding in facts.clip_findings
        if in_force(facts, finding) is None
    }
    return tuple(each for each in facts.decisions if (each.code, each.path) in open_now)


def _is_about(decision: Decision, finding: Finding) -> bool:
    is_same = decision.code == finding.code and decision.path == finding.path
    return is_same and bool(decision.by.strip()) and bool(decision.because.strip())


def _known(checksums: bytes, at: int) -> bytes:
    found = checksums[CHECKSUM_BYTES * at : CHECKSUM_BYTES * (at + 1)]
    return found if any(found) else b""


def _checksum_below(inventory: Inventory, checksums: bytes, path: bytes) -> bytes:
    below = path + b"/" if path else b""
    state, files = hashlib.sha256(), 0
    for at, entry in enumerate(inventory.entries):
        if entry.kind is not Kind.FILE or not entry.path.startswith(below):
            continue
        checksum = _known(checksums, at)
        if not checksum:
            return b""
        state.update(len(entry.path).to_bytes(8, "big") + entry.path + checksum)
        files += 1
    return state.digest()[:CHECKSUM_BYTES] if files else b""
