"""The settings in force, as frozen values, each with where it comes from."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from enum import Enum
from typing import Any

from offload.errors import SettingsError


class Origin(Enum):
    """Where a value comes from."""

    DEFAULT = "default"
    FILE = "file"
    ENVIRONMENT = "environment"
    COMMAND = "command"


@dataclass(frozen=True, slots=True)
class Production:
    """``[production]``.

    Attributes:
        name: of the production; empty where none was given.
        day_starts: when a shooting day begins, by the clock on the wall.
        first_day: the day with number 1; None where days have no number.
    """

    name: str = ""
    day_starts: time = time(0, 0)
    first_day: date | None = None


@dataclass(frozen=True, slots=True)
class Cards:
    """``[cards]``.

    Attributes:
        watch: folders where cards appear; empty for the system's own.
        folder: template of a roll's folder on every drive.
        ignore: labels, volume ids or mount points that are never cards.
        roll_in_clip_name, roll_in_label: expressions that find the roll; empty for the usual ones.
    """

    watch: tuple[bytes, ...] = ()
    folder: str = "{production}/{day}/{roll}"
    ignore: tuple[str, ...] = ()
    roll_in_clip_name: str = ""
    roll_in_label: str = ""


@dataclass(frozen=True, slots=True)
class Copies:
    """``[copies]``.

    Attributes:
        needed: proven copies before a card may be erased.
        separate_drives: false lets copies on one physical drive count.
        card_reads: 2, or 1.
        reserve_bytes: what is to stay free on every drive.
    """

    needed: int = 2
    separate_drives: bool = True
    card_reads: int = 2
    reserve_bytes: int = 2 * 10**9


@dataclass(frozen=True, slots=True)
class Checksums:
    """``[checksums]``: the names in use, the first of them the manifest's."""

    use: tuple[str, ...] = ("xxh128", "c4")


@dataclass(frozen=True, slots=True)
class Clips:
    """``[clips]``.

    Attributes:
        look: look into the clips; false: they are copied and proven, and every verdict says so.
    """

    look: bool = True


@dataclass(frozen=True, slots=True)
class Drive:
    """One ``[[drive]]``.

    Attributes:
        name: unique.
        volume: id by which it is recognised wherever it is mounted; empty where ``path`` is set.
        path: a folder on a drive that is always there; empty where ``volume`` is set.
        accepts_server: the word of this server counts.
        declared_separate_from: drives that are separate where the program cannot see it.
    """

    name: str
    volume: str = ""
    path: bytes = b""
    accepts_server: bool = False
    declared_separate_from: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Station:
    """``[station]``.

    Attributes:
        home: folder of the ledger and the key.
        key: an OpenSSH private key to sign with; empty for the station's own.
        on_cleared, on_held: a command and its arguments, run without a shell; empty for none.
        eject: unmount a card as part of its clearance.
        receive: take deliveries at once, without being told to.
        log: a file for the log; empty for the service's own.
    """

    home: bytes = b""
    key: bytes = b""
    on_cleared: tuple[str, ...] = ()
    on_held: tuple[str, ...] = ()
    eject: bool = False
    receive: bool = False
    log: bytes = b""


@dataclass(frozen=True, slots=True)
class Given:
    """What the command line found out for us.

    Attributes:
        user_home: the user's own folder, for ``~/``.
        data_folder: where the ledger is kept when nothing else is said.
        config_folder: the user's configuration folder of this program.
        settings_option: value of ``--settings``; empty where absent.
        settings_variable: value of ``OFFLOAD_SETTINGS``; empty where absent.
        home_variable: value of ``OFFLOAD_HOME``; empty where absent.
        options: values from the command line by key, such as ``copies.needed``.
    """

    user_home: bytes
    data_folder: bytes
    config_folder: bytes
    settings_option: bytes = b""
    settings_variable: bytes = b""
    home_variable: bytes = b""
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Source:
    """One value in force.

    Attributes:
        key: ``copies.needed``, ``drive[0].name``.
        value: as in TOML or as the command had it.
        origin: where it comes from.
        line: in the settings file, from 1; 0 for any other origin.
    """

    key: str
    value: Any
    origin: Origin
    line: int = 0


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings in force.

    Attributes:
        path: the file that was read; empty where there is none.
        chosen_by: who named that file: the command, the environment, or nobody.
        brief: what the shoot asked for, unchecked; from a file of its own where it names one.
        card_layouts: further rules for what is a card, unchecked.
        sources: one for each value in force, in the order of this module.
        lines: line of every key of the file.
    """

    production: Production = Production()
    cards: Cards = Cards()
    copies: Copies = Copies()
    checksums: Checksums = Checksums()
    clips: Clips = Clips()
    drives: tuple[Drive, ...] = ()
    station: Station = Station()
    brief: Mapping[str, Any] = field(default_factory=dict)
    card_layouts: tuple[Mapping[str, Any], ...] = ()
    path: bytes = b""
    chosen_by: Origin = Origin.DEFAULT
    sources: tuple[Source, ...] = ()
    lines: Mapping[str, int] = field(default_factory=dict)

    def line_of(self, key: str) -> int:
        """The line of a key, or of what it stands in; 0 where the file does not have it."""
        while key:
            if key in self.lines:
                return self.lines[key]
            key = re.sub(r"(?:^|\.)[^.\[]*$|\[\d+\]$", "", key)
        return 0

    def placed(self, key: str, error: SettingsError) -> SettingsError:
        """An error that somebody else found in a value, with its file and line."""
        line = self.line_of(key)
        if not line:
            return error
        what = f"line {line}: {key}: {error.what}"
        return SettingsError(what, path=self.path, meaning=error.meaning, remedy=error.remedy)
