"""Two runs that meet the same drives at once."""

import threading
import time
from contextlib import ExitStack
from pathlib import Path

from offload.jobs.taking_turns import in_turn
from offload.storage.root import Root


def test_runs_with_drives_in_any_order_work_one_after_another(tmp_path: Path) -> None:
    """Neither holds the drive that the other waits for."""
    folders = [tmp_path / name for name in ("shuttle-1", "shuttle-2")]
    for folder in folders:
        folder.mkdir()
    inside: list[int] = []
    most: list[int] = []

    def run(order: int) -> None:
        for _ in range(20):
            with ExitStack() as stack:
                roots = [stack.enter_context(Root(bytes(each))) for each in folders[::order]]
                with in_turn(roots):
                    inside.append(order)
                    most.append(len(inside))
                    time.sleep(0.001)
                    inside.remove(order)

    threads = [threading.Thread(target=run, args=(order,)) for order in (1, -1)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
        assert not thread.is_alive()
    assert len(most) == 40
    assert max(most) == 1


def test_the_same_folder_twice_waits_for_nobody(tmp_path: Path) -> None:
    """Two drives given as one folder are refused later; here they must not hang."""
    with Root(bytes(tmp_path)) as one, Root(bytes(tmp_path)) as same:
        began = time.monotonic()
        with in_turn([one, same]):
            pass
        assert time.monotonic() - began < 30


def test_a_run_that_hangs_holds_nobody_up_for_good(tmp_path: Path) -> None:
    """After the patience has run out the other goes on, and gives the drive back to nobody else."""
    with Root(bytes(tmp_path)) as hanging, Root(bytes(tmp_path)) as other, in_turn([hanging]):
        with in_turn([other], patience_s=0.05):
            pass
        with Root(bytes(tmp_path)) as third, in_turn([third], patience_s=0.05):
            # Still held by the first: what was never taken was not given back.
            began = time.monotonic()
            with in_turn([other], patience_s=0.05):
                assert time.monotonic() - began >= 0.05
