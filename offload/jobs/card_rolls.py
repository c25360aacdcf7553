"""Which of a recorder's files belong to which roll: a card that is not formatted every day.

Rules (design, decisions 7, 9 and 15):

* A sound recorder's card stays in for days. What each shooting day adds is that day's roll; a file
  belongs to the roll that holds it with this path, size and time.
* What no roll holds is new: it makes a further roll, ``ROLL-2`` and so on. On the shooting day of
  the newest roll pure additions join that roll instead, so that one day has one roll. The day is
  that of the offload by the station's clock and ``day_starts``: recorders' clocks are wrong, and
  what was recorded past midnight and comes in at once is one session.
* A file that the recorder has written anew since (an index, a take whose notes were changed) is new
  too: the earlier roll keeps what it has, and the new version goes into the new roll.
* What is gone from the card stays in its roll; nothing on a drive is touched.

This only says where each file lies or goes. Every byte of the card is read again in this run, and
every copy that counts, whatever roll it is in.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from offload.card.naming import LONGEST_ROLL, UNNAMED
from offload.ledger import card_rolls, copies, inventories, offloads, rolls
from offload.ledger.copies import Stage
from offload.ledger.database import Ledger
from offload.ledger.likeness import is_same_time
from offload.ledger.offloads import Offload, Work
from offload.values.entries import Entries, Kind
from offload.values.inventory import Inventory


@dataclass(frozen=True, slots=True)
class EarlierRoll:
    """A roll of this card that is finished on some drive.

    Attributes:
        roll: its number in the ledger.
        name, code, day: as the ledger has them.
        made_of: what was on the card when it was made.
        folders: where it lies: drive name -> its folder, absolute.
    """

    roll: int
    name: str
    code: str
    day: str
    made_of: Inventory
    folders: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CardRoll:
    """One roll of the card that is in now.

    Attributes:
        name: by which it is looked for or made.
        numbers: of the card's entries that belong to it, in order.
        inventory: the listing that tells it, also where some of it is gone from the card.
        roll, code: in the ledger; 0 and empty for one that is new.
        folders: where it lies already: drive name -> its folder, absolute.
        gone: paths that it holds and the card has no more, or has in another version.
        day: its shooting day, ``YYYY-MM-DD``; empty for one that is made today.
        is_new: made by this run, from what no earlier roll holds.
    """

    name: str
    numbers: tuple[int, ...]
    inventory: Inventory
    roll: int = 0
    code: str = ""
    folders: Mapping[str, bytes] = field(default_factory=dict)
    gone: frozenset[bytes] = frozenset()
    day: str = ""
    is_new: bool = False


@dataclass(frozen=True, slots=True)
class Division:
    """The card's rolls, the oldest first, and what is to be told.

    Attributes:
        rolls: every entry of the card is in one of them, and in no other.
        rewritten: paths of which an earlier roll holds another version.
        gone: how many files earlier rolls hold that the card does not list any more.
    """

    rolls: tuple[CardRoll, ...]
    rewritten: tuple[bytes, ...] = ()
    gone: int = 0


def earlier_rolls(ledger: Ledger, card: int) -> tuple[EarlierRoll, ...]:
    """The finished rolls of a card, the oldest first.

    Raises:
        LedgerError: the ledger does not answer.
    """
    done = [
        each
        for each in offloads.of_card(ledger, card)
        if each.work is Work.COPY and each.roll is not None
    ]
    for offload in done:
        kept = _finished_in(ledger, offload)
        if kept:
            folders = _folders(ledger, done)
            return tuple(_earlier(ledger, each, folders.get(each.roll, {})) for each in kept)
    return ()


def divide(
    entries: Entries, earlier: Sequence[EarlierRoll], day: str, named: str = "", by_rule: str = ""
) -> Division | None:
    """Which of the card's entries belong to which roll.

    Args:
        entries: all of the card.
        earlier: its finished rolls, the oldest first.
        day: shooting day of this run.
        named: the name that a person gives now.
        by_rule: the name by rule, or by code; for a roll that can have no other.

    Returns:
        None where the card is one roll, as any camera's card is.
    """
    owner = _owners(entries, earlier)
    for position in range(len(earlier)):
        its = [at for at in range(len(entries)) if owner[at] == position]
        if not _has_file(entries, its):
            # Empty folders alone are nobody's roll.
            for at in its:
                owner[at] = -1
    new = [at for at in range(len(entries)) if owner[at] < 0 and entries.kind(at).is_copied]
    rest = [at for at in range(len(entries)) if owner[at] < 0 and not entries.kind(at).is_copied]
    found = [
        _as_it_is(entries, each, [at for at in range(len(entries)) if owner[at] == position])
        for position, each in enumerate(earlier)
    ]
    if new and earlier and earlier[-1].day == day and found[-1].numbers and not found[-1].gone:
        # One day, one roll: what came since joins it.
        found[-1] = _joined(entries, found[-1], new)
        new = []
    here = [each for each in found if each.numbers]
    if here and not _has_file(entries, new):
        here[-1] = replace(here[-1], numbers=tuple(sorted([*here[-1].numbers, *new])))
        new = []
    if not here or (len(here) == 1 and not new and not here[0].gone):
        return None
    if new:
        name = _next_name(earlier, named, by_rule)
        listing = Inventory(Entries(entries[at] for at in new))
        here.append(CardRoll(name, tuple(new), listing, is_new=True))
    here[-1] = replace(here[-1], numbers=tuple(sorted([*here[-1].numbers, *rest])))
    held = frozenset(path for each in found for path in each.gone)
    listed = {entries.path(at) for at in range(len(entries))}
    rewritten = tuple(sorted(held & listed))
    return Division(tuple(here), rewritten, len(held - listed))


def _has_file(entries: Entries, numbers: Iterable[int]) -> bool:
    return any(entries.kind(at) is Kind.FILE for at in numbers)


def _owners(entries: Entries, earlier: Sequence[EarlierRoll]) -> list[int]:
    """For each entry the number of the newest roll that holds it; -1 for none."""
    owner = [-1] * len(entries)
    doubled = set(entries.doubled())
    for position, each in reversed(list(enumerate(earlier))):
        held = each.made_of.entries
        known = {held.path(at): at for at in range(len(held))}
        for number in range(len(entries)):
            at = known.get(entries.path(number))
            if at is None or owner[number] >= 0 or number in doubled:
                continue
            if _is_same(entries, number, held, at):
                owner[number] = position
    return owner


def _is_same(entries: Entries, number: int, held: Entries, at: int) -> bool:
    kind = entries.kind(number)
    if kind is not held.kind(at) or not kind.is_copied:
        return False
    if kind is Kind.FOLDER:
        return True
    is_long = entries.size_bytes(number) == held.size_bytes(at)
    return is_long and is_same_time(entries.mtime_ns(number), held.mtime_ns(at))


def _as_it_is(entries: Entries, each: EarlierRoll, numbers: list[int]) -> CardRoll:
    here = {entries.path(at) for at in numbers}
    held = each.made_of.entries
    gone = frozenset(
        held.path(at)
        for at in range(len(held))
        if held.kind(at) is Kind.FILE and held.path(at) not in here
    )
    return CardRoll(
        each.name, tuple(numbers), each.made_of, each.roll, each.code, each.folders, gone, each.day
    )


def _joined(entries: Entries, roll: CardRoll, new: list[int]) -> CardRoll:
    numbers = tuple(sorted([*roll.numbers, *new]))
    listing = Inventory(Entries(entries[at] for at in numbers))
    return replace(roll, numbers=numbers, inventory=listing, roll=0, code="", is_new=True)


def _next_name(earlier: Sequence[EarlierRoll], named: str, by_rule: str) -> str:
    """The new roll's name: a person's word, else that of the card's first roll and its number."""
    taken = {each.name for each in earlier}
    if named and named not in taken:
        return named
    stem = named or earlier[0].name
    if stem.startswith(UNNAMED):
        return by_rule
    number = len(earlier) + 1
    while f"{stem}-{number}" in taken:
        number += 1
    ending = f"-{number}"
    return stem[: LONGEST_ROLL - len(ending)] + ending


def _finished_in(ledger: Ledger, offload: Offload) -> list[card_rolls.KeptRoll]:
    """The rolls that had their names on some drive when an offload ended."""
    its = copies.of_offload(ledger, offload.offload)
    kept = card_rolls.of_offload(ledger, offload.offload)
    if not kept:
        is_done = any(copy.result.stage is Stage.PROVEN for copy in its)
        whole = card_rolls.KeptRoll(offload.roll or 0, offload.inventory)
        return [whole] if is_done and offload.roll else []
    done = {
        folder.position
        for copy in its
        for folder in card_rolls.folders_of(ledger, copy.copy)
        if folder.is_done
    }
    return [each for position, each in enumerate(kept) if position in done]


def _folders(ledger: Ledger, done: Sequence[Offload]) -> dict[int, dict[str, bytes]]:
    """Where each roll lies on each drive, by the newest offload that had it there."""
    found: dict[int, dict[str, bytes]] = {}
    for offload in done:
        kept = card_rolls.of_offload(ledger, offload.offload)
        for copy in copies.of_offload(ledger, offload.offload):
            if not kept and offload.roll and copy.result.stage is Stage.PROVEN:
                found.setdefault(offload.roll, {}).setdefault(copy.drive_name, copy.result.path)
            for folder in card_rolls.folders_of(ledger, copy.copy):
                if folder.position < len(kept):
                    its = found.setdefault(kept[folder.position].roll, {})
                    its.setdefault(copy.drive_name, _final(folder.path))
    return found


def _final(folder: bytes) -> bytes:
    return folder.removesuffix(b".incomplete").removesuffix(b".partial")


def _earlier(
    ledger: Ledger, kept: card_rolls.KeptRoll, folders: Mapping[str, bytes]
) -> EarlierRoll:
    roll = rolls.get(ledger, kept.roll)
    made_of = inventories.load(ledger, kept.inventory)
    return EarlierRoll(roll.roll, roll.name, roll.code, roll.day, made_of, folders)
