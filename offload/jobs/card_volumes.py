"""Whether a volume is a card, on which nothing is written whatever is asked for.

A copy's own folder has a card's layout, too, so the volume is asked. Clips and a history by
themselves tell nothing: recorders write both on cards, and drives arrive with both.
"""

import os
from collections.abc import Callable, Sequence
from typing import NoReturn

from offload.card.rules import LayoutRule
from offload.clearance.shell import quoted
from offload.errors import UsageError
from offload.jobs.opening import MARKER, has_card_layout
from offload.jobs.volume_kind import is_delivery
from offload.values.paths import join
from offload.volumes.volume import Volume


def is_card_volume(
    volume: Volume,
    layouts: Sequence[LayoutRule] | None = None,
    was_card: Callable[[Volume], bool] = lambda _: False,
) -> bool:
    """Whether a card's folders lie at a volume's top, or it was worked on as a card before.

    Args:
        volume: that something is to be written on.
        layouts: of cards; ours where left out.
        was_card: whether the ledger knows it as a card. One that has been taken into use as a
            drive since, or that came with records beside its rolls, is none.
    """
    top = volume.mount_point
    if os.path.lexists(join(top, MARKER)):
        return False
    return (has_card_layout(top, layouts) or was_card(volume)) and not is_delivery(top)


def refuse_card(folder: bytes, volume: Volume, remedy: str) -> NoReturn:
    """Say that this volume is a card.

    Args:
        folder: as named.
        remedy: why the volume's copy is what is wanted.

    Raises:
        UsageError: always.
    """
    raise UsageError(
        "this is on a card, and nothing is ever written on a card",
        path=folder,
        meaning="Nothing was read and nothing was written.",
        remedy=f"{remedy}:  offload copy {quoted(volume.mount_point, ascii_only=False)}",
    )
