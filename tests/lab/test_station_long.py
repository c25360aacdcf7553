"""The long tests in their short form: scripts/station-lab runs them in full."""

from pathlib import Path

import pytest

from tests.lab.images import Rack
from tests.lab.station_day import back, day, kills, one_folder

pytestmark = pytest.mark.lab


def test_cards_in_and_out_leave_nothing_behind(rack: Rack, tmp_path: Path) -> None:
    figures = day(rack, tmp_path, 7, warm=4)
    assert figures["cards"] == 7


def test_killed_at_random_moments_it_ends_cleared(rack: Rack, tmp_path: Path) -> None:
    assert kills(rack, tmp_path, 2, seed=1) == {"kills": 2}


def test_card_of_many_files_is_answered_when_it_comes_back(rack: Rack, tmp_path: Path) -> None:
    assert back(rack, tmp_path, 500)["files"] == 500


def test_thirty_thousand_files_in_one_folder_are_cleared(rack: Rack, tmp_path: Path) -> None:
    figures = one_folder(rack, tmp_path, 30_000)
    # 105 MiB with 3,000 files, 130 with these; each file takes about a kilobyte.
    assert figures["memory_highest_mib"] < 200, figures
