"""Both passes of one run and what they say together: one state a file, for card and drives."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from offload.jobs.opening import HeldCard, is_still_mounted
from offload.jobs.placing import Place
from offload.jobs.surroundings import Surroundings
from offload.storage.evidence import Evidence
from offload.storage.extents import fetched_at_least
from offload.transfer.card_reader import NoteRead
from offload.transfer.counters import Lane, Pass, Progress
from offload.transfer.listening import SilenceOf
from offload.transfer.plan import IsStopped, Item, Target
from offload.transfer.proving import prove_all
from offload.transfer.pump import Drive, copy_all
from offload.transfer.readings import CARD, Outcome, Reading, ReadingResult
from offload.transfer.results import CopyingResult, Marks, new_result
from offload.values.entries import Entries, Kind
from offload.values.facts import CardState, CopyState, Policy, ReadBack
from offload.values.findings import Finding

_CARD_STATES = {
    Outcome.NOT_READ: CardState.NOT_READ,
    Outcome.EQUAL: CardState.READ_EQUAL,
    Outcome.EQUAL_CACHED: CardState.CACHED,
    Outcome.DIFFERS: CardState.DIFFERS,
    Outcome.UNREADABLE: CardState.UNREADABLE,
    Outcome.MISSING: CardState.CHANGED,
    Outcome.CHANGED: CardState.CHANGED,
    Outcome.SHARED: CardState.READ_EQUAL,
}
_COPY_STATES = {
    Outcome.EQUAL_CACHED: CopyState.CACHED,
    Outcome.DIFFERS: CopyState.DIFFERS,
    Outcome.UNREADABLE: CopyState.UNREADABLE,
    Outcome.MISSING: CopyState.ABSENT,
    Outcome.CHANGED: CopyState.CHANGED,
    Outcome.SHARED: CopyState.SHARED,
}
_READ_WHOLE = frozenset({CardState.READ_EQUAL, CardState.CACHED})
_PROVEN = {
    ReadBack.DEVICE: CopyState.PROVEN_DEVICE,
    ReadBack.SERVER: CopyState.PROVEN_SERVER,
}


@dataclass(slots=True)
class PassColumns:
    """What a run knows of every entry, in the order of the inventory.

    Attributes:
        copied: digests, zero runs and the copying pass's own states.
        card_states: a :class:`CardState` byte each.
        card_marks: facts of the card's files at their last reading.
        drive_states: by drive name, a :class:`CopyState` byte each.
        drive_marks: by drive name.
        read_back: by drive name.
        findings: all that the passes had to say.
        differing: by drive name, entry numbers whose bytes differ.
    """

    copied: CopyingResult
    card_states: bytearray
    card_marks: Marks
    drive_states: dict[str, bytearray]
    drive_marks: dict[str, Marks] = field(default_factory=dict)
    read_back: dict[str, ReadBack] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    differing: dict[str, set[int]] = field(default_factory=dict)

    @property
    def is_stopped(self) -> bool:
        """The user wanted to stop."""
        return self.copied.is_stopped


def new_columns(
    checksums: Sequence[str], entries: Entries, card: HeldCard, places: Sequence[Place]
) -> PassColumns:
    """Columns in which nothing is known; what cannot be copied is marked as such."""
    names = [place.name for place in places]
    copied = new_result(checksums, len(entries), card.root, names)
    for number, entry in enumerate(entries):
        if entry.kind is Kind.LINK:
            copied.card_states[number] = CardState.FROM_LINK
        elif not entry.kind.is_copied:
            copied.card_states[number] = CardState.NOT_COPIED
    states = {name: bytearray(copied.drive_states[name]) for name in names}
    return PassColumns(copied, bytearray(copied.card_states), copied.card_marks, states)


def run_copying(
    card: HeldCard,
    places: Sequence[Place],
    items: Sequence[Item],
    columns: PassColumns,
    policy: Policy,
    progress: Progress,
    surroundings: Surroundings,
    is_stopped: IsStopped,
    note_read: NoteRead,
    silence_of: SilenceOf,
) -> None:
    """Read the card once and write what is missing; states stay "written" until proven."""
    _set_totals(progress.copying, places, items)
    evidence = _evidence_of_only_reading(card, policy, surroundings)
    copied = columns.copied
    copied.is_stopped = False
    read_before = progress.copying.card.done_bytes
    copy_all(
        card.root,
        [Drive(_target(place), place.drive.root) for place in places],
        items,
        copied,
        progress.copying,
        is_stopped=is_stopped,
        is_card_present=lambda: is_still_mounted(card, surroundings),
        is_only_reading=evidence is not None,
        note_read=note_read,
        silence_of=silence_of,
    )
    for item in items:
        columns.card_states[item.number] = copied.card_states[item.number]
    if evidence is not None:
        read_bytes = progress.copying.card.done_bytes - read_before
        _judge_only_reading(card, items, columns, evidence, read_bytes)
    for name, states in copied.drive_states.items():
        columns.drive_states[name][:] = states
    columns.findings += copied.findings
    copied.findings = []


def _evidence_of_only_reading(
    card: HeldCard, policy: Policy, surroundings: Surroundings
) -> Evidence | None:
    if policy.card_reads != 1:
        return None
    evidence = Evidence({CARD: card.medium}, surroundings.read_counter)
    evidence.begin()
    return evidence


def _judge_only_reading(
    card: HeldCard,
    items: Sequence[Item],
    columns: PassColumns,
    evidence: Evidence,
    read_bytes: int,
) -> None:
    """Nothing was read from the card, as far as anybody can tell, where evidence denies it."""

    def least(_: str) -> int:
        whole = (item for item in items if columns.card_states[item.number] in _READ_WHOLE)
        files = [(item.path, item.size_bytes) for item in whole if not item.is_folder]
        return fetched_at_least(card.root, files, read_bytes)

    evidence.fetched(CARD, read_bytes)
    if evidence.judge(least)[CARD] is ReadBack.DEVICE:
        return
    for item in items:
        if columns.card_states[item.number] == CardState.READ_EQUAL:
            columns.card_states[item.number] = CardState.CACHED


def run_proving(
    card: HeldCard,
    places: Sequence[Place],
    entries: Entries,
    columns: PassColumns,
    progress: Progress,
    surroundings: Surroundings,
    is_stopped: IsStopped,
    card_numbers: Sequence[int],
    silence_of: SilenceOf,
) -> None:
    """Read every drive, and the card where it is due, and settle the states.

    Args:
        card_numbers: entries of the card to read in this pass.
        silence_of: listens to a drive that is waited for.
    """
    readings = [_drive_reading(place, entries, columns) for place in places]
    if card_numbers:
        readings.append(
            Reading(
                CARD,
                card.root,
                card.medium,
                entries.path,
                card_numbers,
                _is_folder(entries),
                is_card=True,
            )
        )
    _set_reading_totals(progress.proving, readings, entries)
    results = prove_all(
        readings,
        columns.copied.digests,
        entries.size_bytes,
        progress.proving,
        len(entries),
        read_counter=surroundings.read_counter,
        is_stopped=is_stopped,
        silence_of=silence_of,
    )
    if is_stopped():
        columns.copied.is_stopped = True
    for place in places:
        place.is_read = True
        result = results[place.name]
        _settle_drive(place, result, columns)
        if result.hanging is not None:
            columns.copied.failures[place.name] = result.silence
            columns.copied.hanging[place.name] = result.hanging
    if card_numbers:
        _settle_card(results[CARD], columns, card_numbers)


def _settle_drive(place: Place, result: ReadingResult, columns: PassColumns) -> None:
    states = columns.drive_states[place.name]
    proven = _PROVEN.get(result.read_back, CopyState.CACHED)
    for number in _numbers_to_prove(place, columns):
        outcome = result.outcomes[number]
        if outcome == Outcome.EQUAL:
            states[number] = proven
        elif outcome == Outcome.NOT_READ:
            states[number] = CopyState.WRITTEN
        else:
            states[number] = _COPY_STATES.get(outcome, CopyState.UNREADABLE)
    columns.drive_marks[place.name] = result.marks
    is_cached = CopyState.CACHED in states
    columns.read_back[place.name] = ReadBack.CACHED if is_cached else result.read_back
    columns.differing[place.name] = result.differing
    columns.findings += result.findings


def _settle_card(result: ReadingResult, columns: PassColumns, numbers: Sequence[int]) -> None:
    is_shown = result.read_back is ReadBack.DEVICE
    for number in numbers:
        state = _CARD_STATES.get(result.outcomes[number], CardState.UNREADABLE)
        if state is CardState.READ_EQUAL and not is_shown:
            state = CardState.CACHED
        columns.card_states[number] = state
    columns.card_marks.take(result.marks, numbers)
    columns.findings += result.findings


def _target(place: Place) -> Target:
    folder, renamed = place.written_in()
    return Target(place.name, folder, place.medium, place.drive.volume.fs_type, renamed)


def _drive_reading(place: Place, entries: Entries, columns: PassColumns) -> Reading:
    path_of = place.paths(entries)
    numbers = _numbers_to_prove(place, columns)
    # What was read once in this mounting may be remembered by a driver in user space.
    is_anew = place.is_mounted_anew and not place.is_read
    medium = replace(place.medium, is_mounted_anew=is_anew)
    return Reading(place.name, place.drive.root, medium, path_of, numbers, _is_folder(entries))


def _numbers_to_prove(place: Place, columns: PassColumns) -> list[int]:
    states = columns.copied.drive_states[place.name]
    return [
        number
        for number, state in enumerate(states)
        if state == CopyState.WRITTEN or (state == CopyState.ABSENT and place.present[number])
    ]


def _is_folder(entries: Entries) -> Callable[[int], bool]:
    kinds = entries.kinds
    folder = ord(Kind.FOLDER.value)
    return lambda number: kinds[number] == folder


def _set_totals(counters: Pass, places: Sequence[Place], items: Sequence[Item]) -> None:
    counters.card.total_bytes += sum(item.size_bytes for item in items)
    for place in places:
        lane = counters.drives.setdefault(place.name, Lane(place.name))
        lane.rest_bytes = 0
        lane.total_bytes += sum(
            item.size_bytes for item in items if item.missing_on >> place.bit & 1
        )


def _set_reading_totals(counters: Pass, readings: Sequence[Reading], entries: Entries) -> None:
    for reading in readings:
        total = sum(entries.size_bytes(number) for number in reading.numbers)
        if reading.is_card:
            counters.card.total_bytes += total
        else:
            lane = counters.drives.setdefault(reading.key, Lane(reading.key))
            lane.total_bytes += total
