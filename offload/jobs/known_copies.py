"""What the ledger knows of a card that is mounted, and on which drives its copies are."""

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass

from offload.jobs.noting import hints_of, known_number
from offload.jobs.opening import HeldCard, list_card, open_card
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish
from offload.ledger import card_rolls, cards, copies, drives, offloads, rolls
from offload.ledger.copies import Copy
from offload.ledger.offloads import Offload
from offload.ledger.rolls import Roll


@dataclass(frozen=True, slots=True)
class Known:
    """What the ledger knows of a card that is mounted.

    Attributes:
        last: the newest offload of it that came to a verdict.
        copies: that offload's.
        roll: name of the roll; empty where it has none.
        code: card code.
    """

    last: Offload
    copies: tuple[Copy, ...]
    roll: str
    code: str


def find_known(
    card: HeldCard, digest: str, tools: Tools, *, unfinished: bool = False, number: int = 0
) -> Known | None:
    """The last offload of a card by its hints, one with this very listing first.

    Args:
        unfinished: one that came to no verdict will do.
        number: the card's in the ledger, where it has been recognised; 0 goes by hints.
    """
    ledger = tools.ledger
    found: list[Offload] = []
    alike = cards.find_by_hints(ledger, hints_of(card))
    for its_number in [number] if number else [known.card for known in alike]:
        found += [
            each
            for each in offloads.of_card(ledger, its_number)
            if (unfinished or each.answer is not None) and each.work is not offloads.Work.PART
        ]
    found.sort(key=lambda each: (each.digest == digest, each.offload), reverse=True)
    for last in found:
        its = copies.of_offload(ledger, last.offload)
        if its:
            roll = rolls.get(ledger, last.roll) if last.roll is not None else None
            return Known(last, its, roll.name if roll else "", _code_of(last, roll, tools))
    return None


def _code_of(last: Offload, roll: Roll | None, tools: Tools) -> str:
    """A roll keeps the code that it was given; a card of several rolls has one of its own."""
    if card_rolls.of_offload(tools.ledger, last.offload):
        return cards.get(tools.ledger, last.card).code
    return roll.code if roll else ""


def known_drives(
    path: bytes, tools: Tools, *, unfinished: bool = False
) -> tuple[tuple[DriveWish, ...], str] | None:
    """The drives that hold a mounted card's copies, and its roll; nothing for an unknown card."""
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        digest = list_card(card, tools.surroundings).inventory.digest
        known = find_known(card, digest, tools, unfinished=unfinished)
        return None if known is None else (drive_wishes_of(known.copies, tools), known.roll)


def brought_drives(path: bytes, tools: Tools) -> tuple[DriveWish, ...]:
    """Drives that were brought some of a card's files since its last offload, and that one's.

    What such a card has where no one offload tells; it has to be looked for by content. None
    where nothing was brought since.
    """
    with ExitStack() as stack:
        card = open_card(path, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        if not any(_parts_of(number, tools) for number in _candidates(card, tools)):
            # Most cards: the ledger says so, and the card need not be listed once more.
            return ()
        inventory = list_card(card, tools.surroundings).inventory
        # By its content: what was on it before it was formatted was brought elsewhere than this.
        mounted = tools.surroundings.mounted_keys()
        number = known_number(tools.ledger, card, inventory, mounted)
        known = find_known(card, inventory.digest, tools, number=number) if number else None
        if known is None:
            return ()
        parts = _parts_of(known.last.card, tools)
        newer = [each for each in parts if each.offload > known.last.offload]
        found = [copy for each in newer for copy in copies.of_offload(tools.ledger, each.offload)]
        if not found:
            return ()
        by_drive = {copy.drive: copy for copy in (*found, *known.copies)}
        return drive_wishes_of(tuple(by_drive.values()), tools)


def _candidates(card: HeldCard, tools: Tools) -> set[int]:
    """Every card of the ledger that this one may prove to be, before it is listed."""
    found = {known.card for known in cards.find_by_hints(tools.ledger, hints_of(card))}
    here = cards.mounting(tools.ledger, card.mounting)
    return found | {here.card} if here is not None else found


def _parts_of(number: int, tools: Tools) -> list[Offload]:
    """The offloads that brought some of a card's files."""
    known = offloads.of_card(tools.ledger, number)
    return [each for each in known if each.work is offloads.Work.PART]


def drive_wishes_of(found: Sequence[Copy], tools: Tools) -> tuple[DriveWish, ...]:
    """The drives that hold these copies, where they are now."""
    volumes = tools.surroundings.volumes()
    wishes = []
    for copy in found:
        hints = drives.get(tools.ledger, copy.drive).hints
        path = hints.path
        if hints.volume_id:
            # Mounted somewhere else today; the folder given lies as deep on it as before.
            for volume in volumes:
                if volume.volume_id == hints.volume_id and not path.startswith(volume.mount_point):
                    path = volume.mount_point
        wishes.append(DriveWish(copy.drive_name, path, hints.volume_id, hints.marker))
    return tuple(wishes)
