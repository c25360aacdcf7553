"""A ledger in a folder of its own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from offload.ledger.database import Ledger


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(bytes(tmp_path / "home"), wait_s=1) as opened:
        yield opened
