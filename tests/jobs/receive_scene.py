"""A delivery and who receives it: a sender's drive with records, a station with drives of its own.

The sender's drive is made by whole offloads of cards, by another key and another ledger.
"""

import os
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

from offload.events import Event
from offload.jobs.offloading import offload_card
from offload.jobs.receive_result import Received
from offload.jobs.receiving import ReceiveWish, receive
from offload.jobs.surroundings import Surroundings
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger.database import Ledger
from offload.record.keys import SigningKey, key_from_seed
from offload.record.signers import Signers
from offload.values.facts import Policy
from tests.jobs.verify_scene import known
from tests.lab.images import EXT4, FileSystem, Rack, Volume
from tests.lab.machine import loops_as_disks

SENDER = key_from_seed(bytes(31) + b"\4")
STATION = key_from_seed(bytes(31) + b"\5")
TRUSTED = known(("set", SENDER))


def clips(roll: str) -> dict[str, bytes]:
    """What a camera wrote: two clips, a side file, something in a folder of its own."""
    return {
        f"CLIPS/{roll}C001.mov": os.urandom(1_200_000),
        f"CLIPS/{roll}C002.mov": os.urandom(70_001),
        f"CLIPS/{roll}C002.xml": b"<take/>",
        "empty.txt": b"",
    }


@dataclass
class Depot:
    """One delivered drive, and the station that it came to."""

    folder: Path
    sent: Volume
    drives: list[Volume]
    surroundings: Surroundings = field(default_factory=loops_as_disks)
    events: list[Event] = field(default_factory=list)
    rolls: dict[str, dict[str, bytes]] = field(default_factory=dict)

    @classmethod
    def make(
        cls,
        rack: Rack,
        folder: Path,
        *,
        rolls: tuple[str, ...] = ("A001",),
        sent: FileSystem = EXT4,
        drives: tuple[FileSystem, ...] = (EXT4, EXT4),
    ) -> "Depot":
        """A delivery of these rolls, each offloaded by the sender."""
        (folder / "home").mkdir()
        depot = cls(
            folder,
            rack.volume(sent, name="sent"),
            [rack.volume(fs, name=f"shuttle-{at}") for at, fs in enumerate(drives, 1)],
        )
        for volume in (depot.sent, *depot.drives):
            if (volume.root / "lost+found").exists():
                (volume.root / "lost+found").rmdir()
        for roll in rolls:
            depot.send(roll, clips(roll))
        depot.sent.sync()
        return depot

    @classmethod
    def make_again(cls, rack: Rack, before: "Depot", files: dict[str, bytes]) -> "Depot":
        """A second delivery to the same station."""
        depot = cls(before.folder, rack.volume(EXT4, name="second"), before.drives)
        (depot.sent.root / "lost+found").rmdir()
        depot.send("A001", files)
        depot.sent.sync()
        return depot

    def send(self, roll: str, files: dict[str, bytes]) -> None:
        """The sender offloads one more card to the drive."""
        card = self.folder / f"card-{self.sent.root.name}-{roll}"
        for path, content in files.items():
            (card / path).parent.mkdir(parents=True, exist_ok=True)
            (card / path).write_bytes(content)
        wish = Wish(
            os.fsencode(card),
            (DriveWish("sent", os.fsencode(self.sent.root)),),
            roll=roll,
            policy=Policy(copies_needed=1, separate_drives=False),
            reserve_bytes=0,
        )
        home = self.folder / f"sender-{self.sent.root.name}"
        home.mkdir(exist_ok=True)
        with Ledger(os.fsencode(home)) as ledger:
            outcome = offload_card(wish, Tools(ledger, SENDER, identity="set"))
        assert outcome.verdict.is_cleared, outcome.verdict.holds
        self.rolls[roll] = files

    def wish(self, **changes: object) -> Wish:
        drives = tuple(
            DriveWish(f"shuttle-{at}", os.fsencode(volume.root))
            for at, volume in enumerate(self.drives, 1)
        )
        made = Wish(os.fsencode(self.sent.root), drives, reserve_bytes=0)
        return replace(made, **changes)  # type: ignore[arg-type]

    def receive(
        self,
        wish: Wish | None = None,
        *,
        signers: Signers = TRUSTED,
        appends: bool = False,
        key: SigningKey = STATION,
        is_stopped: Callable[[], bool] = lambda: False,
        sink: Callable[[Event], None] | None = None,
    ) -> Received:
        """Receive what came."""
        with ExitStack() as stack:
            ledger = stack.enter_context(Ledger(os.fsencode(self.folder / "home")))
            tools = Tools(
                ledger,
                key,
                self.surroundings,
                sink=sink or self.events.append,
                is_stopped=is_stopped,
                identity="post",
            )
            asked = ReceiveWish(wish or self.wish(), signers, appends=appends)
            return receive(asked, tools)

    def roll(self, drive: int, roll: str = "A001") -> Path:
        """A roll's folder on one of the station's drives."""
        return self.drives[drive - 1].root / roll
