"""Whether a card that was put in is one that was seen before.

Hints are shared by twins and outlive a formatting, so the content decides: the card is the one
whose last listing is still there for the most part, by path, size and time. What matters is the
other error: two cards taken for one would let the proof of one silence the alarm about the other.
Where nothing fits, it is a new card.
"""

from collections.abc import Collection

from offload.ledger import cards, inventories, offloads
from offload.ledger.cards import CardHints, KnownCard
from offload.ledger.database import Ledger
from offload.ledger.likeness import alike
from offload.values.entries import Entries
from offload.values.inventory import Inventory

_MOST_COMPARED = 8


def recognise(
    ledger: Ledger,
    hints: CardHints,
    inventory: Inventory,
    mounting: str,
    mounted: Collection[str] = (),
) -> int | None:
    """The number of a card that was seen before.

    Args:
        hints: what the volume says about itself.
        inventory: what is on it now.
        mounting: key of its mounting; a card known in it is that card.
        mounted: keys of all mountings that there are now; a card in another of them is a twin.

    Returns:
        None for a card not seen before.
    """
    here = cards.mounting(ledger, mounting)
    if here is not None:
        return here.card
    for known in cards.find_by_hints(ledger, hints)[:_MOST_COMPARED]:
        if not _is_elsewhere(ledger, known, mounted) and _is_continued(ledger, known, inventory):
            return known.card
    return None


def _is_elsewhere(ledger: Ledger, known: KnownCard, mounted: Collection[str]) -> bool:
    last = cards.last_mounting(ledger, known.card)
    return last is not None and last.left_ns is None and last.key in mounted


def _is_continued(ledger: Ledger, known: KnownCard, inventory: Inventory) -> bool:
    before = _last_listing(ledger, known)
    if before is None or not len(before):
        # Nothing was ever listed: there is no material that could be taken for another's.
        return before is not None and not len(inventory.entries)
    same = sum(1 for _ in alike(inventory.entries, before))
    return 2 * same >= len(before)


def _last_listing(ledger: Ledger, known: KnownCard) -> Entries | None:
    mounting = cards.last_mounting(ledger, known.card)
    number = mounting.inventory if mounting is not None else None
    if number is None:
        offload = offloads.last_of_card(ledger, known.card)
        number = offload.inventory if offload is not None else None
    return inventories.load(ledger, number).entries if number is not None else None
