"""The settings as the station works by them."""

from dataclasses import replace

from offload.cli.session import Session, read_settings
from offload.cli.wishing import (
    brief_of,
    drive_wishes,
    layouts_of,
    naming_of,
    policy_of,
    wish_for_drives,
)
from offload.jobs.volume_kind import Looked, look_at_volume
from offload.jobs.wishes import Wish
from offload.ledger.drives import all_known
from offload.station.orders import Orders


def orders_of(session: Session, settings_option: str, *, ejects: bool = False) -> Orders:
    """Read the settings and make orders of them.

    Args:
        session: for all but the settings.
        settings_option: value of ``--settings``.
        ejects: ``--eject`` was given.

    Raises:
        SettingsError: they are wrong; says where.
    """
    settings = read_settings(settings_option, {})
    now = replace(session, settings=settings)
    # Read here already: what is wrong is told at the edit and not with the next card.
    naming_of(settings)
    brief_of(settings)
    layouts = layouts_of(settings)

    def look(mount_point: bytes) -> Looked:
        own = {each.hints.marker for each in all_known(session.ledger)}
        return look_at_volume(mount_point, layouts, own.__contains__)

    def wish(card: bytes, roll: str) -> Wish:
        return wish_for_drives(now, card, drive_wishes(now, ()), roll)

    return Orders(settings, policy_of(settings), look, wish, ejects or settings.station.eject)
