"""Volumes that could be drives, and what stands against one."""

import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from offload.card.layout import LayoutRule
from offload.cli.amounts import size
from offload.cli.wrapping import wrapped
from offload.errors import CardError, UsageError
from offload.jobs.surroundings import Surroundings
from offload.jobs.volume_kind import VolumeKind, look_at_volume
from offload.ledger import cards, drives, pulse
from offload.ledger.database import Ledger
from offload.settings import Settings
from offload.station.sorting import drives_on
from offload.values.paths import shown, to_text
from offload.volumes.physical import is_system_disk
from offload.volumes.places import is_bare_place
from offload.volumes.table import volume_of
from offload.volumes.volume import Volume

_FRESH_NS = 15 * 10**9


@dataclass(frozen=True, slots=True)
class Candidate:
    """A folder or volume that is to become a drive.

    Attributes:
        volume: on which it lies.
        volume_id: by which it is to be recognised; empty where ``path`` is.
        path: a folder; empty where ``volume_id`` is.
        is_known: what it lies on could be worked out.
        reason: how it is attached, or why that is not known.
    """

    volume: Volume
    volume_id: str
    path: bytes
    is_known: bool
    reason: str

    def refuse_cards(self, ledger: Ledger, layouts: Sequence[LayoutRule]) -> None:
        """A volume that is, or was, a card never counts as a drive: cards get erased.

        Args:
            ledger: knows which volumes were cards.
            layouts: by which a card is known, those of the settings among them.

        Raises:
            UsageError: it is one.
        """
        volume = self.volume
        hints = cards.CardHints(
            volume.volume_id, volume.label, volume.capacity_bytes or 0, volume.fs_type
        )
        is_card = bool(volume.volume_id) and bool(cards.find_by_hints(ledger, hints))
        if not is_card and self.volume_id:
            try:
                is_card = look_at_volume(volume.mount_point, layouts).kind is VolumeKind.CARD
            except CardError:
                is_card = False
        if is_card:
            raise UsageError(
                f"{to_text(volume.mount_point)} is, or was, a card, and cards get erased",
                meaning="Nothing was changed.",
                remedy="Name a drive that no camera writes to.",
            )

    def refuse_taken_name(self, ledger: Ledger, name: str) -> None:
        """A name that another drive has in the ledger is not given twice.

        Raises:
            UsageError: it is taken.
        """
        used = drives.in_use(ledger, name)
        if used is None:
            return
        is_same = used.hints.volume_id == self.volume.volume_id
        if not is_same:
            raise UsageError(
                f"'{shown(name)}' is the name of another drive that is in use",
                meaning="Nothing was changed.",
                remedy=f"Another name, or first:  offload drive retire '{shown(name)}'",
            )

    def lines(self, name: str, width: int | None) -> list[str]:
        """What has come about, for a screen of ``width`` columns; None for unbroken lines."""
        free = size(self.volume.free_bytes or 0)
        by = "by its volume id" if self.volume_id else f"as the folder {to_text(self.path)}"
        text = f"{shown(name)} is in use, recognised {by}: {free} free."
        found = wrapped(text, width, "", "  ")
        if is_system_disk(self.volume):
            found += wrapped("It is on a disk that this computer runs from.", width, "  ", "  ")
        if not self.is_known:
            doubt = f"It is not shown to be separate from other drives ({self.reason}); "
            doubt += "where you know that it is, say so in the settings: declared_separate_from"
            found += wrapped(doubt, width, "  ", "  ")
        return found


def checked_candidate(folder: str, machine: Surroundings, settings: Settings) -> Candidate:
    """A folder that is to become a drive.

    Raises:
        UsageError: it is none, or no drive is mounted there.
    """
    path = os.path.abspath(os.fsencode(folder))
    if not os.path.isdir(path):
        raise UsageError(
            f"there is no folder {to_text(path)}",
            remedy="Plug the drive in and name where it is mounted:  offload drive list",
        )
    volume = volume_of(path)
    if is_bare_place(path, volume):
        raise UsageError(
            f"no drive is mounted at {to_text(path)}",
            meaning="Copies would land on the disk that this computer runs from.",
            remedy="Plug the drive in, then the same command.",
        )
    taken = drives_on(volume, settings.drives)
    is_top = os.path.realpath(path) == volume.mount_point
    if taken and is_top:
        raise UsageError(
            f"this drive is in the settings already, as {', '.join(map(shown, taken))}",
            meaning="Nothing was changed.",
            remedy="offload drive list",
        )
    physical = machine.physical(volume)
    by_id = is_top and bool(volume.volume_id)
    return Candidate(
        volume,
        volume.volume_id if by_id else "",
        b"" if by_id else path,
        physical.is_known,
        shown(physical.reason),
    )


def candidates(
    ledger: Ledger, machine: Surroundings, settings: Settings
) -> Iterator[tuple[Volume, str]]:
    """Mounted volumes that could be drives and are none yet, with how they are attached."""
    for volume in machine.volumes():
        is_out = volume.is_covered or volume.is_read_only or not volume.is_answering
        if is_out or drives_on(volume, settings.drives) or is_system_disk(volume):
            continue
        physical = machine.physical(volume)
        if physical.is_ram or not (volume.volume_id or volume.is_network):
            continue
        hints = cards.CardHints(
            volume.volume_id, volume.label, volume.capacity_bytes or 0, volume.fs_type
        )
        if not cards.find_by_hints(ledger, hints):
            yield volume, shown(physical.reason)


def candidate_lines(
    ledger: Ledger, machine: Surroundings, settings: Settings, width: int | None
) -> Iterator[str]:
    """The same for a screen of ``width`` columns; None for lines that are not broken.

    What to type with them depends on who shows them.
    """
    found = list(candidates(ledger, machine, settings))
    if not found:
        return
    yield "mounted, and no drive yet"
    for volume, reason in found:
        free = f"{size(volume.free_bytes or 0)} free of {size(volume.capacity_bytes or 0)}"
        text = f"{to_text(volume.mount_point)}  {free}, {reason}"
        yield from wrapped(text, width, "  ", "      ")


def known_name(ledger: Ledger, settings: Settings, name: str) -> None:
    """See that a drive of this name is in use.

    Raises:
        UsageError: there is none; says which there are.
    """
    names = {drive.name for drive in settings.drives}
    names |= {each.hints.name for each in drives.all_known(ledger) if each.retired_ns is None}
    if name not in names:
        listed = ", ".join(shown(each) for each in sorted(names)) or "none"
        raise UsageError(
            f"there is no drive '{shown(name)}'",
            meaning=f"Drives in use: {listed}.",
            remedy="offload drive list",
        )


def refuse_busy(ledger: Ledger, name: str) -> None:
    """See that no run works with a drive.

    Raises:
        UsageError: one does; says which.
    """
    for run in pulse.read_all(ledger.home):
        is_fresh = abs(time.time_ns() - run.at_ns) < _FRESH_NS
        if is_fresh and any(each.name == shown(name) for each in run.drives):
            raise UsageError(
                f"{shown(name)} is busy with {run.roll or 'a card'}",
                meaning="Nothing was changed.",
                remedy="Wait for its verdict:  offload status --follow",
            )


def volume_of_drive(ledger: Ledger, settings: Settings, machine: Surroundings, name: str) -> Volume:
    """The mounted volume that a drive is on.

    Raises:
        UsageError: it is not there, or is a disk that this computer runs from.
    """
    named = [drive for drive in settings.drives if drive.name == name]
    used = drives.in_use(ledger, name)
    for volume in machine.volumes():
        is_its = bool(drives_on(volume, named)) or (
            not named
            and used is not None
            and bool(used.hints.volume_id)
            and used.hints.volume_id == volume.volume_id
        )
        if not is_its or volume.is_covered:
            continue
        if is_system_disk(volume):
            break
        return volume
    else:
        raise UsageError(f"{shown(name)} is not there: nothing is mounted to be put to rest")
    raise UsageError(f"{shown(name)} is on a disk that this computer runs from: it never rests")
