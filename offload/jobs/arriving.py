"""A card is in: who it is, what became of it before, and whether anything is to be copied.

One listing answers all of it, so that a card that comes back is answered at once. A listing can
only say no; the words come from it only in the mounting in which the card was last read in full.
"""

from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime

from offload.card.inventory import Walk
from offload.errors import LedgerError
from offload.jobs.listed_answer import answer_listed
from offload.jobs.noting import hints_of, number_of
from offload.jobs.opening import HeldCard, list_card, open_card
from offload.jobs.outcome import Outcome
from offload.jobs.tools import Tools
from offload.ledger import cards, clearances, inventories, offloads, rolls, standing
from offload.ledger.cards import CardHints
from offload.ledger.database import Ledger
from offload.ledger.offloads import Offload, Work
from offload.ledger.rolls import Roll
from offload.ledger.standing import Place
from offload.values.entries import Entries, Kind
from offload.values.facts import Policy
from offload.values.paths import shown
from offload.values.verdict import Answer
from offload.volumes.volume import Volume


@dataclass(frozen=True, slots=True)
class Arrival:
    """A card that has been listed.

    Attributes:
        card: its number in the ledger; 0 where the ledger could not be written.
        mounting: key of its mounting.
        label: as the volume has it, unescaped.
        files, total_bytes: what is on it.
        roll, code: of its newest material that is known; empty where none is.
        given_roll: the name that a person gave to its roll; empty where nobody did.
        news: what has become of it since it was last here, a sentence already safe to show; empty
            for a card not seen before.
        answer: what may be said by the listing; nothing for a card that has no verdict yet.
        is_settled: there is nothing to copy or prove by itself: the answer stands.
    """

    card: int
    mounting: str
    label: str
    files: int
    total_bytes: int
    roll: str = ""
    code: str = ""
    given_roll: str = ""
    news: str = ""
    answer: Outcome | None = None
    is_settled: bool = False


def meet_card(path: bytes, policy: Policy, tools: Tools) -> Arrival:
    """List a card that was just put in, write down that it is here, and recognise it.

    Args:
        path: its mount point.
        policy: what the settings ask for.
        tools: see there.

    Raises:
        CardError: it cannot be opened or listed.
        OffloadError: anything else.
    """
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        walk = list_card(card, tools.surroundings)
        try:
            return _met(card, walk, policy, tools)
        except LedgerError:
            # It is copied all the same; without the ledger nothing is ever cleared.
            inventory = walk.inventory
            return Arrival(
                0, card.mounting, card.volume.label, inventory.file_count, inventory.total_bytes
            )


def _met(card: HeldCard, walk: Walk, policy: Policy, tools: Tools) -> Arrival:
    ledger, inventory = tools.ledger, walk.inventory
    number = _note(card, walk, tools)
    last = _last_answered(offloads.of_card(ledger, number))
    roll = _roll_of(number, last, tools)
    answer, news = None, ""
    if last is not None:
        answer = answer_listed(card, walk, policy, tools, number=number)
        is_alike = answer is None or answer.facts.is_as_listed
        news = _news(last, walk, tools, is_alike=is_alike)
    elif not card.is_folder:
        news = what_it_held(ledger, hints_of(card), number)
    is_settled = answer is not None and _is_settled(last, walk, answer)
    if answer is not None and not is_settled:
        # From here on nobody may say "was safe": what is on it now was never proven.
        _void(number, tools)
    return Arrival(
        number,
        card.mounting,
        card.volume.label,
        inventory.file_count,
        inventory.total_bytes,
        roll.name if roll else "",
        roll.code if roll else "",
        roll.name if roll and rolls.names_before(ledger, roll.roll) else "",
        news,
        answer,
        is_settled=is_settled,
    )


def _note(card: HeldCard, walk: Walk, tools: Tools) -> int:
    """Write down that the card is here with this listing; its number."""
    ledger, now = tools.ledger, tools.surroundings.now_ns()
    mounted = tools.surroundings.mounted_keys()
    with ledger.writing():
        number = number_of(ledger, card, walk.inventory, mounted, now)
        cards.arrived(
            ledger, number, card.mounting, card.path, now, reader=shown(card.volume.reader)
        )
        kept = inventories.keep(ledger, walk.inventory)
        cards.tell_listing(
            ledger,
            number,
            walk.inventory.digest,
            now,
            mounting=card.mounting,
            inventory=kept,
        )
    return number


def _last_answered(runs: tuple[Offload, ...]) -> Offload | None:
    """The newest with a verdict; one about a part of a card gave none of the card."""
    whole = (each for each in runs if each.work is not Work.PART)
    return next((each for each in whole if each.answer is not None), None)


def _roll_of(card: int, last: Offload | None, tools: Tools) -> Roll | None:
    if last is not None and last.roll is not None:
        return rolls.get(tools.ledger, last.roll)
    found = rolls.of_card(tools.ledger, card)
    return found[0] if found else None


def _void(card: int, tools: Tools) -> None:
    given = clearances.last_of_card(tools.ledger, card)
    if given is not None and given.voided_ns is None:
        because = "the card came back and is not listed as it was"
        clearances.void(tools.ledger, given.clearance, because, tools.surroundings.now_ns())


def _is_settled(last: Offload | None, walk: Walk, answer: Outcome) -> bool:
    """Whether the card is as it was listed when its last verdict cleared it."""
    if answer.verdict.is_cleared:
        return True
    return (
        last is not None
        and last.answer is Answer.CLEARED
        and last.digest == walk.inventory.digest
        and answer.facts.is_as_listed
    )


def _news(last: Offload, walk: Walk, tools: Tools, *, is_alike: bool) -> str:
    """What is different on a card that comes back, in one sentence.

    Args:
        is_alike: times, too, are those of the last listing.
    """
    before = inventories.load(tools.ledger, last.inventory).entries
    now = walk.inventory.entries
    at = _clock(last.changed_ns)
    was = "it was safe" if last.answer is Answer.CLEARED else "it was held"
    if last.digest == walk.inventory.digest and not is_alike:
        return f"Its names and sizes are as at {at}, and times are others: it is proven anew."
    if last.digest == walk.inventory.digest:
        return f"It is listed as at {at}, when {was}."
    added, gone, changed = _differences(before, now)
    parts = []
    if added:
        parts.append(f"{_files(added)} more than at {at}")
    if changed:
        parts.append(f"{_files(changed)} with other content")
    if gone:
        parts.append(f"{_files(gone)} gone")
    what = " and ".join(parts) or "other folders than before"
    if changed or gone:
        return f"It has {what}: all of it is copied again, beside the earlier roll."
    return f"It has {what}, when {was}: only these are copied."


def hints_of_volume(volume: Volume) -> CardHints:
    """What a volume says about itself."""
    return CardHints(volume.volume_id, volume.label, volume.capacity_bytes or 0, volume.fs_type)


def what_it_held(ledger: Ledger, hints: CardHints, number: int = 0) -> str:
    """A volume known as a card, with none of the material that it held: a sentence, or nothing.

    Args:
        hints: what the volume says about itself; without a volume id it is not told by them.
        number: of the card that it is now; 0 where it is none.
    """
    before = [known for known in cards.find_by_hints(ledger, hints) if known.card != number]
    if not before or not hints.volume_id:
        return ""
    stood = standing.of_card(ledger, before[0].card)
    held = f"roll {shown(stood.rolls[0].name)}" if stood.rolls else "other material"
    if stood.place is Place.IN_READER:
        return f"Another card that looks the same is in a reader ({held}); these are two cards."
    if stood.place is Place.OUT_NOT_PROVEN:
        return f"A card like this one held {held}, WHICH WAS NEVER PROVEN."
    at = f" at {_clock(stood.offload.changed_ns)}" if stood.offload is not None else ""
    return f"A card like this one held {held}, which was safe{at}."


def _differences(before: Entries, now: Entries) -> tuple[int, int, int]:
    """How many files are new, gone, of another size; both lists are sorted by path."""
    then = {e.path: e.size_bytes for e in before if e.kind is Kind.FILE}
    added = changed = 0
    for entry in now:
        if entry.kind is not Kind.FILE:
            continue
        size = then.pop(entry.path, None)
        added += size is None
        changed += size is not None and size != entry.size_bytes
    return added, len(then), changed


def _files(count: int) -> str:
    return f"{count:,} file{'' if count == 1 else 's'}"


def _clock(at_ns: int) -> str:
    return f"{datetime.fromtimestamp(at_ns / 1e9).astimezone():%H:%M on %a %d %b}"
