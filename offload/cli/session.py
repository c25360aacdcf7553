"""What every command needs: settings, ledger, key, machine. The only reader of the environment."""

import os
import socket
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from offload.card.folder import checked_template
from offload.errors import SettingsError, UsageError
from offload.jobs.surroundings import Surroundings
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger import drives as known_drives
from offload.ledger.database import Ledger
from offload.media.brief import Brief
from offload.media.brief_settings import BriefError, brief_from
from offload.record.keys import SigningKey, load_key, station_key
from offload.settings import Drive, Given, Settings, load
from offload.values.facts import Policy
from offload.values.paths import shown, to_text
from offload.volumes.volume import Volume


@dataclass(frozen=True, slots=True)
class Session:
    """One command at work.

    Attributes:
        settings: in force.
        surroundings: the machine.
        ledger: open.
        key: signs the records.
        identity: who signs.
    """

    settings: Settings
    surroundings: Surroundings
    ledger: Ledger
    key: SigningKey
    identity: str


def surroundings() -> Surroundings:
    """The machine; a laboratory puts another in its place."""
    return Surroundings()


def read_settings(settings_option: str, options: Mapping[str, Any]) -> Settings:
    """The settings in force for a command.

    Args:
        settings_option: value of ``--settings``; empty where absent.
        options: what the command line says instead, by key.

    Raises:
        SettingsError: the file is wrong, with its line.
    """
    from platformdirs import PlatformDirs

    folders = PlatformDirs("offload", appauthor=False)
    settings = load(
        Given(
            user_home=os.fsencode(os.path.expanduser("~")),
            data_folder=os.fsencode(folders.user_data_dir),
            config_folder=os.fsencode(folders.user_config_dir),
            settings_option=os.fsencode(settings_option),
            settings_variable=os.environb.get(b"OFFLOAD_SETTINGS", b""),
            home_variable=os.environb.get(b"OFFLOAD_HOME", b""),
            options=options,
        )
    )
    try:
        checked_template(settings.cards.folder)
    except SettingsError as error:
        # Said at once, and not by the first card that comes.
        raise settings.placed("cards.folder", error) from error
    return settings


@contextmanager
def session(settings_option: str, options: Mapping[str, Any] | None = None) -> Iterator[Session]:
    """Open everything, and close it again."""
    settings = read_settings(settings_option, options or {})
    with Ledger(settings.station.home) as ledger:
        yield Session(settings, surroundings(), ledger, signing_key(settings), identity())


def signing_key(settings: Settings) -> SigningKey:
    """The station's own key, or the OpenSSH key that the settings name."""
    if settings.station.key:
        return load_key(settings.station.key, _ask_passphrase)
    return station_key(settings.station.home)


def identity() -> str:
    """Who signs, as in a line of ``allowed_signers``: this machine's name, without blanks."""
    name = "".join(char for char in socket.gethostname() if char.isalnum() or char in "-._")
    return name or "station"


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


def _drives_before(session: Session, card: bytes) -> tuple[DriveWish, ...]:
    """The drives that this card was offloaded to last: the same command goes on with them."""
    from offload.jobs.known_copies import known_drives
    from offload.jobs.tools import Tools

    tools = Tools(session.ledger, session.key, session.surroundings)
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


def _ask_passphrase(path: bytes) -> bytes | None:
    if not sys.stdin.isatty():
        return None
    from getpass import getpass

    return getpass(f"Passphrase for {shown(os.fsdecode(path))}: ").encode()
