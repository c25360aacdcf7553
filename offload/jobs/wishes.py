"""What a person or the station asks of an offload: plain values, checked by who made them."""

from dataclasses import dataclass, field
from datetime import date, datetime
from datetime import time as clock_time

from offload.card.folder import MIDNIGHT, Occasion, roll_folder, shooting_day
from offload.card.naming import NamingRule
from offload.jobs.look_notices import Sheet
from offload.media.brief import Brief
from offload.values.facts import Policy
from offload.values.paths import parent


@dataclass(frozen=True, slots=True)
class DriveWish:
    """One drive that is to get a copy.

    Attributes:
        name: as settings or command call it; unique.
        path: the folder on it, absolute, where it should be now; empty while it is nowhere.
        volume_id: the file system that was found there at first use; empty when unknown.
        marker: the random number in its marker file; empty when unknown.
        accepts_server: a server's word that it is written may count.
    """

    name: str
    path: bytes
    volume_id: str = ""
    marker: str = ""
    accepts_server: bool = False


@dataclass(frozen=True, slots=True)
class Wish:
    """One offload.

    Attributes:
        card: where the card is mounted, absolute.
        drives: in order.
        roll: a name that a person gave; empty to find it by rule.
        policy: copies, separation, readings.
        checksums: standard names for the manifest.
        template: folder on every drive.
        production: name of the production; may be empty where the template does not use it.
        day_starts: when a shooting day begins.
        first_day: the day with number 1.
        naming: how clips and labels carry the roll; the usual form when left out.
        reserve_bytes: space to leave free on every drive.
        only_paths: copy these files of the card and nothing else; such a run never clears a card.
        only_prove: read card and copies and write no file of the card anywhere.
        code: the card's, where it is known; a part of a card does not tell it.
        looks: look into the clips; without it they are copied and proven, and a notice says so.
        brief: what the shoot asked for; clips that differ are told.
        sheet: what the camera sheet lists; what never came is told.
        is_delivery: what is copied is somebody else's copy and no card.
    """

    card: bytes
    drives: tuple[DriveWish, ...]
    roll: str = ""
    policy: Policy = field(default_factory=Policy)
    checksums: tuple[str, ...] = ("xxh128", "c4")
    template: str = "{roll}"
    production: str = ""
    day_starts: clock_time = MIDNIGHT
    first_day: date | None = None
    naming: NamingRule | None = None
    reserve_bytes: int = 256 << 20
    only_paths: frozenset[bytes] | None = None
    only_prove: bool = False
    code: str = ""
    looks: bool = False
    brief: Brief = field(default_factory=Brief)
    sheet: Sheet = field(default_factory=Sheet)
    is_delivery: bool = False

    def base_folder(self, moment: datetime, roll: str, cameras: str) -> bytes:
        """The folder that holds the roll on every drive, relative, for a run that starts now.

        Args:
            moment: local time.
            roll: the roll's name.
            cameras: camera letters, or empty.

        Raises:
            SettingsError: the template names a field that has no value here.
        """
        day = shooting_day(moment, self.day_starts)
        occasion = Occasion(self.production, day, roll, cameras, self.first_day)
        return parent(roll_folder(self.template, occasion))
