"""Which volumes are any of the station's business, before anything on them is looked at.

Never a card: what this computer runs from, a share, a volume of another place than where cards
appear, one that a setting ignores, and every volume that is named, or was used, as a drive.
"""

from collections.abc import Iterable
from enum import Enum

from offload.ledger import drives
from offload.ledger.database import Ledger
from offload.settings import Drive, Settings
from offload.values.paths import to_text
from offload.volumes import kinds
from offload.volumes.physical import is_system_disk
from offload.volumes.places import appearing_places
from offload.volumes.volume import Volume


class Business(Enum):
    """What the station does with a volume."""

    NONE = "none"
    DRIVE = "drive"
    """Named in the settings."""
    KNOWN_DRIVE = "known-drive"
    """Copies were written to it, and the settings do not name it."""
    MAYBE_CARD = "maybe-card"


def business_of(volume: Volume, settings: Settings, ledger: Ledger) -> Business:
    """What the station does with a volume that was mounted."""
    if drives_on(volume, settings.drives):
        return Business.DRIVE
    if volume.is_network or volume.fs_type in kinds.MEMORY or _is_ignored(volume, settings):
        return Business.NONE
    if not _is_where_cards_appear(volume, settings) or is_system_disk(volume):
        return Business.NONE
    if volume.volume_id and drives.find_by_volume(ledger, volume.volume_id):
        return Business.KNOWN_DRIVE
    return Business.MAYBE_CARD


def drives_on(volume: Volume, named: Iterable[Drive]) -> tuple[str, ...]:
    """Names of the settings' drives that lie on a volume."""
    return tuple(drive.name for drive in named if _lies_on(drive, volume))


def _lies_on(drive: Drive, volume: Volume) -> bool:
    if drive.volume:
        return drive.volume == volume.volume_id
    place = volume.mount_point
    # What lies below the root may lie on anything mounted there, which comes by itself.
    return place != b"/" and (drive.path == place or drive.path.startswith(place + b"/"))


def _is_ignored(volume: Volume, settings: Settings) -> bool:
    names = {volume.label, volume.volume_id, to_text(volume.mount_point)} - {""}
    return bool(names & set(settings.cards.ignore))


def _is_where_cards_appear(volume: Volume, settings: Settings) -> bool:
    places = settings.cards.watch or appearing_places()
    # Windows has no such place: every letter may be a card's.
    return not places or any(
        volume.mount_point.startswith(place.rstrip(b"/") + b"/") for place in places
    )
