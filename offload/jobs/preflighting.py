"""Preflight: everything that stands in the way, found together and said before the first byte."""

import os
from collections.abc import Mapping, Sequence
from functools import partial

from offload.card.layout import LayoutRule
from offload.errors import OffloadError, reason
from offload.jobs.noting import drive_card_hints
from offload.jobs.opening import MARKER, HeldCard, HeldDrive, has_card_layout
from offload.jobs.placing import Answered, Place
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger import cards
from offload.ledger.database import Ledger
from offload.transfer.preflight.check import Preflight, check
from offload.transfer.preflight.identity import is_bare_mount_place
from offload.transfer.preflight.lineage import lineage_of
from offload.transfer.preflight.problems import Problem
from offload.transfer.preflight.proposal import Proposal, ProposedCard, ProposedDrive
from offload.values.entries import Entries
from offload.values.paths import join
from offload.volumes.dirty import Closing, read_state

_APPEAR = (b"/media", b"/run/media", b"/Volumes", b"/mnt")


class PreflightError(OffloadError):
    """Nothing can be copied at all as things are; nothing was written.

    Attributes:
        problems: all that was found, the ones that stop first.
    """

    code = "preflight"

    def __init__(self, problems: Sequence[Problem]) -> None:
        first = problems[0]
        super().__init__(
            " ".join(problem.text for problem in problems),
            meaning="Nothing was copied.",
            remedy=first.remedy,
        )
        self.problems = tuple(problems)


def preflight(
    card: HeldCard,
    entries: Entries,
    places: Sequence[Place],
    refusals: Mapping[str, str],
    wish: Wish,
    tools: Tools,
    answered: Answered,
    watched: Sequence[bytes] = (),
) -> Preflight:
    """Look at everything before the first byte.

    Args:
        card: held.
        entries: of the card.
        places: the drives that can be opened and placed.
        refusals: drive name -> why it cannot.
        wish: what was asked for.
        tools: the ledger knows which volumes were cards, the layouts what is one.
        answered: carries out a step on one drive as long as that answers.
        watched: folders where volumes appear, beside the usual ones.

    Returns:
        What drops a drive, what will be held later, and notices.

    Raises:
        PreflightError: something stops the run.
    """
    by_name = {place.name: place for place in places}
    drives = tuple(
        _proposed(
            by_name.get(each.name), each, refusals, wish, tools, answered, (*_APPEAR, *watched)
        )
        for each in wish.drives
    )
    found = check(Proposal(_card(card, entries, wish), drives, wish.policy))
    if found.is_stopped:
        raise PreflightError(found.problems)
    return found


def _proposed(
    place: Place | None,
    asked: DriveWish,
    refusals: Mapping[str, str],
    wish: Wish,
    tools: Tools,
    answered: Answered,
    appear: Sequence[bytes],
) -> ProposedDrive:
    refusal = refusals.get(asked.name, "it is not there")
    if place is not None:
        try:
            is_card = was_card(place.drive, tools.ledger)
            ask = partial(_drive, place, wish, tools, appear, is_card=is_card)
            return answered(place.drive, ask)
        except OSError as error:
            refusal = reason(error)
    return ProposedDrive(asked.name, asked.path, b"", refusal=refusal)


def _card(card: HeldCard, entries: Entries, wish: Wish) -> ProposedCard:
    return ProposedCard(
        os.path.realpath(card.path),
        entries,
        lineage_of(card.root.fd),
        card.root.device,
        card.volume.volume_id,
        card.physical.devices,
        card.physical.is_known,
        not card.is_folder_on_drive,
        is_delivery=wish.is_delivery,
    )


def _drive(
    place: Place, wish: Wish, tools: Tools, appear: Sequence[bytes], *, is_card: bool
) -> ProposedDrive:
    drive = place.drive
    room = os.fstatvfs(drive.root.fd)
    real = os.path.realpath(drive.root.path)
    is_marked = bool(drive.marker)
    return ProposedDrive(
        place.name,
        real,
        place.final,
        fs_type=drive.volume.fs_type,
        rules=place.rules,
        names=place.names,
        existing=place.existing,
        lineage=lineage_of(drive.root.fd),
        device=drive.root.device,
        volume_id=drive.volume.volume_id,
        devices=drive.physical.devices,
        is_known=drive.physical.is_known,
        expected_volume_id=drive.wish.volume_id,
        marker=drive.marker,
        expected_marker=drive.wish.marker,
        is_bare_mount_place=not is_marked
        and is_bare_mount_place(real, drive.volume.mount_point, appear),
        free_bytes=room.f_bavail * room.f_frsize,
        cluster_bytes=room.f_frsize or room.f_bsize,
        free_inodes=room.f_favail if room.f_files else None,
        reserve_bytes=wish.reserve_bytes,
        is_read_only=drive.volume.is_read_only,
        is_ram=drive.physical.is_ram,
        is_network=drive.physical.is_network,
        accepts_server=drive.wish.accepts_server,
        is_card=is_card,
        is_unclean=read_state(drive.volume).closing is Closing.NOT_CLEAN,
        has_card_layout=looks_like_card(drive, tools.layouts),
    )


def was_card(drive: HeldDrive, ledger: Ledger) -> bool:
    """Whether the ledger has seen this very volume as a card."""
    if not drive.volume.volume_id:
        return False
    return bool(cards.find_by_hints(ledger, drive_card_hints(drive)))


def looks_like_card(drive: HeldDrive, layouts: Sequence[LayoutRule] | None) -> bool:
    """Whether a card's folders lie at the volume's top, and nobody has taken it into use."""
    top = drive.volume.mount_point
    is_used = drive.marker or drive.wish.volume_id or os.path.lexists(join(top, MARKER))
    is_at_top = os.path.realpath(drive.root.path) == top
    return not is_used and (is_at_top or os.access(top, os.R_OK)) and has_card_layout(top, layouts)


def may_be_tried(card: HeldCard, drive: HeldDrive, layouts: Sequence[LayoutRule] | None) -> bool:
    """Whether names may be tried on a drive before anything has been said of it.

    Not on what is the card, lies on it, or may be another card: nothing is ever written there. Of
    one that was a card (:func:`was_card`) only the ledger knows.
    """
    if looks_like_card(drive, layouts):
        return False
    try:
        is_inside = lineage_of(card.root.fd)[0] in lineage_of(drive.root.fd)
    except OSError:
        return False
    is_beside = card.root.device == drive.root.device or bool(
        card.physical.devices & drive.physical.devices
    )
    return not is_inside and (card.is_folder_on_drive or not is_beside)
