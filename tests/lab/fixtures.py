"""Pytest fixtures of the laboratory; every test below ``tests`` may ask for them."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.images import Rack, left_below


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


@pytest.fixture(scope="session", autouse=True)
def _nothing_left(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """At the end of a session no mount and no loop device of its own is left."""
    yield
    left = left_below(tmp_path_factory.getbasetemp())
    assert not left, "; ".join(left)
