"""What the runner tries: the program's own offload, in this process, for speed.

Loop devices count as disks of their own here, which they are for everything but the rule that
separates drives; that rule is tried where it belongs, on the real machine.
"""

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from offload.errors import OffloadError
from offload.jobs.offloading import offload_card
from offload.jobs.surroundings import Surroundings
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger.database import Ledger
from offload.record.keys import station_key
from offload.values.facts import Policy
from tests.lab.machine import loops_as_disks
from tests.lab.runner import Answer
from tests.lab.stage import CARD, DRIVES, ROLL, Stage


@dataclass(slots=True)
class LibraryOffload:
    """One offload by the library's job.

    Attributes:
        surroundings: the machine as the job sees it; the clock can be another one.
        checksums: for the manifest.
    """

    surroundings: Callable[[], Surroundings] = loops_as_disks
    checksums: tuple[str, ...] = ("xxh128", "c4")

    def offload(self, stage: Stage, *, card_reads: int) -> Answer:
        """Offload the stage's card to its drives, with a ledger of this run's own."""
        roots = {name: stage.root(name) for name in DRIVES}
        surroundings = self.surroundings()
        return offloaded(
            stage.root(CARD), roots, stage.home, surroundings, card_reads, self.checksums
        )


def offloaded(
    card: Path,
    drives: Mapping[str, Path],
    home: Path,
    surroundings: Surroundings | None = None,
    card_reads: int = 2,
    checksums: tuple[str, ...] = ("xxh128", "c4"),
) -> Answer:
    """Offload any card to any drives, by name; loop devices count as disks unless told else."""
    wish = Wish(
        os.fsencode(card),
        tuple(DriveWish(name, os.fsencode(root)) for name, root in drives.items()),
        roll=ROLL,
        policy=Policy(card_reads=card_reads),
        checksums=checksums,
        reserve_bytes=0,
    )
    place = os.fsencode(home)
    try:
        with Ledger(place) as ledger:
            tools = Tools(ledger, station_key(place), surroundings or loops_as_disks())
            verdict = offload_card(wish, tools).verdict
    except OffloadError as error:
        return Answer(False, (f"error:{error.code}",), remedies=(error.remedy,))
    return Answer(
        verdict.is_cleared,
        tuple(hold.code for hold in verdict.holds),
        "once" in verdict.headline,
        tuple(hold.remedy for hold in verdict.holds),
    )
