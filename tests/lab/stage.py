"""The stage of a fault run: a card and drives on faulty file systems, set up anew for each run.

The mounts stay from run to run; their backing folders are put back to the beginning. What a run
meets is a :class:`Case`: which faults, on which place.
"""

import dataclasses
import hashlib
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.lab import cards, oracle, pages
from tests.lab.cards import Item
from tests.lab.faultfs import Call, Fault, FaultFs, Quirks
from tests.lab.images import EXFAT, Rack, Volume
from tests.lab.mounts import LabError

CARD, DRIVES, LEDGER = "card", ("drive-1", "drive-2"), "ledger"
PLACES = (CARD, *DRIVES, LEDGER)
ROLL = "A001"
DEVICE_BYTES = 16 << 20
# Another production's material, there before; nothing may happen to it.
EARLIER = (
    Item(b"Night Ferry/A900/CLIPS/A900C001.mov", content=b"an earlier card's clip" * 500),
    Item(b"notes.txt", content=b"not ours"),
)


@dataclass(frozen=True, slots=True)
class Case:
    """What one run meets.

    Attributes:
        name: says it all in one line, for the table and for repeating it.
        faults: place and fault.
        where: the place, for the table.
        kind: effect or error, for the table.
        card_reads: readings of the card asked for.
        tree: what lies on the card; the stage's usual one when empty.
        quirks: place, and how it is all the time.
        is_lasting: the quirks stay when the faults are gone.
        spared: drives that no fault concerns: their copies are whole after the first run.
    """

    name: str
    faults: tuple[tuple[str, Fault], ...]
    where: str
    kind: str
    card_reads: int = 2
    tree: tuple[Item, ...] = ()
    quirks: tuple[tuple[str, Quirks], ...] = ()
    is_lasting: bool = False
    spared: tuple[str, ...] = ()


class Stage:
    """Card, two drives, and the disk on which the ledger has its home.

    Args:
        rack: gives the block devices below the mounts.
        folder: everything lies below it.
        quirks: by place.
    """

    def __init__(
        self, rack: Rack, folder: Path, quirks: Mapping[str, Quirks] | None = None
    ) -> None:
        self.folder = folder
        self.rack = rack
        self.quirks = dict(quirks or {})
        self.devices: dict[str, Volume] = {}
        self.mounts: dict[str, FaultFs] = {}
        self.truth = oracle.Content({}, frozenset())
        self.tree: tuple[Item, ...] = ()
        self._runs = 0
        self._quirky: set[str] = set()
        self._earlier = oracle.Content(
            {item.path: hashlib.sha256(item.content).hexdigest() for item in EARLIER}, frozenset()
        )
        for place in PLACES:
            self.devices[place] = self._device(place)
            self.backing(place).mkdir(parents=True)
            self.mount(place)

    # --- places

    def backing(self, place: str) -> Path:
        """The folder behind a place: the truth of what is stored."""
        return self.folder / f"{place}.disk"

    def root(self, place: str) -> Path:
        """Where a place is mounted."""
        return self.folder / place

    @property
    def home(self) -> Path:
        """Home of the ledger in this run, on a disk of its own that can fail as well."""
        return self.root(LEDGER) / f"home-{self._runs}"

    @property
    def stored_home(self) -> Path:
        """The same, behind the faults."""
        return self.backing(LEDGER) / f"home-{self._runs}"

    def mount(self, place: str) -> None:
        """Mount a place; also after it vanished, with a device of its own as before."""
        device = self.devices[place].device
        quirks = dataclasses.replace(self.quirks.get(place, Quirks()), block_device=device)
        self.mounts[place] = FaultFs(
            self.backing(place), self.root(place), quirks, keeps_pages=True, source=device
        )

    def remount(self, place: str, quirks: Quirks | None = None) -> None:
        """A new mounting of a place, with other quirks where given."""
        self.mounts[place].close()
        if quirks is not None:
            self.quirks[place] = quirks
        self.mount(place)

    # --- runs

    def reset(self, tree: Sequence[Item]) -> None:
        """The beginning of a run: the tree on the card, earlier material on the drives."""
        self.clear()
        shutil.rmtree(self.home, ignore_errors=True)
        self._runs += 1
        if tuple(tree) != self.tree:
            self._fill(CARD, tree)
            self.tree = tuple(tree)
            self.truth = oracle.content_of(self.backing(CARD))
        self._forget_pages(CARD)
        for drive in DRIVES:
            self._fill(drive, EARLIER)
        self.stored_home.mkdir()
        self.clear()

    def refill_card(self) -> None:
        """Put the card's tree back at the next reset, whatever a run has done to it."""
        self.tree = ()

    def plan(self, case: Case) -> None:
        """Let a case's faults strike from now on."""
        for place in PLACES:
            self.mounts[place].plan(*(fault for at, fault in case.faults if at == place))
        for place, quirks in case.quirks:
            self._become(place, quirks)
            self._quirky.add(place)

    def clear(self, *, is_quirky: bool = False) -> None:
        """No more faults; lost entries are found again; counting begins anew.

        Args:
            is_quirky: places that are odd all the time stay so.
        """
        for mount in self.mounts.values():
            mount.plan()
            mount.give_back()
        if not is_quirky:
            for place in self._quirky:
                self._become(place, self.quirks.get(place, Quirks()))
            self._quirky.clear()

    def _become(self, place: str, quirks: Quirks) -> None:
        device = self.devices[place].device
        self.mounts[place].become(dataclasses.replace(quirks, block_device=device))

    def struck(self) -> int:
        """Operations that met a fault, on all places."""
        return sum(mount.struck for mount in self.mounts.values())

    def calls(self, place: str) -> list[Call]:
        """Operations that a place has seen since the plan was set."""
        return self.mounts[place].calls()

    def release(self, errno: str = "") -> None:
        """Let everything that hangs go on."""
        for mount in self.mounts.values():
            mount.release(errno)

    # --- what really lies there

    def contents(self) -> dict[str, oracle.Content]:
        """What lies on each drive."""
        return {drive: oracle.content_of(self.backing(drive)) for drive in DRIVES}

    def copies(self, *, by_content: bool = False) -> int:
        """On how many drives every byte of the card lies, under a finished name."""
        seen = self.contents().values()
        return oracle.contents_with_copy(seen, self.truth, by_content=by_content)

    def has_copy(self, drive: str) -> bool:
        """Whether a drive holds every byte of the card under a finished name."""
        return bool(oracle.copies_in(oracle.content_of(self.backing(drive)), self.truth))

    def check_the_checker(self) -> None:
        """What is found on the drives is what ``find`` and ``sha256sum`` find there.

        Raises:
            LabError: it is not.
        """
        for drive in DRIVES:
            place = self.backing(drive)
            if oracle.content_of(place) != oracle.content_by_tools(place):
                raise LabError(f"the checker is wrong about {place}")

    def record_faults(self) -> list[str]:
        """What stock tools find wrong in the records on the drives."""
        return [
            f"{drive}: {fault}"
            for drive in DRIVES
            for fault in oracle.record_faults(self.backing(drive))
        ]

    def faults_of_drives(
        self, contents: Mapping[str, oracle.Content], *, is_listing_whole: bool = True
    ) -> list[str]:
        """What must never be found on a drive, whatever the answer was.

        Args:
            contents: from :meth:`contents`.
            is_listing_whole: the card's listing left nothing out silently; else a copy that is
                whole as far as it could be known may bear the name (and must not be cleared).
        """
        said = []
        for drive, seen in contents.items():
            said += [
                f"{drive}: earlier material changed: {path!r}"
                for path in oracle.changed(self._earlier, seen)
            ]
            said += [
                f"{drive}: {folder!r} bears the roll's name and is not whole"
                for folder in oracle.half_done_under_final_name(seen, self.truth, ROLL.encode())
                if is_listing_whole
            ]
        return said

    def close(self) -> None:
        """Take every mount away; the devices go with the rack."""
        failures = []
        for mount in reversed(list(self.mounts.values())):
            try:
                mount.close()
            except LabError as error:
                failures.append(str(error))
        if failures:
            raise LabError("; ".join(failures))

    def _fill(self, place: str, items: Sequence[Item]) -> None:
        # Through the mount, so that the kernel forgets the pages of what is removed.
        for entry in os.scandir(os.fsencode(self.root(place))):
            if entry.is_dir(follow_symlinks=False):
                shutil.rmtree(entry.path)
            else:
                os.unlink(entry.path)
        cards.write_tree(self.backing(place), items)

    def _forget_pages(self, place: str) -> None:
        """Else a run would be answered from what the run before it has read."""
        pages.forget_files(os.fsencode(self.root(place)))

    def _device(self, place: str) -> Volume:
        volume = self.rack.volume(
            EXFAT, name=f"{place}-device", size_bytes=DEVICE_BYTES, is_mounted=False
        )
        volume.attach()
        return volume
