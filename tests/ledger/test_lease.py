"""Leases: one run for a mounting, whoever dies; and never a wrong refusal."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from offload.errors import BusyError
from offload.ledger import lease
from offload.ledger.locks import FileLock, Holder, TakenError
from tests.ledger.conftest import NOON

MINE = Holder(os.getpid(), "cart", NOON, 7, "A001")

_HOLD = """
import os, sys
from offload.ledger import lease
from offload.ledger.locks import Holder
taken = lease.take_card(os.fsencode(sys.argv[1]), sys.argv[2], Holder(os.getpid(), "cart", 0, 3))
if len(sys.argv) > 3 and os.fork() == 0:
    sys.stdin.read()
    os._exit(0)
print("held", flush=True)
sys.stdin.read()
"""


@contextmanager
def other_run(home: bytes, key: str, *more: str) -> Iterator["subprocess.Popen[str]"]:
    """A process that holds the lease of a mounting until it is told or killed."""
    command = [sys.executable, "-c", _HOLD, os.fsdecode(home), key, *more]
    pipe = subprocess.PIPE
    process = subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.kill()
        process.communicate()


@pytest.fixture
def home(tmp_path: Path) -> bytes:
    return bytes(tmp_path)


def lease_name(home: bytes) -> bytes:
    with lease.take_card(home, "boot:41", MINE) as held:
        return os.path.basename(held.path)


def test_second_run_is_told_who_works(home: bytes) -> None:
    with other_run(home, "boot:41") as other, pytest.raises(BusyError) as caught:
        lease.take_card(home, "boot:41", MINE)
    assert f"process {other.pid} on cart" in str(caught.value)
    assert "offload status" in caught.value.remedy


def test_second_run_of_one_process_is_refused(home: bytes) -> None:
    with lease.take_card(home, "boot:41", MINE):
        with pytest.raises(BusyError, match=r"\(A001\), since 20"):
            lease.take_card(home, "boot:41", MINE)
        assert lease.card_holder(home, "boot:41") == MINE
    lease.take_card(home, "boot:41", MINE).release()


def test_twins_are_two_cards(home: bytes) -> None:
    with lease.take_card(home, "boot:41", MINE), lease.take_card(home, "boot:42", MINE):
        assert lease.card_holder(home, "boot:43") is None


def test_kill_gives_the_lease_back(home: bytes) -> None:
    with other_run(home, "boot:41") as other:
        os.kill(other.pid, signal.SIGKILL)
        other.wait()
        with lease.take_card(home, "boot:41", MINE):
            pass


def test_child_that_outlives_a_killed_run_keeps_nothing(home: bytes) -> None:
    with other_run(home, "boot:41", "with-child") as other:
        os.kill(other.pid, signal.SIGKILL)
        other.wait()
        with lease.take_card(home, "boot:41", MINE):
            pass


def test_asking_who_holds_it_gives_nothing_up(home: bytes) -> None:
    with lease.take_card(home, "boot:41", MINE):
        assert lease.card_holder(home, "boot:41") == MINE
        with pytest.raises(BusyError):
            lease.take_card(home, "boot:41", MINE)
        # The system's own lock must still be there: another process is refused too.
        command = [sys.executable, "-c", _HOLD, os.fsdecode(home), "boot:41"]
        done = subprocess.run(command, input="", capture_output=True, text=True, check=False)
        assert "BusyError" in done.stderr


def test_asking_never_makes_a_taker_fail(home: bytes) -> None:
    stop = threading.Event()

    def ask() -> None:
        while not stop.is_set():
            lease.card_holder(home, "boot:41")

    asking = threading.Thread(target=ask)
    asking.start()
    try:
        for _ in range(200):
            lease.take_card(home, "boot:41", MINE).release()
    finally:
        stop.set()
        asking.join()


def test_other_process_that_asks_makes_no_taker_fail(home: bytes) -> None:
    script = """
import os, sys
from offload.ledger import lease
print("asking", flush=True)
while True:
    lease.card_holder(os.fsencode(sys.argv[1]), "boot:41")
"""
    command = [sys.executable, "-c", script, os.fsdecode(home)]
    asking = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert asking.stdout is not None
        assert asking.stdout.readline() == "asking\n"
        # A file that a killed run has left is what there is to ask about while nobody works.
        left = os.path.join(home, b"leases", lease_name(home))
        for _ in range(500):
            os.close(os.open(left, os.O_CREAT | os.O_RDWR))
            os.sched_yield()
            lease.take_card(home, "boot:41", MINE).release()
    finally:
        asking.kill()
        asking.communicate()


def test_lock_left_by_a_dead_process_is_taken_over(home: bytes) -> None:
    path = os.path.join(home, b"station.lock")
    Path(os.fsdecode(path)).write_text('{"pid": 1, "host": "cart", "started_ns": 0}')
    with lease.take_station(home, MINE):
        assert lease.station_holder(home) == MINE
    assert lease.station_holder(home) is None


def test_second_station_is_refused_by_name_and_process(home: bytes) -> None:
    with lease.take_station(home, MINE), pytest.raises(BusyError, match=f"process {os.getpid()}"):
        lease.take_station(home, MINE)


def test_released_lock_leaves_no_file(home: bytes) -> None:
    lease.take_card(home, "boot:41", MINE).release()
    assert os.listdir(os.path.join(home, b"leases")) == []


def test_hundred_takers_of_one_lock_are_one_at_a_time(home: bytes) -> None:
    path = os.path.join(home, b"one.lock")
    inside: list[int] = []
    most: list[int] = []

    def take() -> None:
        for _ in range(25):
            try:
                with FileLock.take(path, MINE):
                    inside.append(1)
                    most.append(len(inside))
                    inside.pop()
            except TakenError:
                continue

    threads = [threading.Thread(target=take) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert set(most) == {1}


@pytest.mark.parametrize(
    "content",
    ["", "{", "[1]", '{"pid": "x"}', '{"pid": 1, "host": 2, "started_ns": 0}', "\x1b[2J" * 2000],
)
def test_foreign_words_in_a_lock_do_no_harm(home: bytes, content: str) -> None:
    with other_run(home, "boot:41"):
        (file,) = Path(os.fsdecode(os.path.join(home, b"leases"))).iterdir()
        file.write_text(content)
        with pytest.raises(BusyError, match="not said its name"):
            lease.take_card(home, "boot:41", MINE)


def test_holder_is_shown_escaped() -> None:
    text = lease.said(Holder(1, "a\x1b[2Jb", 0, 0, "A\n001"))
    assert "\x1b" not in text
    assert "\n" not in text


def test_card_is_told_its_new_offload(home: bytes) -> None:
    with lease.take_card(home, "k", MINE) as held:
        later = Holder(MINE.pid, MINE.host, MINE.started_ns, 99, "A002")
        held.tell(later)
        assert lease.card_holder(home, "k") == later
