"""What a command line and the settings ask of an offload: drives, policy, brief, in one wish."""

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace

from offload.card.layout import rules
from offload.card.naming import NamingRule, naming_rule
from offload.card.rules import LayoutRule
from offload.cli.session import Session
from offload.errors import SettingsError, UsageError
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger import drives as known_drives
from offload.media.brief import Brief
from offload.media.brief_settings import BriefError, brief_from
from offload.settings import Drive, Settings
from offload.values.facts import Policy
from offload.values.paths import shown, to_text
from offload.volumes.volume import Volume


def policy_of(settings: Settings) -> Policy:
    """What the settings ask for."""
    declared = {
        frozenset((drive.name, other))
        for drive in settings.drives
        for other in drive.declared_separate_from
    }
    copies = settings.copies
    return Policy(copies.needed, copies.separate_drives, copies.card_reads, frozenset(declared))


def drive_wishes(session: Session, to: tuple[str, ...]) -> tuple[DriveWish, ...]:
    """The drives of a command: those named with ``--to``, else those of the settings."""
    volumes = session.surroundings.volumes()
    wishes = (
        [_named(session, name, volumes) for name in to]
        if to
        else [_from_settings(session, drive, volumes) for drive in session.settings.drives]
    )
    return tuple(_with_unique_names(wishes))


def wish_for(session: Session, card: bytes, to: tuple[str, ...], roll: str) -> Wish:
    """One offload as the command and the settings ask for it.

    Raises:
        UsageError: there is no drive to copy to.
    """
    drives = drive_wishes(session, to) or _drives_before(session, card)
    return wish_for_drives(session, card, drives, roll)


def wish_for_drives(
    session: Session,
    card: bytes,
    drives: tuple[DriveWish, ...],
    roll: str,
    *,
    only_prove: bool = False,
) -> Wish:
    """One offload to these drives, all else as the settings ask for it."""
    settings = session.settings
    production = settings.production
    return Wish(
        card=card,
        drives=drives,
        roll=roll,
        policy=policy_of(settings),
        checksums=settings.checksums.use,
        template=settings.cards.folder if production.name else "{roll}",
        production=production.name,
        day_starts=production.day_starts,
        first_day=production.first_day,
        naming=naming_of(settings),
        reserve_bytes=settings.copies.reserve_bytes,
        only_prove=only_prove,
        looks=settings.clips.look,
        brief=brief_of(settings),
    )


def brief_of(settings: Settings) -> Brief:
    """What the shoot asked for.

    Raises:
        SettingsError: a key or value of it cannot be meant; with its line.
    """
    try:
        return brief_from(settings.brief)
    except BriefError as error:
        raise settings.placed(f"brief.{error.key}", error) from error


def naming_of(settings: Settings) -> NamingRule | None:
    """How clips and labels carry the roll; None for the usual forms.

    Raises:
        SettingsError: a pattern cannot be meant; with its line.
    """
    clip, label = settings.cards.roll_in_clip_name, settings.cards.roll_in_label
    if not clip and not label:
        return None
    given = {key: value for key, value in (("clip", clip), ("label", label)) if value}
    try:
        return naming_rule(**given)
    except SettingsError as error:
        key = "cards.roll_in_clip_name" if clip else "cards.roll_in_label"
        raise settings.placed(key, error) from error


def layouts_of(settings: Settings) -> tuple[LayoutRule, ...]:
    """The layouts of cards, those of the settings among them.

    Raises:
        SettingsError: one of them cannot be meant; with its line.
    """
    try:
        return rules(settings.card_layouts)
    except SettingsError as error:
        raise settings.placed("card_layout", error) from error


def _drives_before(session: Session, card: bytes) -> tuple[DriveWish, ...]:
    """The drives that this card was offloaded to last: the same command goes on with them."""
    from offload.jobs.known_copies import known_drives
    from offload.jobs.tools import Tools

    layouts = layouts_of(session.settings)
    tools = Tools(session.ledger, session.key, session.surroundings, layouts=layouts)
    found = known_drives(card, tools, unfinished=True)
    if found is None:
        raise UsageError(
            "no drive to copy to",
            meaning="Nothing was read or written.",
            remedy="offload copy CARD --to DRIVE --to DRIVE, or name drives in the settings",
        )
    return found[0]


def _named(session: Session, name: str, volumes: Sequence[Volume]) -> DriveWish:
    """A drive of the settings by its name, or a folder by its path."""
    for drive in session.settings.drives:
        if drive.name == name:
            return _from_settings(session, drive, volumes)
    path = os.path.abspath(os.fsencode(name))
    label = os.path.basename(path.rstrip(b"/")) or b"drive"
    return _remembered(session, DriveWish(to_text(label), path), volumes, by_path=True)


def _from_settings(session: Session, drive: Drive, volumes: Sequence[Volume]) -> DriveWish:
    path = drive.path
    if drive.volume:
        path = next((each.mount_point for each in volumes if each.volume_id == drive.volume), b"")
    wish = DriveWish(drive.name, path, drive.volume, accepts_server=drive.accepts_server)
    return _remembered(session, wish, volumes, by_path=False)


def _remembered(
    session: Session, wish: DriveWish, volumes: Sequence[Volume], *, by_path: bool
) -> DriveWish:
    """What the ledger knows of a drive from its first use: which file system, which marker."""
    known = known_drives.in_use(session.ledger, wish.name)
    if known is None:
        return wish
    hints = known.hints
    if by_path and hints.path != wish.path:
        # Another folder of the same last name is another drive.
        return replace(wish, name=to_text(wish.path))
    if by_path and _is_other_volume(wish.path, hints.volume_id, volumes):
        # Another drive is plugged in where one was before; a bare folder is told by the marker.
        volume_id = next(v.volume_id for v in volumes if v.mount_point == wish.path)
        return replace(wish, name=f"{wish.name} {shown(volume_id[:4])}")
    return replace(wish, volume_id=wish.volume_id or hints.volume_id, marker=hints.marker)


def _is_other_volume(path: bytes, volume_id: str, volumes: Sequence[Volume]) -> bool:
    return any(
        each.mount_point == path and not each.is_covered and each.volume_id not in ("", volume_id)
        for each in volumes
    )


def _with_unique_names(wishes: list[DriveWish]) -> Iterator[DriveWish]:
    seen: dict[str, int] = {}
    for wish in wishes:
        number = seen[wish.name] = seen.get(wish.name, 0) + 1
        if number == 1:
            yield wish
        else:
            name = f"{wish.name} {number}"
            yield DriveWish(name, wish.path, wish.volume_id, wish.marker, wish.accepts_server)
