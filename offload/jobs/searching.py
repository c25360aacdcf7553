"""Where copies made by hand may lie, and what there has the size of something on the card.

A search stays on the file system of the folder that it was given: what is mounted inside it, the
card among it, lies on another device and would be counted where it does not lie. Whatever was not
searched is named, so that it never passes for a place where nothing lies.
"""

import os
import stat
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from offload.card.layout import LayoutRule
from offload.errors import reason
from offload.jobs.opening import MARKER, HeldCard, HeldDrive, has_card_layout
from offload.jobs.preflighting import was_card
from offload.ledger.database import Ledger
from offload.values.facts import Policy
from offload.values.findings import Finding
from offload.values.fleeting import fleeting_part
from offload.values.paths import join, to_text


@dataclass(slots=True)
class Place:
    """One folder in which copies may lie.

    Attributes:
        drive: held.
        is_card: the volume is, or was, a card: what lies there will be erased as well.
        paths: files there whose size some file of the card has, relative to the drive's root.
        sizes: of each, bytes.
        first: number of the first of them in the reading's numbering.
        notices: what was not searched.
    """

    drive: HeldDrive
    is_card: bool = False
    paths: list[bytes] = field(default_factory=list)
    sizes: list[int] = field(default_factory=list)
    first: int = 0
    notices: list[Finding] = field(default_factory=list)

    @property
    def may_count(self) -> bool:
        """Whether a copy there could count at all."""
        return not (self.is_card or self.drive.physical.is_ram)

    def fleeting_part(self, path: bytes) -> bytes:
        """The part of a file's real path that makes it fleeting; else empty.

        Looked for behind links and bind mounts: where the file lies is what matters.
        """
        top = os.path.realpath(self.drive.root.path)
        return fleeting_part(join(join(self.drive.volume.root, top.lstrip(b"/")), path))

    def find(self, sizes: set[int], card: HeldCard) -> None:
        """Note every file below with one of these sizes, but for the card's own."""
        root = self.drive.root
        # A folder that stands for a card can be met again, by another name or a bind mount.
        is_near = root.device == card.root.device
        own = _files_of(card) if is_near else frozenset[tuple[int, int]]()
        folders = [b""]
        while folders:
            folder = folders.pop()
            try:
                found = root.scan(folder)
            except OSError as error:
                self._not_searched(folder, reason(error))
                continue
            for entry, facts in found:
                path = join(folder, entry)
                if isinstance(facts, OSError):
                    self._not_searched(path, reason(facts))
                elif (facts.st_dev, facts.st_ino) in own:
                    continue
                elif stat.S_ISDIR(facts.st_mode):
                    self._enter(path, facts, folders)
                elif stat.S_ISREG(facts.st_mode) and facts.st_size in sizes:
                    self.paths.append(path)
                    self.sizes.append(facts.st_size)

    def _enter(self, path: bytes, facts: os.stat_result, folders: list[bytes]) -> None:
        if facts.st_dev == self.drive.root.device:
            folders.append(path)
        else:
            self._not_searched(path, "another file system is there; name it for itself")

    def _not_searched(self, path: bytes, why: str) -> None:
        where = to_text(join(self.drive.root.path, path))
        text = f"{where} was not searched: {why}"
        self.notices.append(Finding("not-searched", text, b"", self.drive.name))


def place_of(
    drive: HeldDrive, ledger: Ledger, layouts: Sequence[LayoutRule] | None = None
) -> Place:
    """A place for a drive that has been opened."""
    return Place(drive, is_card=was_card(drive, ledger) or _looks_like_card(drive, layouts))


def may_be_enough(sizes: Iterable[int], places: Iterable[Place], policy: Policy) -> bool:
    """Whether sizes alone leave it open that everything has its copies.

    Args:
        sizes: of every file of the card, bytes.
        places: searched.
        policy: how many copies are needed, and whether on separate devices.
    """
    wanted = Counter(size for size in sizes if size)
    there: dict[object, Counter[int]] = {}
    for place in places:
        if place.may_count:
            there.setdefault(_apart(place, policy), Counter()).update(place.sizes)
    counts = there.values()
    return all(
        sum(found[size] >= count for found in counts) >= policy.copies_needed
        for size, count in wanted.items()
    )


def _apart(place: Place, policy: Policy) -> object:
    """What two places have in common when both cannot be separate copies."""
    physical = place.drive.physical
    if policy.separate_drives and physical.is_known:
        return physical.devices
    return place.drive.name


def _looks_like_card(drive: HeldDrive, layouts: Sequence[LayoutRule] | None) -> bool:
    """Whether a card's folders lie at the volume's top, and nothing says that it is a drive."""
    top = drive.volume.mount_point
    is_marked = drive.marker or os.path.lexists(join(top, MARKER))
    return not is_marked and has_card_layout(top, layouts)


def _files_of(card: HeldCard) -> frozenset[tuple[int, int]]:
    """The card's top folder and all below it, by what tells a file from another name of it."""
    root = card.root
    top = os.fstat(root.fd)
    found = {(top.st_dev, top.st_ino)}
    folders = [b""]
    while folders:
        folder = folders.pop()
        try:
            listed = root.scan(folder)
        except OSError:
            continue  # told by the card's own listing
        for entry, facts in listed:
            if isinstance(facts, OSError):
                continue
            found.add((facts.st_dev, facts.st_ino))
            if stat.S_ISDIR(facts.st_mode) and facts.st_dev == root.device:
                folders.append(join(folder, entry))
    return frozenset(found)
