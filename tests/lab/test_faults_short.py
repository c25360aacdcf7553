"""The short form of the fault lab: each kind of fault on each place, judged by the invariants.

The long form is ``scripts/fault-lab``. Every case here can be repeated alone by its name:
``scripts/fault-lab --repeat "drive-1 fsync 3 EIO once"``.
"""

from itertools import islice

import pytest

from tests.lab import cases
from tests.lab.__main__ import IN_TURN, counts
from tests.lab.runner import Lab, Table, run_all
from tests.lab.subjects import LibraryOffload

pytestmark = pytest.mark.lab
_SEEDS = range(24)
_PARTS = 3


@pytest.mark.parametrize("part", range(_PARTS))
@pytest.mark.parametrize("place", IN_TURN)
def test_no_fault_leads_to_a_lie(lab: Lab, place: str, part: int) -> None:
    """In parts, so that several processes can share what takes minutes."""
    _, runner, baseline = lab
    its = islice(cases.short(place, baseline[place]), part, None, _PARTS)
    table = run_all(runner, its, Table())
    assert table.faults > table.runs / 2, "most cases must meet their fault"
    assert not table.failures, "\n".join(table.failures)


def test_no_random_faults_lead_to_a_lie(lab: Lab) -> None:
    _, runner, baseline = lab
    chosen = (cases.random_case(seed, counts(baseline)) for seed in _SEEDS)
    table = run_all(runner, chosen, Table())
    assert table.faults
    assert not table.failures, "\n".join(table.failures)


def test_card_read_once_is_said(lab: Lab) -> None:
    """A reader that lies once cannot be caught by one reading; the words then say so."""
    stage, runner, _ = lab
    lie = cases.made("card", "read", 1, "flip_out", for_good=False)
    assert lie is not None
    stage.reset(cases.USUAL)
    stage.plan(lie)
    answer = LibraryOffload().offload(stage, card_reads=1)
    assert stage.struck() == 1
    assert answer.says_read_once or not answer.is_cleared
    twice = runner.run(lie)
    assert not twice.answer.is_cleared


def test_no_reading_of_the_record_gone_wrong_once_is_signed(lab: Lab) -> None:
    """What is signed is what was written, whatever one reading of it says."""
    _, runner, baseline = lab
    reads = [call for call in baseline["drive-1"] if call.op == "read"]
    record = [
        nth
        for nth, call in enumerate(reads, 1)
        if call.path.endswith((".mhl", ".xml", ".sha512")) and ".sig" not in call.path
    ]
    wrong = [cases.made("drive-1", "read", nth, "zero_out", for_good=False) for nth in record]
    table = run_all(runner, (case for case in wrong if case is not None), Table())
    assert table.faults
    assert not table.failures, "\n".join(table.failures)
