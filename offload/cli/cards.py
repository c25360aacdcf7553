"""Which card a person means: a mount point, a roll, a code, or the one card that is mounted."""

import os
from collections.abc import Sequence

from offload.card.rules import LayoutRule
from offload.cli.session import Session
from offload.cli.wishing import layouts_of
from offload.errors import OffloadError, UsageError
from offload.jobs.arriving import hints_of_volume
from offload.jobs.volume_kind import VolumeKind, look_at_volume
from offload.ledger import cards, rolls
from offload.values.paths import shown, to_text
from offload.volumes.kinds import MEMORY
from offload.volumes.physical import is_system_disk
from offload.volumes.volume import Volume

_APPEAR = (b"/media", b"/run/media", b"/Volumes", b"/mnt")


def find_card(session: Session, word: str, verb: str = "copy") -> bytes:
    """Where the card that a person means is mounted, absolute.

    Args:
        session: see there.
        word: a folder, a roll, a code or a label; empty for the one card that is in.
        verb: what was typed, for the remedy.

    Raises:
        UsageError: nothing, or more than one thing, is meant.
    """
    if not word:
        return _only_card(session, verb)
    path = os.fsencode(word)
    if os.path.isdir(path):
        return os.path.abspath(path)
    mounted = _by_name(session, word)
    if len(mounted) == 1:
        return mounted[0]
    if mounted:
        raise UsageError(
            f"'{shown(word)}' may be any of {_listed(mounted)}",
            remedy=f"Name the mount point:  offload {verb} {to_text(mounted[0])}",
        )
    raise UsageError(
        f"there is no card '{shown(word)}' in a reader",
        meaning="It is neither a folder nor the roll or code of a card that is mounted now.",
        remedy=f"Put the card in and name where it is mounted:  offload {verb} /media/CARD",
    )


def _by_name(session: Session, word: str) -> list[bytes]:
    """Mount points of mounted cards with this roll, code or label."""
    ledger = session.ledger
    known = {roll.card for roll in rolls.find(ledger, word)}
    if word.isascii():  # any other word, of whatever bytes, is no code
        known |= {card.card for card in cards.find_by_code(ledger, word.upper())}
    known |= {card.card for card in cards.find_by_label(ledger, word)}
    volumes = [each for each in session.surroundings.volumes() if not each.is_covered]
    keys = {session.surroundings.mounting_key(volume) for volume in volumes}
    mounted: list[bytes] = []
    for card in sorted(known):
        last = cards.last_mounting(ledger, card)
        if last is not None and last.key in keys and os.path.isdir(last.mount_point):
            mounted.append(last.mount_point)
        else:
            mounted += _where_now(cards.get(ledger, card).hints, volumes)
    labelled = [volume.mount_point for volume in volumes if volume.label == word]
    return list(dict.fromkeys([*mounted, *labelled]))


def _where_now(hints: cards.CardHints, volumes: Sequence[Volume]) -> list[bytes]:
    """Where a card that has been away is mounted now; its listing and content are yet to agree."""
    return [
        each.mount_point for each in volumes if hints.volume_id and hints_of_volume(each) == hints
    ]


def _only_card(session: Session, verb: str) -> bytes:
    found = candidates(session)
    if len(found) > 1:
        layouts = layouts_of(session.settings)
        # A look at each tells cards from sticks and drives that are plugged in as well.
        found = [volume for volume in found if _is_card(volume, layouts)] or found
    if len(found) == 1:
        return found[0].mount_point
    if not found:
        raise UsageError(
            "no card is mounted where cards appear",
            meaning="Nothing was read or written.",
            remedy=f"Name where it is mounted:  offload {verb} /media/CARD",
        )
    mounted = [volume.mount_point for volume in found]
    raise UsageError(
        f"{len(mounted)} volumes could be the card: {_listed(mounted)}",
        meaning="Nothing was read or written.",
        remedy=f"Name one of them:  offload {verb} {to_text(mounted[0])}",
    )


def candidates(session: Session) -> list[Volume]:
    """Mounted volumes that may be cards: where volumes appear, no drive, no system disk."""
    settings = session.settings
    places = (*_APPEAR, *settings.cards.watch)
    drives = {drive.volume for drive in settings.drives if drive.volume}
    paths = tuple(drive.path for drive in settings.drives if drive.path)
    found = []
    for volume in session.surroundings.volumes():
        if volume.is_covered or volume.is_network or volume.volume_id in drives:
            continue
        if not any(volume.mount_point.startswith(place.rstrip(b"/") + b"/") for place in places):
            continue
        if volume.fs_type in MEMORY or any(_is_below(path, volume) for path in paths):
            continue
        if is_system_disk(volume) or os.path.lexists(volume.mount_point + b"/.offload-drive"):
            continue
        found.append(volume)
    return found


def _is_below(path: bytes, volume: Volume) -> bool:
    return (path + b"/").startswith(volume.mount_point.rstrip(b"/") + b"/")


def _is_card(volume: Volume, layouts: Sequence[LayoutRule]) -> bool:
    try:
        return look_at_volume(volume.mount_point, layouts).kind is VolumeKind.CARD
    except OffloadError:
        return False


def _listed(paths: Sequence[bytes]) -> str:
    return ", ".join(to_text(path) for path in paths)
