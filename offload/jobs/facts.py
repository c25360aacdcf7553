"""Putting together, from what the steps of a run recorded, the facts that a verdict rests on."""

from collections.abc import Mapping
from dataclasses import dataclass

from offload.card.inventory import Walk
from offload.checksum import COMPARE
from offload.jobs.last_look import LastLook
from offload.jobs.opening import HeldCard
from offload.jobs.passes import PassColumns
from offload.jobs.placing import Place, Standing
from offload.jobs.wishes import DriveWish, Wish
from offload.values.entries import Kind
from offload.values.facts import Decision, DriveFacts, Facts, ReadBack
from offload.values.findings import Finding

_FINISHED = frozenset({Standing.DONE, Standing.ADDING})


@dataclass(frozen=True, slots=True)
class FactSources:
    """Where a run's facts come from.

    Attributes:
        walk: of the card, at the beginning.
        columns: states by entry.
        places: drives that took part.
        wish: what was asked for.
        failures: drive name -> why it was dropped or refused.
        away: names of the drives that are not there.
        recorded: names of the drives that have a whole record.
        card: held.
        is_present: the card is still mounted as it was.
        is_ledger_written: so far.
        is_without_clip: a known layout without one clip.
        notices: findings that keep nothing.
        clip_findings: doubts about clips.
        sent_differs: files that are not what the list that came with them says.
        decisions: what persons have settled.
        causes: what was said when a record was refused, beside what the passes met.
    """

    walk: Walk
    columns: PassColumns
    places: tuple[Place, ...]
    wish: Wish
    failures: Mapping[str, str]
    away: frozenset[str]
    recorded: frozenset[str]
    card: HeldCard
    is_present: bool
    is_ledger_written: bool
    is_without_clip: bool
    notices: tuple[Finding, ...] = ()
    clip_findings: tuple[Finding, ...] = ()
    sent_differs: tuple[Finding, ...] = ()
    decisions: tuple[Decision, ...] = ()
    causes: tuple[Finding, ...] = ()


def gather_facts(sources: FactSources, look: LastLook) -> Facts:
    """The facts at this moment."""
    walk = sources.walk
    entries = walk.inventory.entries
    left_out = walk.inventory.left_out
    places = {place.name: place for place in sources.places}
    return Facts(
        inventory=walk.inventory,
        card_states=bytes(sources.columns.card_states),
        drives=tuple(
            _drive_facts(sources, wish, places.get(wish.name), look) for wish in sources.wish.drives
        ),
        policy=sources.wish.policy,
        is_same_mounting=sources.is_present,
        is_as_listed=look.walk is not None and not look.changes,
        is_layout_without_clip=sources.is_without_clip,
        left_out_footage=walk.has_footage_left_out,
        left_out_clips=walk.left_out_clips,
        left_out_bytes=sum(entry.size_bytes for entry in left_out),
        checksums=sources.columns.copied.digests.column(COMPARE),
        clip_findings=sources.clip_findings,
        sent_differs=sources.sent_differs,
        notices=sources.notices,
        decisions=sources.decisions,
        uncrossed_mounts=tuple(
            Finding("inner-mount", "another file system is mounted there", entry.path)
            for entry in entries
            if entry.kind is Kind.MOUNT
        ),
        listing_errors=tuple(
            Finding("not-listed", entry.note, entry.path)
            for entry in entries
            if entry.kind is Kind.UNREADABLE
        ),
        is_card_present=sources.is_present,
        is_ledger_written=sources.is_ledger_written,
        is_folder_card=sources.card.is_folder_on_drive,
        card_changes=tuple(look.changes),
        causes=(*sources.columns.findings, *sources.causes),
    )


def _drive_facts(
    sources: FactSources, wish: DriveWish, place: Place | None, look: LastLook
) -> DriveFacts:
    failure = sources.failures.get(wish.name, "")
    if place is None:
        is_away = wish.name in sources.away
        return DriveFacts(
            wish.name,
            wish.path,
            frozenset(),
            bytes(len(sources.walk.inventory.entries)),
            is_known=False,
            is_present=not is_away,
            is_recorded=False,
            failure="" if is_away else failure or "it takes no part",
        )
    physical = place.drive.physical
    return DriveFacts(
        wish.name,
        place.absolute,
        physical.devices,
        bytes(sources.columns.drive_states[wish.name]),
        is_known=physical.is_known,
        is_ram=physical.is_ram,
        is_on_card=bool(physical.devices & sources.card.physical.devices),
        is_present=wish.name not in look.away,
        accepts_server=wish.accepts_server,
        names_read=place.is_mounted_anew,
        is_recorded=wish.name in sources.recorded,
        failure=failure,
        read_back=sources.columns.read_back.get(wish.name, ReadBack.NONE),
        is_finished=any(roll.standing in _FINISHED for roll in place.rolls),
    )
