"""Fixtures for the laboratory's own tests."""

from collections.abc import Callable

import pytest

from tests.lab.faultfs import FaultFs
from tests.lab.filecalls import DATA


@pytest.fixture
def drive(faulty: Callable[..., FaultFs]) -> FaultFs:
    """Every read and write reaches the file system; one file lies there already."""
    made = faulty("drive", direct_io=True)
    (made.backing / "clip.mov").write_bytes(DATA)
    made.plan()
    return made
