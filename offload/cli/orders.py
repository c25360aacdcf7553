"""The settings as the station works by them."""

from dataclasses import replace

from offload.card.layout import rules
from offload.card.naming import NamingRule, naming_rule
from offload.cli.session import (
    Session,
    brief_of,
    drive_wishes,
    policy_of,
    read_settings,
    wish_for_drives,
)
from offload.errors import SettingsError
from offload.jobs.volume_kind import Looked, look_at_volume
from offload.jobs.wishes import Wish
from offload.settings import Settings
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
    naming = _naming(settings)
    # Read here already: a wrong brief is told at the edit and not with the next card.
    brief_of(settings)
    try:
        layouts = rules(settings.card_layouts)
    except SettingsError as error:
        raise settings.placed("card_layout", error) from error

    def look(mount_point: bytes) -> Looked:
        return look_at_volume(mount_point, layouts)

    def wish(card: bytes, roll: str) -> Wish:
        return replace(wish_for_drives(now, card, drive_wishes(now, ()), roll), naming=naming)

    return Orders(settings, policy_of(settings), look, wish, ejects or settings.station.eject)


def _naming(settings: Settings) -> NamingRule | None:
    clip, label = settings.cards.roll_in_clip_name, settings.cards.roll_in_label
    if not clip and not label:
        return None
    given = {key: value for key, value in (("clip", clip), ("label", label)) if value}
    try:
        return naming_rule(**given)
    except SettingsError as error:
        key = "cards.roll_in_clip_name" if clip else "cards.roll_in_label"
        raise settings.placed(key, error) from error
