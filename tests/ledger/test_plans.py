"""No question scans what it need not: the plan of every statement is looked at."""

import inspect
import re
from collections.abc import Callable
from types import ModuleType
from typing import Any

import pytest

from offload.ledger import (
    Ledger,
    cards,
    clearances,
    clips,
    copies,
    decisions,
    drives,
    files,
    findings,
    inventories,
    offloads,
    queue,
    rebuild,
    recognition,
    rolls,
    standing,
)
from offload.values.facts import Decision
from offload.values.findings import Finding
from offload.values.verdict import Answer
from tests.ledger.conftest import HINTS, NOON, begin, listing
from tests.ledger.test_clips import CLIP
from tests.ledger.test_rebuild import FOUND

MODULES: tuple[ModuleType, ...] = (
    cards, clearances, clips, copies, decisions, drives, files, findings, inventories, offloads,
    queue, rebuild, recognition, rolls, standing,
)  # fmt: skip

WITHOUT_LEDGER = {"comes_after", "is_proven"}

SHUTTLE = drives.DriveHints("d", "v", "m", b"/d", "ext4", frozenset(), 2, 1)
ROLL = rolls.NewRoll("A001", 1, "K7-4M2P", bytes(16), "N", "2026-11-24", NOON)
GIVEN = clearances.NewClearance(1, 1, 1, "d", "c4", "k", "m", "h", NOON)
WORD = decisions.NewDecision("settle", "by", "because", NOON, card=1, roll=1)
QUEUED = queue.Queued("m", b"/m", "L", queue.Stage.WAITING, NOON)

CALLS: dict[str, Callable[[Ledger], Any]] = {
    "cards.add": lambda ledger: cards.add(ledger, HINTS, NOON),
    "cards.find_by_hints": lambda ledger: cards.find_by_hints(ledger, HINTS),
    "cards.find_by_digest": lambda ledger: cards.find_by_digest(ledger, "d"),
    "cards.find_by_code": lambda ledger: cards.find_by_code(ledger, "K7-4M2P"),
    "cards.find_by_label": lambda ledger: cards.find_by_label(ledger, "UNTITLED"),
    "cards.find_mounted_at": lambda ledger: cards.find_mounted_at(ledger, b"/m"),
    "cards.get": lambda ledger: cards.get(ledger, 1),
    "cards.tell_hints": lambda ledger: cards.tell_hints(ledger, 1, HINTS),
    "cards.tell_code": lambda ledger: cards.tell_code(ledger, 1, "K7-4M2P"),
    "cards.tell_listing": lambda ledger: cards.tell_listing(
        ledger, 1, "d", NOON, mounting="m", inventory=1
    ),
    "cards.arrived": lambda ledger: cards.arrived(ledger, 1, "m", b"/m", NOON),
    "cards.still_mounted": lambda ledger: cards.still_mounted(ledger, ["k"], NOON),
    "cards.left": lambda ledger: cards.left(ledger, "m", NOON),
    "cards.mounting": lambda ledger: cards.mounting(ledger, "m"),
    "cards.last_mounting": lambda ledger: cards.last_mounting(ledger, 1),
    "clearances.add": lambda ledger: clearances.add(ledger, GIVEN),
    "clearances.void": lambda ledger: clearances.void(ledger, 1, "x", NOON),
    "clearances.last_of_card": lambda ledger: clearances.last_of_card(ledger, 1),
    "clearances.by_c4": lambda ledger: clearances.by_c4(ledger, "c4"),
    "clearances.of_roll": lambda ledger: clearances.of_roll(ledger, 1),
    "clips.keep": lambda ledger: clips.keep(ledger, 1, [CLIP]),
    "clips.of_roll": lambda ledger: clips.of_roll(ledger, 1),
    "clips.picture": lambda ledger: clips.picture(ledger, 1, CLIP.path),
    "clips.find": lambda ledger: clips.find(ledger, "A001"),
    "copies.start": lambda ledger: copies.start(
        ledger, copies.NewCopy(1, 1, b"/d", frozenset(), "m", NOON)
    ),
    "copies.tell": lambda ledger: copies.tell(
        ledger, 1, copies.CopyResult(copies.Stage.PROVEN, b"/d"), NOON
    ),
    "copies.moved": lambda ledger: copies.moved(ledger, 1, "m", frozenset()),
    "copies.add_files": lambda ledger: copies.add_files(ledger, 1, [0], b"\1", [(1, 2, 3, 4, 5)]),
    "copies.load": lambda ledger: copies.load(ledger, 1, 2),
    "copies.of_offload": lambda ledger: copies.of_offload(ledger, 1),
    "copies.of_roll": lambda ledger: copies.of_roll(ledger, 1),
    "copies.on_drive": lambda ledger: copies.on_drive(ledger, 1),
    "copies.written_between": lambda ledger: copies.written_between(ledger, 1, 0, NOON),
    "decisions.add": lambda ledger: decisions.add(ledger, WORD),
    "decisions.settled": lambda ledger: decisions.settled(ledger, 1),
    "decisions.settled_of_any": decisions.settled_of_any,
    "decisions.of_roll": lambda ledger: decisions.of_roll(ledger, 1),
    "decisions.waiting": lambda ledger: decisions.waiting(ledger, "settle"),
    "decisions.answer": lambda ledger: decisions.answer(ledger, 1, "done", NOON),
    "drives.use": lambda ledger: drives.use(ledger, SHUTTLE, NOON),
    "drives.in_use": lambda ledger: drives.in_use(ledger, "d"),
    "drives.get": lambda ledger: drives.get(ledger, 1),
    "drives.find_by_volume": lambda ledger: drives.find_by_volume(ledger, "v"),
    "drives.all_known": drives.all_known,
    "drives.retire": lambda ledger: drives.retire(ledger, 99, NOON),
    "drives.add_fault": lambda ledger: drives.add_fault(ledger, drives.Fault(1, 1, "x", NOON)),
    "drives.faults_of": lambda ledger: drives.faults_of(ledger, 1),
    "files.add": lambda ledger: files.add(ledger, 1, [0], b"\1", {}),
    "files.load": lambda ledger: files.load(ledger, 1, 2),
    "files.load_earlier": lambda ledger: files.load_earlier(ledger, 1, listing(b"a").entries),
    "findings.add": lambda ledger: findings.add(ledger, 1, [Finding("x", "y")], NOON),
    "findings.of_offload": lambda ledger: findings.of_offload(ledger, 1),
    "inventories.keep": lambda ledger: inventories.keep(ledger, listing(b"z")),
    "inventories.load": lambda ledger: inventories.load(ledger, 1),
    "inventories.describe": lambda ledger: inventories.describe(ledger, 1),
    "offloads.start": lambda ledger: begin(ledger, listing(b"a"), card=1, continues=1),
    "offloads.move": lambda ledger: offloads.move(ledger, 2, offloads.State.COPYING, NOON),
    "offloads.give_roll": lambda ledger: offloads.give_roll(ledger, 2, 1),
    "offloads.give_inventory": lambda ledger: offloads.give_inventory(ledger, 2, 1, "d"),
    "offloads.end": lambda ledger: offloads.end(ledger, 2, Answer.CLEARED, {}, NOON),
    "offloads.answer_rebuilt": lambda ledger: offloads.answer_rebuilt(ledger, 1, Answer.CLEARED),
    "offloads.get": lambda ledger: offloads.get(ledger, 1),
    "offloads.is_over": lambda ledger: offloads.is_over(ledger, 1),
    "offloads.unfinished": lambda ledger: offloads.unfinished(ledger, 1),
    "offloads.unfinished_in": lambda ledger: offloads.unfinished_in(ledger, "m"),
    "offloads.received_in": lambda ledger: offloads.received_in(ledger, "m"),
    "offloads.unfinished_of": lambda ledger: offloads.unfinished_of(ledger, "d"),
    "offloads.all_unfinished": offloads.all_unfinished,
    "offloads.of_card": lambda ledger: offloads.of_card(ledger, 1),
    "offloads.last_of_card": lambda ledger: offloads.last_of_card(ledger, 1),
    "offloads.of_roll": lambda ledger: offloads.of_roll(ledger, 1),
    "offloads.of_digest": lambda ledger: offloads.of_digest(ledger, "d"),
    "offloads.of_key": lambda ledger: offloads.of_key(ledger, "k"),
    "offloads.started_since": lambda ledger: offloads.started_since(ledger, NOON),
    "queue.put": lambda ledger: queue.put(ledger, QUEUED),
    "queue.take_off": lambda ledger: queue.take_off(ledger, "m"),
    "queue.keep_only": lambda ledger: queue.keep_only(ledger, ["m"]),
    "queue.in_line": queue.in_line,
    "rebuild.write_back": lambda ledger: rebuild.write_back(ledger, FOUND, NOON),
    "recognition.recognise": lambda ledger: recognition.recognise(
        ledger, HINTS, listing(b"a", b"b"), "elsewhere"
    ),
    "rolls.add": lambda ledger: rolls.add(ledger, ROLL),
    "rolls.get": lambda ledger: rolls.get(ledger, 1),
    "rolls.find": lambda ledger: rolls.find(ledger, "A009"),
    "rolls.of_card": lambda ledger: rolls.of_card(ledger, 1),
    "rolls.of_day": lambda ledger: rolls.of_day(ledger, "2026-11-24"),
    "rolls.newest": rolls.newest,
    "rolls.rename": lambda ledger: rolls.rename(
        ledger, 1, rolls.Renaming("A001", "A002", "by", "because", NOON)
    ),
    "rolls.names_before": lambda ledger: rolls.names_before(ledger, 1),
    "standing.of_card": lambda ledger: standing.of_card(ledger, 1),
    "standing.seen_since": lambda ledger: standing.seen_since(ledger, 0),
    "standing.not_proven": standing.not_proven,
    "standing.dismiss": lambda ledger: standing.dismiss(ledger, 1),
    "standing.take_up": lambda ledger: standing.take_up(ledger, 1),
    "standing.newest_rolls": standing.newest_rolls,
}

# Scans that are the question: all of what is few by its nature, or an index in its own order,
# ended by its limit.
ALLOWED_SCANS = (
    r"SCAN drives",  # a production has tens of them
    r"SCAN queue",  # what is plugged in at this moment
    r"SCAN offloads USING INDEX offloads_open",  # only the open ones are in it
    r"SCAN cards USING INDEX cards_unproven",  # only those are in it
    r"SCAN mountings USING (COVERING )?INDEX mountings_present",  # what is mounted now
    r"SCAN CONSTANT ROW",
)


@pytest.fixture
def filled(ledger: Ledger) -> Ledger:
    begin(ledger, listing(b"a", b"b"))
    rolls.add(ledger, ROLL)
    drives.use(ledger, SHUTTLE, NOON)
    return ledger


def traced(ledger: Ledger, call: Callable[[Ledger], Any]) -> set[str]:
    """The statements that a call sends, with their values in place."""
    sent: set[str] = set()
    connections = (ledger._reader, ledger._writer)
    for connection in connections:
        connection.set_trace_callback(sent.add)
    try:
        call(ledger)
    finally:
        for connection in connections:
            connection.set_trace_callback(None)
    return {each for each in sent if each.split()[0] in ("SELECT", "UPDATE", "INSERT", "DELETE")}


def unwanted(ledger: Ledger, statement: str) -> list[str]:
    """Steps of its plan that look at every row of something."""
    plan = [row[3] for row in ledger.rows(f"EXPLAIN QUERY PLAN {statement}")]
    return [
        f"{step}   <-   {statement}"
        for step in plan
        if step.startswith("SCAN") and not any(re.match(each, step) for each in ALLOWED_SCANS)
    ]


def test_every_question_and_change_is_looked_at() -> None:
    public = {
        f"{module.__name__.rpartition('.')[2]}.{name}"
        for module in MODULES
        for name, member in inspect.getmembers(module, inspect.isfunction)
        if member.__module__ == module.__name__
        and not name.startswith("_")
        and name not in WITHOUT_LEDGER
    }
    assert public == set(CALLS)


def test_no_statement_scans_what_it_need_not(filled: Ledger) -> None:
    wrong: list[str] = []
    statements: set[str] = set()
    for call in CALLS.values():
        statements |= traced(filled, call)
    for statement in sorted(statements):
        wrong += unwanted(filled, statement)
    assert len(statements) > len(CALLS) / 2
    assert wrong == []


def test_scan_is_seen(filled: Ledger) -> None:
    assert unwanted(filled, "SELECT id FROM offloads WHERE host = 'x'") != []
    assert unwanted(filled, "SELECT id FROM rolls WHERE production = 'x'") != []


# Few rows by their nature, so that sorting them costs nothing: what is mounted at one place, one
# statement's clearance, one earlier name, the drives of one offload or roll.
MAY_SORT = {
    "cards.find_mounted_at",
    "clearances.by_c4",
    "rolls.find",
    "copies.of_offload",
    "copies.of_roll",
}


def test_long_list_is_not_sorted(filled: Ledger) -> None:
    """Newest-first lists come out of their index in order, however long a history is."""
    sorting = []
    for name in ("cards", "offloads", "clearances", "rolls", "copies"):
        for call, function in CALLS.items():
            if call.startswith(f"{name}.") and call not in MAY_SORT:
                for statement in traced(filled, function):
                    plan = [row[3] for row in filled.rows(f"EXPLAIN QUERY PLAN {statement}")]
                    sorting += [f"{call}: {step}" for step in plan if "TEMP B-TREE" in step]
    assert sorting == [], "\n".join(sorting)


def test_settled_is_what_the_verdict_takes(filled: Ledger) -> None:
    decisions.add(filled, WORD)
    assert all(isinstance(each, Decision) for each in decisions.settled(filled, 1))
