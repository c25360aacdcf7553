"""Changing the settings file by command: what a person wrote by hand stays, comments too.

The new text is checked as settings before it takes the file's name, in one rename; a text that
would be wrong is never written.
"""

import contextlib
import os
from collections.abc import Callable
from importlib import resources
from typing import Any, cast

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Item, Table

from offload.errors import SettingsError, UsageError, reason
from offload.values.paths import shown

Check = Callable[[bytes], object]
"""Reads a settings file and raises a SettingsError where it is wrong."""


class SettingsFile:
    """One settings file while it is changed.

    Args:
        path: of the file; it need not be there yet.

    Raises:
        SettingsError: it cannot be read.
    """

    def __init__(self, path: bytes) -> None:
        self.path = path
        self.is_new = False
        try:
            with open(path, encoding="utf-8") as file:
                text = file.read()
        except FileNotFoundError:
            self.is_new = True
            text = resources.files(__package__).joinpath("first_settings.toml").read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            why = reason(error) if isinstance(error, OSError) else "it is not UTF-8"
            raise SettingsError(f"the settings cannot be read: {why}", path=path) from error
        try:
            self._document: TOMLDocument = tomlkit.parse(text)
        except TOMLKitError as error:
            raise SettingsError(
                f"this is not TOML: {error}",
                path=path,
                meaning="Nothing was changed.",
                remedy="mend that line; https://toml.io has the rules",
            ) from error

    def set(self, table: str, key: str, value: Any) -> None:
        """Set one value; the rest of its line and table stays."""
        if table not in self._document:
            self._document.add(table, tomlkit.table())
        cast(Table, self._document[table])[key] = value

    def value(self, table: str, key: str) -> Any:
        """What the file says, as a plain value; None where it says nothing."""
        found = self._document.get(table)
        value = found.get(key) if isinstance(found, Table) else None
        return value.unwrap() if isinstance(value, Item) else value

    def drive_names(self) -> list[str]:
        """Names of the drives, in order."""
        return [str(each.get("name", "")) for each in self._drives()]

    def add_drive(self, name: str, *, volume: str = "", path: bytes = b"") -> None:
        """Name a drive.

        Raises:
            UsageError: the name is taken.
        """
        if name in self.drive_names():
            raise UsageError(
                f"a drive called '{shown(name)}' is in the settings already",
                remedy=f"Another name, or first:  offload drive retire '{shown(name)}'",
            )
        made = tomlkit.table()
        made.add("name", name)
        if volume:
            made.add("volume", volume)
        else:
            made.add("path", path.decode("utf-8", "surrogateescape"))
        if "drive" not in self._document:
            self._document.add("drive", tomlkit.aot())
        self._drives().append(made)

    def remove_drive(self, name: str) -> bool:
        """Take a drive out; whether it was in."""
        drives = self._drives()
        for at, each in enumerate(drives):
            if each.get("name") == name:
                del drives[at]
                if not drives:
                    del self._document["drive"]
                return True
        return False

    def text(self) -> str:
        """The file as it would be written."""
        return tomlkit.dumps(self._document)

    def save(self, check: Check) -> None:
        """Write it, if it is right.

        Raises:
            SettingsError: it would be wrong, or cannot be written; the file is as before.
        """
        folder = os.path.dirname(os.path.abspath(self.path))
        temporary = os.path.join(folder, b".new-" + os.path.basename(self.path))
        try:
            os.makedirs(folder, mode=0o700, exist_ok=True)
            with open(temporary, "wb") as file:
                file.write(self.text().encode("utf-8"))
                file.flush()
                os.fsync(file.fileno())
            _checked(temporary, self.path, check)
            # A settings file that is a link stays one.
            os.replace(temporary, os.path.realpath(self.path))
        except (OSError, UnicodeEncodeError) as error:
            why = reason(error) if isinstance(error, OSError) else "a path that is not UTF-8"
            raise SettingsError(
                f"the settings cannot be written: {why}",
                path=self.path,
                meaning="They are as before.",
            ) from error
        finally:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(temporary)

    def _drives(self) -> AoT:
        found = self._document.get("drive")
        return found if isinstance(found, AoT) else tomlkit.aot()


def _checked(temporary: bytes, path: bytes, check: Check) -> None:
    try:
        check(temporary)
    except SettingsError as error:
        # The person knows the file by its own name.
        error.path = path
        raise
