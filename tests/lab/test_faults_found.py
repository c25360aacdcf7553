"""Faults that once broke an invariant: each stays mended. Judged as every run of the lab is."""

import pytest

from tests.lab import cases
from tests.lab.faultfs import Fault
from tests.lab.runner import Lab
from tests.lab.stage import Case

pytestmark = pytest.mark.lab


@pytest.mark.parametrize("drive", ["drive-1", "drive-2"])
@pytest.mark.parametrize("before_the_last", [0, 1])
def test_folder_not_synced_after_a_clearance_took_its_name(
    lab: Lab, drive: str, before_the_last: int
) -> None:
    """Statement or signature had its name, and was not taken back with the others."""
    _, runner, baseline = lab
    synced = [call for call in baseline[drive] if call.op == "fsyncdir"]
    case = cases.made(drive, "fsyncdir", len(synced) - before_the_last, "EIO", for_good=False)
    assert case is not None
    result = runner.run(case)
    assert result.struck == 1
    assert result.broken == ()
    assert not result.answer.is_cleared


@pytest.mark.parametrize("ending", [r"json", r"json\.sig"])
def test_clearance_that_took_its_name_and_was_said_not_to(lab: Lab, ending: str) -> None:
    stage, runner, _ = lab
    path = rf".*-> records/A001/clearance-0001\.{ending}"
    fault = Fault("rename", "errno_after", path=path)
    result = runner.run(Case("renamed", (("drive-1", fault),), "drive-1", "errno_after"))
    assert result.struck == 1
    assert result.broken == ()
    assert not result.answer.is_cleared
    # The second run's statement is the only one: none is left of the first.
    names = sorted(path.name for path in stage.backing("drive-1").glob("records/A001/clearance*"))
    assert names == ["clearance-0001.json", "clearance-0001.json.sig"]


def test_signature_whose_statement_never_came_goes(lab: Lab) -> None:
    """A drive that fails for good between the two names cannot take the first one back."""
    _, runner, _ = lab
    faults = (
        ("drive-1", Fault("rename", "errno", path=r".*-> records/A001/clearance-0001\.json")),
        ("drive-1", Fault("unlink", "errno", path=r"records/A001/clearance.*", count=0)),
    )
    result = runner.run(Case("renamed", faults, "drive-1", "EIO"))
    assert result.struck > 1
    assert result.broken == ()
    assert not result.answer.is_cleared


def test_list_of_which_the_drive_took_half_is_written_whole(lab: Lab) -> None:
    """A write may take less than it is given; what was left over was missing from the list."""
    _, runner, _ = lab
    short = Fault("write", "short", path=r"records/A001/\.new-A001_sha512-.*")
    result = runner.run(Case("half a line", (("drive-1", short),), "drive-1", "short"))
    assert result.struck == 1
    assert result.broken == ()


@pytest.mark.parametrize("place", ["card", "drive-1"])
def test_folder_that_opens_and_tells_nothing_is_let_go(lab: Lab, place: str) -> None:
    """The descriptor of a top folder stayed open, and the card could not be ejected."""
    _, runner, baseline = lab
    tops = [
        n for n, call in enumerate(baseline[place], 1) if call.op == "getattr" and not call.path
    ]
    for nth in range(1, min(len(tops), 12) + 1):
        fault = Fault("getattr", path="", nth=nth)
        result = runner.run(Case(f"getattr {nth}", ((place, fault),), place, "EIO"))
        assert result.broken == ()


@pytest.mark.parametrize("nth", [7, 9, 10, 13, 283])
def test_ledgers_folder_that_tells_nothing_is_said_to_be_unfit(lab: Lab, nth: int) -> None:
    """Its disk fails between the making of the folder and the look at what it lies on."""
    _, runner, _ = lab
    case = cases.made("ledger", "getattr", nth, "ENODEV", for_good=True)
    assert case is not None
    result = runner.run(case)
    assert result.struck
    assert result.broken == ()


@pytest.mark.parametrize("nth", range(1, 8))
def test_manifest_whose_facts_cannot_be_had_is_let_go(lab: Lab, nth: int) -> None:
    """It is read for the next drive, which lost the descriptor when the file's facts failed."""
    _, runner, _ = lab
    failing = Fault("getattr", errno="EIO", nth=nth, path=r"A001.*/ascmhl/0001_.*\.mhl")
    result = runner.run(Case("no facts", (("drive-1", failing),), "drive-1", "EIO"))
    assert result.broken == ()
