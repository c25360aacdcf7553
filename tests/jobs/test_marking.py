"""A drive's marker at its first use."""

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from offload.jobs.opening import MARKER, HeldDrive, open_drive, read_marker, write_marker
from offload.jobs.surroundings import Surroundings
from offload.jobs.taking_turns import in_turn
from offload.jobs.wishes import DriveWish

_RUNS = 6
_ROUNDS = 10


def test_runs_that_meet_a_new_drive_at_once_give_it_one_marker(tmp_path: Path) -> None:
    """Two cards put in together: neither may find the drive changed under it."""
    for number in range(_ROUNDS):
        folder = tmp_path / f"drive-{number}"
        folder.mkdir()
        wish = DriveWish("shuttle-1", bytes(folder))
        opened = [open_drive(wish, Surroundings()) for _ in range(_RUNS)]
        together = threading.Barrier(_RUNS)

        def mark(
            each: int, opened: list[HeldDrive] = opened, together: threading.Barrier = together
        ) -> str:
            together.wait()
            with in_turn([opened[each].root]):
                return write_marker(opened[each], Surroundings()).marker

        with ThreadPoolExecutor(_RUNS) as pool:
            marked = set(pool.map(mark, range(_RUNS)))
        assert marked == {read_marker(opened[0].root)}
        assert [path.name for path in folder.iterdir()] == [MARKER.decode()]
        for drive in opened:
            drive.root.close()
