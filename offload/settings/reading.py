"""``offload.toml`` as typed settings, each with where its value comes from.

Rules:

* Every key is known here, or the file is wrong: a misspelt rule would silently be no rule. An error
  names the key, its line and what is allowed; all errors of a file are told together.
* Nothing here reads the environment or looks for folders; both are handed in (:class:`Given`).
* A relative path is taken from the folder of the settings file; ``~/`` is the user's own folder.
* ``[brief]`` (or the file that it names) and ``[[card_layout]]`` are kept as they are and checked
  by those who use them, who find the line by :meth:`Settings.line_of`.
"""

import difflib
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from offload.errors import SettingsError, reason
from offload.settings import checks
from offload.settings.checks import Check, WrongValueError
from offload.settings.toml_lines import key_lines
from offload.settings.values import (
    Cards,
    Checksums,
    Clips,
    Copies,
    Drive,
    Given,
    Origin,
    Production,
    Settings,
    Source,
    Station,
)
from offload.values.paths import shown

FILE_NAME = b"offload.toml"

_MOST_BYTES = 1 << 20
_MOST_SHOWN = 20


@dataclass(frozen=True, slots=True)
class Problem:
    """One wrong key or value: where, and what is allowed."""

    key: str
    line: int
    text: str

    def __str__(self) -> str:
        where = f"line {self.line}: " if self.line else ""
        return f"{where}{self.key}: {self.text}"


class WrongSettingsError(SettingsError):
    """The settings file, or a value given instead, is wrong in the places listed."""

    def __init__(self, path: bytes, problems: tuple[Problem, ...]) -> None:
        lines = [str(problem) for problem in problems[:_MOST_SHOWN]]
        if len(problems) > _MOST_SHOWN:
            lines.append(f"and {len(problems) - _MOST_SHOWN} more")
        super().__init__(
            "\n".join(lines),
            path=path,
            meaning="nothing was begun with these settings",
            remedy="mend the settings, then: offload settings",
        )
        self.problems = problems


def load(given: Given) -> Settings:
    """Find, read and check the settings.

    Raises:
        SettingsError: the file cannot be read, or a key or value is wrong.
    """
    path, chosen_by = _chosen(given)
    text = _text(path, is_needed=chosen_by is not Origin.DEFAULT)
    if text is None:
        return _Reading(b"", chosen_by, "", {}, given).settings()
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(
            f"this is not TOML: {error}",
            path=path,
            meaning="nothing was begun with these settings",
            remedy="mend that line; https://toml.io has the rules",
        ) from error
    return _Reading(path, chosen_by, text, document, given).settings()


def _chosen(given: Given) -> tuple[bytes, Origin]:
    if given.settings_option:
        return given.settings_option, Origin.COMMAND
    if given.settings_variable:
        return given.settings_variable, Origin.ENVIRONMENT
    return os.path.join(given.config_folder, FILE_NAME), Origin.DEFAULT


def _text(path: bytes, *, is_needed: bool) -> str | None:
    try:
        with open(path, "rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except FileNotFoundError as error:
        if not is_needed:
            return None
        raise _unreadable(path, reason(error)) from error
    except OSError as error:
        raise _unreadable(path, reason(error)) from error
    if len(content) > _MOST_BYTES:
        raise _unreadable(path, "it is longer than 1 MiB")
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise _unreadable(path, f"line {line} is not UTF-8") from error


def _unreadable(path: bytes, why: str) -> SettingsError:
    return SettingsError(
        f"the settings cannot be read: {why}",
        path=path,
        meaning="nothing was begun",
        remedy="name another file with --settings, or make one: offload setup",
    )


class _Reading:
    """One document on its way to settings; collects what is wrong with it."""

    def __init__(
        self,
        path: bytes,
        chosen_by: Origin,
        text: str,
        document: Mapping[str, Any],
        given: Given,
    ) -> None:
        self._path = path
        self._chosen_by = chosen_by
        self._document = document
        self._given = given
        self._lines = key_lines(text)
        folder = os.path.dirname(os.path.abspath(path)) if path else given.config_folder
        self._folder = folder
        self._problems: list[Problem] = []
        self._sources: list[Source] = []

    def settings(self) -> Settings:
        unknown = set(self._given.options) - {
            f"{table}.{key}" for table, keys in _KEYS.items() for key in keys
        }
        if unknown:
            raise RuntimeError(f"no settings are called {sorted(unknown)}")
        self._refuse_unknown("", self._document, _TABLES, "table")
        made = Settings(
            production=Production(**self._table("production")),
            cards=Cards(**self._table("cards")),
            copies=Copies(**self._table("copies")),
            checksums=Checksums(**self._table("checksums")),
            clips=Clips(**self._table("clips")),
            drives=self._drives(),
            station=self._station(),
            brief=self._brief(),
            card_layouts=tuple(table for _, table in self._tables("card_layout")),
            path=self._path,
            chosen_by=self._chosen_by,
            sources=tuple(self._sources),
            lines=self._lines,
        )
        if self._problems:
            raise WrongSettingsError(self._path, tuple(self._problems))
        return made

    def _table(self, table: str) -> dict[str, Any]:
        found = self._document.get(table, {})
        keys = _KEYS[table]
        if not isinstance(found, dict):
            self._wrong(table, f"is a table: [{table}]")
            found = {}
        self._refuse_unknown(f"{table}.", found, keys, "key")
        values: dict[str, Any] = {}
        for key, (name, check) in keys.items():
            full = f"{table}.{key}"
            if full in self._given.options:
                self._take(values, name, full, self._given.options[full], check, Origin.COMMAND)
            elif key in found:
                self._take(values, name, full, found[key], check, Origin.FILE)
            else:
                default = getattr(_DEFAULTS[table], name)
                self._sources.append(Source(full, default, Origin.DEFAULT))
        return values

    def _station(self) -> Station:
        values = self._table("station")
        if self._given.home_variable:
            self._instead(values, self._given.home_variable, Origin.ENVIRONMENT)
        elif "home" not in values:
            self._instead(values, self._given.data_folder, Origin.DEFAULT)
        return Station(**values)

    def _instead(self, values: dict[str, Any], home: bytes, origin: Origin) -> None:
        values["home"] = os.path.abspath(home)
        kept = [each for each in self._sources if each.key != "station.home"]
        self._sources[:] = [*kept, Source("station.home", values["home"], origin)]

    def _drives(self) -> tuple[Drive, ...]:
        drives: list[Drive] = []
        for at, table in self._tables("drive"):
            base = f"drive[{at}]"
            self._refuse_unknown(f"{base}.", table, _DRIVE_KEYS, "key")
            values: dict[str, Any] = {}
            for key, (name, check) in _DRIVE_KEYS.items():
                if key in table:
                    self._take(values, name, f"{base}.{key}", table[key], check, Origin.FILE)
            if "name" not in table:
                self._wrong(base, 'has no name; give it one: name = "shuttle-1"')
            elif ("volume" in table) == ("path" in table):
                self._wrong(base, "has either volume or path, exactly one of the two")
            elif "name" in values:
                drives.append(Drive(**values))
        self._refuse_unfit_names(drives)
        return tuple(drives)

    def _refuse_unfit_names(self, drives: list[Drive]) -> None:
        seen: dict[str, str] = {}
        names = {drive.name for drive in drives}
        for at, drive in enumerate(drives):
            # Names that differ in case only would be confused on tape and radio.
            if drive.name.casefold() in seen:
                self._wrong(f"drive[{at}].name", f"there is a drive {drive.name} already")
            seen[drive.name.casefold()] = drive.name
            for other in drive.declared_separate_from:
                if other == drive.name or other not in names:
                    allowed = ", ".join(sorted(names - {drive.name})) or "none, it is the only one"
                    self._wrong(
                        f"drive[{at}].declared_separate_from",
                        f"'{shown(other)}' is no other drive; there are: {allowed}",
                    )

    def _tables(self, key: str) -> list[tuple[int, dict[str, Any]]]:
        found = self._document.get(key, [])
        if not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
            self._wrong(key, f"is a list of tables: [[{key}]]")
            return []
        return list(enumerate(found))

    def _brief(self) -> dict[str, Any]:
        found = self._document.get("brief", {})
        if not isinstance(found, dict):
            self._wrong("brief", "is a table: [brief]")
            return {}
        return self._brief_of_its_own(found) if "file" in found else found

    def _brief_of_its_own(self, table: Mapping[str, Any]) -> dict[str, Any]:
        """The brief in a file of its own: the same keys, without a table around them."""
        key = "brief.file"
        if len(table) > 1:
            self._wrong(key, "the brief is in that file, or here; not in both")
        try:
            path = self._absolute(checks.path(table["file"]))
            return tomllib.loads(_text(path, is_needed=True) or "")
        except WrongValueError as error:
            self._wrong(key, str(error))
        except SettingsError as error:
            self._wrong(key, error.what)
        except (tomllib.TOMLDecodeError, RecursionError) as error:
            self._wrong(key, f"that file is not TOML: {error}")
        return {}

    def _take(
        self,
        values: dict[str, Any],
        name: str,
        key: str,
        value: Any,
        check: Check,
        origin: Origin,
    ) -> None:
        try:
            values[name] = self._absolute(check(value))
        except WrongValueError as error:
            self._wrong(key, str(error), in_file=origin is Origin.FILE)
        line = self._lines.get(key, 0) if origin is Origin.FILE else 0
        self._sources.append(Source(key, value, origin, line))

    def _absolute(self, value: Any) -> Any:
        # Paths are the only bytes among the values.
        if isinstance(value, bytes):
            return _absolute(value, self._folder, self._given.user_home)
        if isinstance(value, tuple):
            return tuple(self._absolute(each) for each in value)
        return value

    def _refuse_unknown(
        self, prefix: str, found: Mapping[str, Any], allowed: Mapping[str, Any], what: str
    ) -> None:
        for key in found:
            if key not in allowed:
                close = difflib.get_close_matches(key, allowed, n=1)
                hint = f"did you mean {close[0]}? " if close else ""
                known = ", ".join(allowed)
                self._wrong(f"{prefix}{key}", f"there is no such {what}; {hint}allowed: {known}")

    def _wrong(self, key: str, text: str, *, in_file: bool = True) -> None:
        line = Settings(lines=self._lines).line_of(key) if in_file else 0
        self._problems.append(Problem(shown(key), line, text))


def _absolute(path: bytes, folder: bytes, user_home: bytes) -> bytes:
    if path == b"~" or path.startswith(b"~/"):
        return os.path.normpath(user_home + path[1:])
    return os.path.normpath(os.path.join(folder, path))


_KEYS: dict[str, dict[str, tuple[str, Check]]] = {
    "production": {
        "name": ("name", checks.string),
        "day_starts": ("day_starts", checks.clock),
        "first_day": ("first_day", checks.day),
    },
    "cards": {
        "watch": ("watch", checks.paths),
        "folder": ("folder", checks.string),
        "ignore": ("ignore", checks.strings),
        "roll_in_clip_name": ("roll_in_clip_name", checks.expression),
        "roll_in_label": ("roll_in_label", checks.expression),
    },
    "copies": {
        "needed": ("needed", checks.between(1, checks.MOST_COPIES)),
        "separate_drives": ("separate_drives", checks.flag),
        "card_reads": ("card_reads", checks.between(1, 2)),
        "reserve": ("reserve_bytes", checks.size),
    },
    "checksums": {"use": ("use", checks.checksum_names)},
    "clips": {"look": ("look", checks.flag)},
    "station": {
        "home": ("home", checks.path),
        "key": ("key", checks.path),
        "on_cleared": ("on_cleared", checks.arguments),
        "on_held": ("on_held", checks.arguments),
        "eject": ("eject", checks.flag),
        "receive": ("receive", checks.flag),
        "log": ("log", checks.path),
    },
}

_DRIVE_KEYS: dict[str, tuple[str, Check]] = {
    "name": ("name", checks.drive_name),
    "volume": ("volume", checks.string),
    "path": ("path", checks.path),
    "accept": ("accepts_server", checks.accepted),
    "declared_separate_from": ("declared_separate_from", checks.strings),
}

_TABLES: dict[str, None] = dict.fromkeys((*_KEYS, "drive", "brief", "card_layout"))

_DEFAULTS: dict[str, Any] = {
    "production": Production(),
    "cards": Cards(),
    "copies": Copies(),
    "checksums": Checksums(),
    "clips": Clips(),
    "station": Station(),
}
