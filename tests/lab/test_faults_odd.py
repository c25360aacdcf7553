"""Drives that are odd all the time, drives full to the byte, entries that are lost after sync.

The long form is ``scripts/fault-lab --odd`` and ``--full``.
"""

import itertools
import json
import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from offload.jobs.opening import MARKER
from tests.lab import cases, odd, oracle
from tests.lab.machine import steady_loops_as_disks
from tests.lab.runner import Lab, Runner, Table, run_all
from tests.lab.subjects import LibraryOffload, offloaded

pytestmark = pytest.mark.lab


def test_odd_drive_is_told_or_harmless(lab: Lab) -> None:
    """On both drives, and on the card; one drive alone is the long form's."""
    _, runner, _ = lab
    many = ("1-blocks", "2-blocks", "6-blocks", "8-blocks", "10-blocks")
    chosen = [
        case
        for case in odd.quirky()
        if (case.where != "drive-1" or not case.is_lasting) and not case.kind.endswith(many)
    ]
    table = run_all(runner, chosen, Table())
    assert not table.failures, "\n".join(table.failures)
    caught = {(where, kind): how for where, kind, how in table.cases}
    assert caught["drive-1", "drop-past-4-blocks"] == "copy-differs"
    assert caught["drives", "names-folded-in-case-and-form"] == "harmless"


def test_drive_full_at_any_byte_clears_nothing_and_then_all(lab: Lab) -> None:
    """Footage, record and the word itself meet the end; the other drive is finished each time."""
    _, runner, _ = lab
    table = run_all(runner, odd.full([0, 1, 511, 512, 513, 1200, 2900, 5300]), Table())
    table = run_all(runner, odd.full([511, 5300], tells=True), table)
    assert not table.failures, "\n".join(table.failures)
    # None of them had enough room for all of it.
    assert "harmless" not in {how for _, _, how in table.cases}


def test_entries_lost_after_sync_are_missed(lab: Lab) -> None:
    _, runner, baseline = lab
    chosen = [case for case in odd.lost(baseline["drive-1"]) if "/" in case.faults[0][1].name]
    table = run_all(runner, chosen[-4:], Table())
    assert not table.failures, "\n".join(table.failures)
    assert table.cases["drive-1", "forget", "too-few-copies"]


@pytest.mark.parametrize("blocks", [11, 13])
def test_drive_that_wraps_into_what_was_proven_is_found_before_the_word(
    lab: Lab, blocks: int
) -> None:
    """The record, written after the copy was read back, lands on the clips.

    The copy is finished by then and never written over: the first remedy is another drive. The
    marker was there before: written over, it would tell of another drive or not, as the system's
    cache pleases.
    """
    stage, _, _ = lab
    station = LibraryOffload(surroundings=steady_loops_as_disks())
    stage.reset(cases.USUAL)
    marker = {"drive": "0123456789abcdef0123456789abcdef", "name": "drive-1"}
    (stage.backing("drive-1") / os.fsdecode(MARKER)).write_text(json.dumps(marker) + "\n")
    stage.plan(odd.wraps_into_the_proven(blocks))
    answer = station.offload(stage, card_reads=2)
    assert answer.codes == ("copy-differs",)
    assert stage.has_copy("drive-2")
    assert not stage.has_copy("drive-1")
    stage.clear()
    assert answer.remedies[0].splitlines()[0].endswith("offload copy A001 --to drive-2 --to DRIVE")
    another = stage.rack.volume(name=f"drive-3-{blocks}")
    roots = {"drive-2": stage.root("drive-2"), "drive-3": another.root}
    again = offloaded(stage.root("card"), roots, stage.home, steady_loops_as_disks()())
    assert again.is_cleared, again
    assert oracle.copies_in(oracle.content_of(roots["drive-3"]), stage.truth)


def test_what_was_there_before_the_write_is_no_proof(lab: Lab) -> None:
    _, runner, baseline = lab
    table = run_all(runner, list(odd.stale(baseline["drive-1"]))[4:8], Table())
    assert table.cases["drive-1", "stale", "copy-differs"] == table.runs
    assert not table.failures, "\n".join(table.failures)


def test_clock_that_jumps_at_every_look_during_a_fault_changes_no_answer(lab: Lab) -> None:
    """Two days back, then years ahead, again and again, while card, drive or ledger fails."""
    stage, _, _ = lab
    jumps = itertools.cycle((timedelta(days=-2), timedelta(0), timedelta(days=4000)))
    machine = replace(steady_loops_as_disks()(), now=lambda: datetime.now(UTC) + next(jumps))
    runner = Runner(stage, LibraryOffload(surroundings=lambda: machine))
    chosen = [
        cases.made(place, op, nth, kind, for_good=False)
        for place, op, nth, kind in (
            ("card", "read", 1, "flip_out"),
            ("drive-1", "write", 4, "flip_in"),
            ("drive-1", "fsync", 3, "EIO"),
            ("ledger", "write", 20, "EIO"),
        )
    ]
    table = run_all(runner, (case for case in chosen if case is not None), Table())
    assert table.faults == table.runs == len(chosen)
    assert not table.failures, "\n".join(table.failures)
