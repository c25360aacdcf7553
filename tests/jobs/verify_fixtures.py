"""Fixtures of tests about the copies of a roll: made once a module, taken anew by each test."""

from pathlib import Path

import pytest

from tests.jobs.verify_scene import Copies


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> Copies:
    """A roll on two drives with its record; a module that wants other clips has its own."""
    return Copies.make(tmp_path_factory.mktemp("master"))


@pytest.fixture
def copies(master: Copies, tmp_path: Path) -> Copies:
    """The same, for one test to work on."""
    return master.again(tmp_path)
