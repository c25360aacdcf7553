"""How everything stands, from ledger and pulses alone: for any shell, station or no station.

A line here is history and no verdict: whether a card may be erased now, only a check says.
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass

from offload.errors import LedgerError
from offload.jobs.surroundings import Surroundings
from offload.ledger import cards, copies, drives, inventories, offloads, pulse, queue, standing
from offload.ledger.database import Ledger
from offload.ledger.drives import Fault, KnownDrive
from offload.ledger.lease import station_holder
from offload.ledger.locks import Holder
from offload.ledger.pulse import Pulse
from offload.ledger.queue import Queued
from offload.ledger.standing import CardStanding, Place
from offload.settings import Drive
from offload.station.others import OtherLine, other_lines
from offload.values.paths import shown
from offload.values.verdict import Answer
from offload.volumes.volume import Volume

_FRESH_S = 15.0
_SHORTEST_PACE_NS = 15 * 60 * 10**9


@dataclass(frozen=True, slots=True)
class OpenHold:
    """A reason that keeps a card, as its verdict said it; texts are safe to show."""

    code: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class CardLine:
    """One card.

    Attributes:
        card: its number in the ledger; 0 for a volume that has none.
        called: roll, code or label, safe to show.
        code: card code; empty until it was read once.
        label: as the volume has it.
        place: where it is.
        mount_point: where it is, or was, mounted.
        changed_ns: when something was last written about it.
        safe_ns: when it was last cleared; 0 where it never was, or where that is void.
        files, total_bytes: as it was last listed.
        answer: its last verdict; None before there is one.
        holds: that keep it, by that verdict.
        drives: on which its copies are, as far as they were proven.
        queued: its place in the station's line; None where it has none.
        run: its pulse; None where it is not being worked on.
        is_begun: a run has worked on it, whatever came of that.
        is_listed_only: the last time it was here it was listed as when it was cleared, and not
            read; a twin may be listed alike.
    """

    card: int
    called: str
    code: str
    label: str
    place: Place
    mount_point: bytes
    changed_ns: int
    safe_ns: int
    files: int
    total_bytes: int
    answer: Answer | None
    holds: tuple[OpenHold, ...]
    drives: tuple[str, ...]
    queued: Queued | None
    run: Pulse | None
    is_listed_only: bool = False
    is_begun: bool = False

    @property
    def is_alarm(self) -> bool:
        """Out of the reader, and nobody knows whether its material exists anywhere else."""
        return self.place is Place.OUT_NOT_PROVEN


@dataclass(frozen=True, slots=True)
class DriveLine:
    """One drive as a thing.

    Attributes:
        name: as the settings or a command call it.
        is_here: it can be written to now.
        is_named: the settings name it.
        is_busy: a run writes to it.
        is_retired: it takes no more.
        path: where it is, or was.
        size_bytes, free_bytes: of its file system; as at its last use where it is away.
        written_bytes: put on it since the day began.
        full_in_s: seconds until it is full at today's pace; None where there is none.
        rolls: how many copies are on it.
        faults: the last ones, the newest first.
    """

    name: str
    is_here: bool
    is_named: bool
    is_busy: bool
    is_retired: bool
    path: bytes
    size_bytes: int
    free_bytes: int
    written_bytes: int
    full_in_s: float | None
    rolls: int
    faults: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class Overview:
    """How everything stands.

    Attributes:
        at_ns: nanoseconds since 1970.
        station: who keeps the ledger; None where no station runs.
        cards: those of the day and every unproven one, alarms first, then the last changed.
        others: volumes that are in and no cards, deliveries above all.
        drives: see there.
    """

    at_ns: int
    station: Holder | None
    cards: tuple[CardLine, ...]
    others: tuple[OtherLine, ...]
    drives: tuple[DriveLine, ...]


def read_overview(
    ledger: Ledger, surroundings: Surroundings, named: Sequence[Drive], since_ns: int
) -> Overview:
    """How everything stands now.

    Args:
        named: the drives of the settings.
        since_ns: when the day began.

    Raises:
        LedgerError: it does not answer.
    """
    now = surroundings.now_ns()
    volumes = surroundings.volumes()
    keys = frozenset(surroundings.mounting_key(volume) for volume in volumes)
    _close_missed(ledger, keys, now)
    in_line = {row.mounting: row for row in queue.in_line(ledger) if row.mounting in keys}
    runs = {
        each.offload: each for each in pulse.read_all(ledger.home) if _is_live(ledger, each, now)
    }
    seen = {stood.card.card: stood for stood in standing.seen_since(ledger, since_ns)}
    for stood in standing.not_proven(ledger):
        seen.setdefault(stood.card.card, stood)
    lines = [_card_line(ledger, stood, in_line, runs) for stood in seen.values()]
    lines.sort(key=lambda line: (not line.is_alarm, -line.changed_ns))
    shown_keys = {line.queued.mounting for line in lines if line.queued is not None}
    of_cards = {line.run.offload for line in lines if line.run is not None}
    return Overview(
        now,
        station_holder(ledger.home),
        tuple(lines),
        other_lines(
            ledger,
            (row for row in in_line.values() if row.mounting not in shown_keys),
            (run for run in runs.values() if run.offload not in of_cards),
        ),
        _drive_lines(ledger, named, volumes, tuple(runs.values()), since_ns, now),
    )


def _close_missed(ledger: Ledger, keys: frozenset[str], now: int) -> None:
    """What has left while nobody looked, is written down by whoever looks first."""
    try:
        cards.still_mounted(ledger, keys, now)
    except LedgerError:
        # A ledger that takes nothing any more can still be read.
        return


def _is_live(ledger: Ledger, each: Pulse, now: int) -> bool:
    # A pulse outlives its run by a moment, and the verdict is in the ledger by then.
    is_fresh = abs(now - each.at_ns) < _FRESH_S * 1e9
    return is_fresh and not offloads.is_over(ledger, each.offload)


def _card_line(
    ledger: Ledger,
    stood: CardStanding,
    in_line: dict[str, Queued],
    runs: dict[int, Pulse],
) -> CardLine:
    card, mounting, last = stood.card, stood.mounting, stood.offload
    roll = stood.rolls[0].name if stood.rolls else ""
    files = total = 0
    number = mounting.inventory if mounting is not None else None
    if number is None and last is not None:
        number = last.inventory
    if number is not None:
        listed = inventories.describe(ledger, number)
        files, total = listed.files, listed.total_bytes
    run = runs.get(last.offload) if last is not None else None
    changed = [card.last_seen_ns]
    if last is not None:
        changed.append(last.changed_ns)
    if mounting is not None:
        changed.append(mounting.left_ns or mounting.arrived_ns)
    return CardLine(
        card.card,
        shown(roll or card.code or card.hints.label) or f"card {card.card}",
        card.code,
        card.hints.label,
        stood.place,
        mounting.mount_point if mounting is not None else b"",
        max(changed),
        _safe_ns(stood),
        files,
        total,
        last.answer if last is not None else None,
        _holds(stood),
        _proven_on(ledger, stood),
        in_line.get(mounting.key) if mounting is not None else None,
        run,
        _is_listed_only(stood),
        last is not None,
    )


def _is_listed_only(stood: CardStanding) -> bool:
    given, mounting = stood.clearance, stood.mounting
    return given is not None and mounting is not None and given.given.mounting != mounting.key


def _safe_ns(stood: CardStanding) -> int:
    given = stood.clearance
    return given.given.at_ns if given is not None and given.voided_ns is None else 0


def _holds(stood: CardStanding) -> tuple[OpenHold, ...]:
    last = stood.offload
    if last is None or last.answer is not Answer.HELD:
        return ()
    found = last.verdict.get("holds", [])
    return tuple(
        OpenHold(str(each.get("code", "")), str(each.get("text", "")), str(each.get("remedy", "")))
        for each in found
        if isinstance(each, dict)
    )


def _proven_on(ledger: Ledger, stood: CardStanding) -> tuple[str, ...]:
    if stood.offload is None:
        return ()
    return tuple(
        copy.drive_name
        for copy in copies.of_offload(ledger, stood.offload.offload)
        if copy.result.stage is copies.Stage.PROVEN and copy.result.proven_files
    )


def _drive_lines(
    ledger: Ledger,
    named: Sequence[Drive],
    volumes: Sequence[Volume],
    runs: Sequence[Pulse],
    since_ns: int,
    now: int,
) -> tuple[DriveLine, ...]:
    # One that is through with a step is still needed: for the next one, the record, the last look.
    busy = {each.name for run in runs for each in run.drives if each.step != "failed"}
    names = {drive.name for drive in named}
    known = drives.all_known(ledger)
    used = {each.hints.name for each in known if each.retired_ns is None}
    lines = [
        _known_line(ledger, each, named, volumes, busy, since_ns, now)
        for each in known
        if each.retired_ns is None or each.last_used_ns >= since_ns
    ]
    lines += [_unused_line(drive, volumes) for drive in named if drive.name not in used]
    lines.sort(key=lambda line: (line.is_retired, line.name not in names, line.name))
    return tuple(lines)


def _known_line(
    ledger: Ledger,
    known: KnownDrive,
    named: Sequence[Drive],
    volumes: Sequence[Volume],
    busy: set[str],
    since_ns: int,
    now: int,
) -> DriveLine:
    hints = known.hints
    here = _volume_of(hints.volume_id, hints.path, volumes)
    size, free = hints.size_bytes, hints.free_bytes
    if here is not None:
        size, free = here.capacity_bytes or size, here.free_bytes or 0
    written = copies.written_between(ledger, known.drive, since_ns, now + 1).written_bytes
    is_retired = known.retired_ns is not None
    return DriveLine(
        hints.name,
        here is not None,
        any(drive.name == hints.name for drive in named) and not is_retired,
        shown(hints.name) in busy and not is_retired,
        is_retired,
        here.mount_point if here is not None else hints.path,
        size,
        free,
        written,
        _full_in_s(free, written, now - max(since_ns, known.first_used_ns)),
        len({copy.result.path for copy in copies.on_drive(ledger, known.drive)}),
        drives.faults_of(ledger, known.drive, 3),
    )


def _unused_line(drive: Drive, volumes: Sequence[Volume]) -> DriveLine:
    here = _volume_of(drive.volume, drive.path, volumes)
    return DriveLine(
        drive.name,
        here is not None,
        True,
        False,
        False,
        here.mount_point if here is not None else drive.path,
        (here.capacity_bytes or 0) if here is not None else 0,
        (here.free_bytes or 0) if here is not None else 0,
        0,
        None,
        0,
        (),
    )


def _full_in_s(free: int, written: int, elapsed_ns: int) -> float | None:
    # A few minutes are no pace.
    if written <= 0 or elapsed_ns < _SHORTEST_PACE_NS:
        return None
    return free / (written / (elapsed_ns / 1e9))


def _volume_of(volume_id: str, path: bytes, volumes: Sequence[Volume]) -> Volume | None:
    """The mounted volume that a drive is on now."""
    if volume_id:
        return next((each for each in volumes if each.volume_id == volume_id), None)
    if not path or not os.path.isdir(path):
        return None
    holding = [
        each
        for each in volumes
        if not each.is_covered
        and (path == each.mount_point or path.startswith(each.mount_point.rstrip(b"/") + b"/"))
    ]
    return max(holding, key=lambda each: len(each.mount_point), default=None)
