"""Which settings file a command changes: the one it reads, or would read."""

import os
from typing import Any

from offload.cli.session import read_settings
from offload.cli.settings_edit import SettingsFile
from offload.settings import FILE_NAME, Settings


def settings_path(option: str) -> bytes:
    """The file by ``--settings``, else ``OFFLOAD_SETTINGS``, else in the user's own folder."""
    from platformdirs import PlatformDirs

    if option:
        return os.path.abspath(os.fsencode(option))
    named = os.environb.get(b"OFFLOAD_SETTINGS", b"")
    if named:
        return os.path.abspath(named)
    folder = PlatformDirs("offload", appauthor=False).user_config_dir
    return os.path.join(os.fsencode(folder), FILE_NAME)


def open_settings(option: str) -> SettingsFile:
    """The settings file, to be changed."""
    return SettingsFile(settings_path(option))


def save_settings(file: SettingsFile) -> Settings:
    """Write it, and read it anew.

    Raises:
        SettingsError: it would be wrong; the file is as before.
    """
    found: list[Settings] = []

    def check(path: bytes) -> Any:
        found.append(read_settings(os.fsdecode(path), {}))

    file.save(check)
    return found[0]
