"""Which roll or card of the ledger a person means; it need not be in a reader."""

import os

from offload.errors import UsageError
from offload.ledger import cards, rolls
from offload.ledger.cards import KnownCard
from offload.ledger.database import Ledger
from offload.ledger.rolls import Roll
from offload.values.paths import shown


def one_roll(ledger: Ledger, word: str) -> Roll:
    """The roll that is meant by name, card code, earlier name or mount point.

    Raises:
        UsageError: none, or more than one.
    """
    found = rolls.find(ledger, word)
    if not found and os.path.isdir(os.fsencode(word)):
        for card in cards.find_mounted_at(ledger, os.path.abspath(os.fsencode(word))):
            found = rolls.of_card(ledger, card.card)[:1]
    if len(found) == 1:
        return found[0]
    if not found:
        raise UsageError(
            f"the ledger knows no roll '{shown(word)}'",
            remedy="All rolls:  offload rolls",
        )
    codes = ", ".join(f"{each.code} ({each.day})" for each in found[:8])
    raise UsageError(
        f"'{shown(word)}' may be any of {len(found)} rolls: {codes}",
        meaning="Nothing was changed.",
        remedy="Name one by its code.",
    )


def one_card(ledger: Ledger, word: str) -> KnownCard:
    """The card that is meant by roll, code, label or mount point.

    Raises:
        UsageError: none, or more than one.
    """
    path = os.path.abspath(os.fsencode(word))
    found = {card.card: card for card in cards.find_mounted_at(ledger, path)}
    if not found:
        for roll in rolls.find(ledger, word):
            found[roll.card] = cards.get(ledger, roll.card)
    if not found:
        found = {card.card: card for card in cards.find_by_code(ledger, word.upper())}
    if not found:
        found = {card.card: card for card in cards.find_by_label(ledger, word)}
    if len(found) == 1:
        return next(iter(found.values()))
    if not found:
        raise UsageError(
            f"the ledger knows no card '{shown(word)}'",
            remedy="Every card:  offload status",
        )
    codes = ", ".join(
        card.code or f"(no code) {shown(card.hints.label)}" for card in found.values()
    )
    raise UsageError(
        f"'{shown(word)}' may be any of {len(found)} cards: {codes}",
        meaning="Nothing was changed.",
        remedy="Name one by its code.",
    )
