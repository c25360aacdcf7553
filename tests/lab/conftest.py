"""Fixtures for the laboratory's own tests."""

from collections.abc import Callable, Iterator

import pytest

from tests.lab.__main__ import staged
from tests.lab.faultfs import FaultFs
from tests.lab.filecalls import DATA
from tests.lab.machine import one_processor, steady_loops_as_disks
from tests.lab.runner import Lab, Runner
from tests.lab.subjects import LibraryOffload


@pytest.fixture
def drive(faulty: Callable[..., FaultFs]) -> FaultFs:
    """Every read and write reaches the file system; one file lies there already."""
    made = faulty("drive", direct_io=True)
    (made.backing / "clip.mov").write_bytes(DATA)
    made.plan()
    return made


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """The fault lab's stage and runner on one processor, and what a run without a fault does."""
    with one_processor(), staged(tmp_path_factory.mktemp("lab")) as stage:
        runner = Runner(stage, LibraryOffload(surroundings=steady_loops_as_disks()))
        yield stage, runner, runner.baseline()
