"""Writing back what the records beside the copies say, after a ledger was lost.

What comes back is what was recorded, and nothing of it counts as proven now: copies are *recorded*,
their files *written and not read back*. Said twice, or by several drives, it is in the ledger once.
A clearance that was withdrawn on any of them is void, in whatever order the drives are looked at:
a drive that was away when the card was held knows nothing of it.

What this ledger has by a run of its own it knows better: there a record beside a copy can void a
clearance and changes nothing else.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from offload.ledger import cards, clearances, copies, drives, files, inventories, offloads, rolls
from offload.ledger.cards import CardHints
from offload.ledger.clearances import NewClearance
from offload.ledger.columns import NO_FACTS
from offload.ledger.database import Ledger
from offload.ledger.drives import DriveHints
from offload.ledger.offloads import NewOffload, Work
from offload.ledger.rolls import NewRoll, Roll
from offload.ledger.standing import dismiss, take_up
from offload.values.entries import Kind
from offload.values.facts import CopyState, Policy
from offload.values.inventory import Inventory
from offload.values.verdict import Answer

_BATCH = 4096
_WITHDRAWN = "withdrawn on a drive"
_NO_HINTS = CardHints("", "", 0, "")


@dataclass(frozen=True, slots=True)
class RecordedClearance:
    """A clearance whose signature holds.

    Attributes:
        c4: C4 ID of the statement's bytes.
        key: fingerprint of the key that signed it.
        headline: what it rested on.
        at_ns: nanoseconds since 1970.
        mounting: key of the card's mounting, as the statement has it.
        withdrawn_ns: when it was withdrawn by a statement beside it, whoever signed that; None
            where none lies there. Without a default, so that whoever reads a record has to look.
    """

    c4: str
    key: str
    headline: str
    at_ns: int
    mounting: str = ""
    withdrawn_ns: int | None = field(kw_only=True)


@dataclass(frozen=True, slots=True)
class FoundRecord:
    """One roll's record, found and checked on one drive.

    Attributes:
        roll: its name.
        code: card code.
        content_root: raw xxh128 root hash.
        production, day: as far as the record says.
        made_ns: when it was recorded, nanoseconds since 1970.
        inventory: what the manifest lists.
        digests: by checksum name, raw digests for each entry of the inventory one after the
            other, zeros for what has none.
        drive: on which it was found.
        path: the copy's folder there, absolute.
        clearance: None where there is none or its signature does not hold.
        host: the station that wrote it; empty where the record does not say.
        policy: as the statement has it.
        card: what the card said about itself, by the statement; empty where there is none.
    """

    roll: str
    code: str
    content_root: bytes
    production: str
    day: str
    made_ns: int
    inventory: Inventory
    digests: Mapping[str, bytes]
    drive: DriveHints
    path: bytes
    clearance: RecordedClearance | None = None
    host: str = ""
    policy: Policy = field(default_factory=Policy)
    card: CardHints = _NO_HINTS


def write_back(ledger: Ledger, found: FoundRecord, now_ns: int) -> int:
    """Write one record back.

    Args:
        now_ns: when the drive was looked at.

    Returns:
        The roll's number.
    """
    with ledger.writing():
        roll = _roll(ledger, found)
        digest = found.inventory.digest
        known = [each for each in offloads.of_roll(ledger, roll.roll) if each.digest == digest]
        if known and known[0].work is not Work.REBUILT:
            _void_withdrawn(ledger, found.clearance)
            return roll.roll
        cards.tell_hints(ledger, roll.card, found.card)
        offload = known[0].offload if known else _new_offload(ledger, found, roll)
        if found.clearance is not None:
            _clearance(ledger, found.clearance, offload, roll, digest)
        _copy(ledger, found, offload, now_ns)
        return roll.roll


def _roll(ledger: Ledger, found: FoundRecord) -> Roll:
    for roll in rolls.find(ledger, found.roll):
        if (roll.code, roll.content_root) == (found.code, found.content_root):
            return roll
    card = cards.add(ledger, found.card, found.made_ns)
    cards.tell_code(ledger, card, found.code)
    cards.tell_listing(ledger, card, found.inventory.digest, found.made_ns)
    new = NewRoll(
        found.roll,
        card,
        found.code,
        found.content_root,
        found.production,
        found.day,
        found.made_ns,
    )
    return rolls.get(ledger, rolls.add(ledger, new))


def _clearance(
    ledger: Ledger, found: RecordedClearance, offload: int, roll: Roll, digest: str
) -> None:
    """Write a clearance down once, void where this or any earlier drive says so."""
    if clearances.by_c4(ledger, found.c4) is None:
        new = NewClearance(
            offload,
            roll.card,
            roll.roll,
            digest,
            found.c4,
            found.key,
            found.mounting,
            found.headline,
            found.at_ns,
        )
        clearances.add(ledger, new)
        take_up(ledger, roll.card)
    _void_withdrawn(ledger, found)
    # What the card was last told is what its newest clearance is worth now.
    last = clearances.last_of_card(ledger, roll.card)
    newest = offloads.last_of_card(ledger, roll.card)
    is_last_word = newest is not None and newest.offload == offload
    if is_last_word and last is not None and last.given.digest == digest:
        answer = Answer.CLEARED if last.voided_ns is None else Answer.HELD
        offloads.answer_rebuilt(ledger, offload, answer)


def _void_withdrawn(ledger: Ledger, found: RecordedClearance | None) -> None:
    if found is None or found.withdrawn_ns is None:
        return
    kept = clearances.by_c4(ledger, found.c4)
    if kept is not None:
        clearances.void(ledger, kept.clearance, _WITHDRAWN, found.withdrawn_ns)


def _new_offload(ledger: Ledger, found: FoundRecord, roll: Roll) -> int:
    new = NewOffload(
        key="",
        card=roll.card,
        inventory=inventories.keep(ledger, found.inventory),
        digest=found.inventory.digest,
        policy=found.policy,
        checksums=tuple(found.digests),
        mounting=found.clearance.mounting if found.clearance else "",
        host=found.host,
        pid=0,
        started_ns=found.made_ns,
        roll=roll.roll,
        work=Work.REBUILT,
    )
    offload = offloads.start(ledger, new)
    _add_files(ledger, found, offload)
    answer = Answer.CLEARED if found.clearance else Answer.HELD
    offloads.end(ledger, offload, answer, {}, found.made_ns)
    if found.clearance is None:
        # Whether that card ever was proven is not known; it is no card that has just gone out.
        dismiss(ledger, roll.card)
    return offload


def _add_files(ledger: Ledger, found: FoundRecord, offload: int) -> None:
    count = len(found.inventory.entries)
    sizes = {name: len(column) // max(count, 1) for name, column in found.digests.items()}
    for start in range(0, count, _BATCH):
        numbers = range(start, min(start + _BATCH, count))
        digests = {
            name: column[numbers.start * sizes[name] : numbers.stop * sizes[name]]
            for name, column in found.digests.items()
        }
        files.add(ledger, offload, numbers, bytes(len(numbers)), digests)


def _copy(ledger: Ledger, found: FoundRecord, offload: int, now_ns: int) -> None:
    drive = drives.use(ledger, found.drive, now_ns)
    if any(copy.drive == drive for copy in copies.of_offload(ledger, offload)):
        return
    new = copies.NewCopy(offload, drive, found.path, found.drive.devices, "", found.made_ns)
    copy = copies.start(ledger, new)
    entries = found.inventory.entries
    for start in range(0, len(entries), _BATCH):
        numbers = range(start, min(start + _BATCH, len(entries)))
        states = bytes(
            CopyState.WRITTEN if entries[at].kind in (Kind.FILE, Kind.FOLDER) else 0
            for at in numbers
        )
        copies.add_files(ledger, copy, numbers, states, [NO_FACTS] * len(numbers))
    copies.tell(ledger, copy, copies.CopyResult(copies.Stage.RECORDED, found.path), now_ns)
