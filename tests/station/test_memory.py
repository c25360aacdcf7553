"""What threads have freed goes back to the system. Source of the figures: proc(5), ``statm``."""

import os
import threading
from pathlib import Path

from offload.station.memory import give_back

_PIECE = 5_000
_PIECES = 20_000


def resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def test_memory_freed_by_threads_is_given_back() -> None:
    kept: list[bytes] = []

    def work() -> None:
        pieces = [bytes(_PIECE) for _ in range(_PIECES)]
        # One at the end that stays keeps the whole pool from shrinking by itself.
        kept.append(pieces[-1])

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    before = resident_bytes()
    give_back()
    assert before - resident_bytes() > _PIECE * _PIECES // 2
    assert len(kept) == 1
