"""Pytest fixtures of the laboratory; every test below ``tests`` may ask for them."""

import dataclasses
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.lab import caretaker
from tests.lab.faultfs import FaultFs, Quirks
from tests.lab.images import EXFAT, Rack, left_below


@pytest.fixture
def rack(tmp_path: Path) -> Iterator[Rack]:
    """Real volumes for one test; unmounted and detached at its end, and that is checked."""
    folder = tmp_path / "rack"
    folder.mkdir()
    made = Rack(folder)
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def faulty(tmp_path: Path) -> Iterator[Callable[..., FaultFs]]:
    """Makes faulty file systems: ``faulty("drive-1", Quirks(...), direct_io=True)``.

    Each lies over the folder ``NAME.disk`` (made here, or by the test before) and is taken away at
    the end of the test.
    """
    made: list[FaultFs] = []

    def make(name: str, quirks: Quirks | None = None, **options: bool | str) -> FaultFs:
        backing = tmp_path / f"{name}.disk"
        backing.mkdir(exist_ok=True)
        made.append(FaultFs(backing, tmp_path / name, quirks, **options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in reversed(made):
        one.close()


@pytest.fixture
def faulty_disk(rack: Rack, faulty: Callable[..., FaultFs]) -> Callable[..., FaultFs]:
    """Like ``faulty``, but served from a block device of its own, as a user-space driver does.

    The mount table names the device, and the device's read counter grows with what is read.
    """

    def make(name: str, quirks: Quirks | None = None, **options: bool | str) -> FaultFs:
        volume = rack.volume(EXFAT, name=f"{name}-device", is_mounted=False)
        volume.attach()
        chosen = dataclasses.replace(quirks or Quirks(), block_device=volume.device)
        return faulty(name, chosen, source=volume.device, **options)

    return make


@pytest.fixture(scope="session", autouse=True)
def _nothing_left(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """At the end of a session no mount and no loop device of its own is left."""
    own = tmp_path_factory.getbasetemp()
    # What a killed session has left would make the removal of its folder fail here.
    for garbage in own.parent.glob("garbage-*"):
        caretaker.give_back(garbage)
    yield
    left = left_below(own)
    assert not left, "; ".join(left)
