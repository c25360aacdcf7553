"""What every command needs: settings, ledger, key, machine. The only reader of the environment.

What reads keys is imported where one is asked for: most commands are to answer at once.
"""

import os
import socket
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from offload.card.folder import checked_template
from offload.errors import SettingsError
from offload.jobs.surroundings import Surroundings
from offload.ledger.database import Ledger
from offload.settings import Given, Settings, load
from offload.values.paths import shown

if TYPE_CHECKING:
    from offload.record.keys import SigningKey


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
    key: "SigningKey"
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


def signing_key(settings: Settings) -> "SigningKey":
    """The station's own key, or the OpenSSH key that the settings name."""
    from offload.record.keys import load_key, station_key

    if settings.station.key:
        return load_key(settings.station.key, _ask_passphrase)
    return station_key(settings.station.home)


def identity() -> str:
    """Who signs, as in a line of ``allowed_signers``: this machine's name, without blanks."""
    name = "".join(char for char in socket.gethostname() if char.isalnum() or char in "-._")
    return name or "station"


def _ask_passphrase(path: bytes) -> bytes | None:
    if not sys.stdin.isatty():
        return None
    from getpass import getpass

    return getpass(f"Passphrase for {shown(os.fsdecode(path))}: ").encode()
